"""Coaching: marks, causes of lost time, consistency and what to work on first, from comparisons of whole sessions."""
