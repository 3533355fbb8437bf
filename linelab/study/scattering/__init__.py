"""A driver whose passes differ: how much, how often he leaves the track, and a line with room for it."""
