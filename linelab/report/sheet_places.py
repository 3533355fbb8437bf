"""Places for labels on the sheet's map: beside what they name, off the road, off each other; lengths in inches."""

from __future__ import annotations

import numpy as np

from linelab.units import Array

#: Distances of a label's middle from what it names that are tried, and directions [inches, number].
DISTANCES = (0.3, 0.42, 0.55, 0.7, 0.9, 1.15)
DIRECTIONS = 24
#: Free room wanted around a label [inches].
PAD = 0.04
#: Rounds over all labels, each placed anew with the others where they are.
ROUNDS = 3


def label_spots(anchors: Array, outward: Array, size: tuple[float, float], avoid: Array, bounds: Array) -> Array:
    """Middles of labels of one size.

    Parameters
    ----------
    anchors : (C, 2) array
        What each label names.
    outward : (C, 2) array
        Unit vectors; labels lie on that side where it is free.
    size : (float, float)
        Width and height of a label.
    avoid : (K, 2) array
        Points that no label should cover.
    bounds : (2, 2) array
        Lowest and highest corner of the sheet's free area.

    Returns
    -------
    (C, 2) array
    """
    half = 0.5 * np.array(size)
    angles = 2.0 * np.pi * np.arange(DIRECTIONS) / DIRECTIONS
    rays = np.column_stack([np.cos(angles), np.sin(angles)])
    steps = (np.array(DISTANCES)[:, None, None] * rays[None, :, :]).reshape(-1, 2)
    ground = []
    for anchor, side in zip(anchors, outward):
        options = anchor + steps
        near = avoid[np.hypot(*(avoid - anchor).T) < DISTANCES[-1] + float(np.hypot(*half)) + 2.0 * PAD]
        cost = 1.2 * np.hypot(*steps.T) - 0.15 * (steps @ side) / np.hypot(*steps.T)
        cost = cost + 2.0 * _covered(options, half + PAD, near) + 20.0 * _outside(options, half, bounds)
        ground.append(cost + 0.12 * _crossed(anchor, options, near))
    spots = np.full_like(anchors, 1e6)  # far off until placed
    for _ in range(ROUNDS):
        for k, anchor in enumerate(anchors):
            options = anchor + steps
            others = np.delete(spots, k, axis=0)
            cost = ground[k] + 5.0 * _covered(options, 2.0 * half + PAD, others)
            cost = cost + 3.0 * _crossed(anchor, options, others, 0.6 * half[0])
            spots[k] = options[int(np.argmin(cost))]
    return spots


def _covered(options: Array, half: Array, points: Array) -> Array:
    """How many points lie in a box around each option (P,)."""
    inside = np.abs(options[:, None, :] - points[None, :, :]) < half
    return np.asarray(inside.all(axis=2).sum(axis=1), dtype=np.float64)


def _outside(options: Array, half: Array, bounds: Array) -> Array:
    """1 where a box around an option leaves the bounds (P,)."""
    inside = (options - half >= bounds[0]) & (options + half <= bounds[1])
    return np.asarray(~inside.all(axis=1), dtype=np.float64)


def _crossed(anchor: Array, options: Array, points: Array, reach: float = 0.05) -> Array:
    """How many points a straight leader from the anchor to each option passes within ``reach`` (P,)."""
    way = options - anchor
    length = np.hypot(*way.T)
    rel = points[None, :, :] - anchor
    along = (rel * way[:, None, :]).sum(axis=2) / length[:, None]
    across = np.abs(rel[:, :, 0] * way[:, None, 1] - rel[:, :, 1] * way[:, None, 0]) / length[:, None]
    hit = (along > 0.12) & (along < length[:, None]) & (across < reach)
    return np.asarray(hit.sum(axis=1), dtype=np.float64)
