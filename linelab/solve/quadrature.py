"""Three-point Gauss-Legendre quadrature over the steps of a grid, of fifth order."""

from __future__ import annotations

import numpy as np

from linelab.units import Array

#: Where a step is sampled, as shares of it, and what the samples weigh.
POINTS = np.array([0.5 - np.sqrt(0.15), 0.5, 0.5 + np.sqrt(0.15)])
WEIGHTS = np.array([5.0, 8.0, 5.0]) / 18.0


def between(grid: Array) -> Array:
    """Sample points inside each step of a grid (M,): (M-1, 3)."""
    return np.asarray(grid[:-1, None] + np.diff(grid)[:, None] * POINTS)


def integrated(grid: Array, rates: Array) -> Array:
    """Running integral (M,) of rates (M-1, 3) given at :func:`between`."""
    return np.concatenate([[0.0], np.cumsum(np.diff(grid) * (rates @ WEIGHTS))])
