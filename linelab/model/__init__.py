"""What a lap is made of: track, kart, engine, grip, and laps themselves."""
