"""A kart read off driven laps: what it grips, brakes and pulls, with the uncertainty of each."""
