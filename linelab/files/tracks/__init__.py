"""Tracks from files."""
