"""The track sheet: A4 pages for the track walk."""
