"""Recordings from files."""
