"""Curves, corners, and from two edges to a reference line with widths."""
