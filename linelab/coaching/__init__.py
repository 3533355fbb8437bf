"""A session as a coach would go through it."""
