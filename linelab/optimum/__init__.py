"""The minimum-time lap: solved, and checked by other means."""
