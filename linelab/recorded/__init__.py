"""Recordings: cleaned, and cut into laps."""
