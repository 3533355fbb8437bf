"""Tracks drawn: drawings checked and saved, pictures and laps beneath them, the list of tracks."""
