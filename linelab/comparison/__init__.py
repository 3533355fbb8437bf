"""Recorded laps held against the reference lap."""
