"""What a driver does, and what it costs: marks, stretches, the driver model and its fit."""
