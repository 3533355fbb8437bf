"""Tracks of unusual shape, made on the spot: narrow, tight, crossing themselves, open, long, round."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from linelab.files.tracks.track_build import track_from_centre, track_from_edges
from linelab.model.track import Track

Array = NDArray[np.float64]


def arcs(pieces: list[tuple[float, float]], step: float = 0.25) -> Array:
    """Line (N, 2) from pieces (length [m], curvature [1/m]), starting at the origin to the east."""
    points, heading, at = [np.zeros(2)], 0.0, np.zeros(2)
    for length, kappa in pieces:
        count = max(round(length / step), 2)
        h = length / count
        for _ in range(count):
            middle = heading + 0.5 * h * kappa
            at = at + h * np.array([np.cos(middle), np.sin(middle)])
            heading += h * kappa
            points.append(at)
    return np.array(points)


def winding(length: float, seed: int = 7) -> Array:
    """Centre line (N, 2) of an open winding road of bends of 12 to 80 m radius that never turns back on itself [m]."""
    rng = np.random.default_rng(seed)
    pieces: list[tuple[float, float]] = []
    total, heading = 0.0, 0.0
    while total < length:
        radius = float(rng.uniform(12.0, 80.0))
        wanted = float(rng.uniform(-1.2, 1.2))
        turn = wanted - heading
        heading = wanted
        pieces += [
            (max(abs(turn) * radius, 2.0), turn / max(abs(turn) * radius, 2.0)),
            (float(rng.uniform(10.0, 90.0)), 0.0),
        ]
        total += pieces[-1][0] + pieces[-2][0]
    line = arcs(pieces, 1.0)
    return _soft(line, 5)[: int(length) + 1]


def _soft(line: Array, reach: int) -> Array:
    """Moving average, so that curvature builds up over a few metres."""
    padded = np.concatenate([np.repeat(line[:1], reach, 0), line, np.repeat(line[-1:], reach, 0)])
    kernel = np.ones(2 * reach + 1) / (2 * reach + 1)
    return np.column_stack([np.convolve(padded[:, k], kernel, mode="valid") for k in (0, 1)])[reach:-reach]


def open_track(name: str, line: Array, width: float) -> Track:
    """An open road of constant width."""
    return _centre(name, line, width, closed=False)


def _centre(name: str, line: Array, width: float, *, closed: bool) -> Track:
    half = np.full(len(line), width / 2.0)
    return track_from_centre(name, line, half, half, closed=closed)


def _loop(half: float, radius: float) -> Array:
    """Two straights and two half circles."""
    turn = np.pi * radius
    return arcs([(half, 0.0), (turn, 1 / radius), (2 * half, 0.0), (turn, 1 / radius), (half, 0.0)])[:-1]


def circle() -> Track:
    """A plain circle of 30 m radius, 8 m wide."""
    angle = np.linspace(0.0, 2.0 * np.pi, 360, endpoint=False)
    return _centre("circle of 30 m", 30.0 * np.column_stack([np.cos(angle), np.sin(angle)]), 8.0, closed=True)


def ring() -> Track:
    """Edges only: a ring of radii 2 m and 10 m."""
    angle = np.linspace(0.0, 2.0 * np.pi, 240, endpoint=False)
    unit = np.column_stack([np.cos(angle), np.sin(angle)])
    return track_from_edges("ring of 2 to 10 m", 2.0 * unit, 10.0 * unit, closed=True)


def narrow() -> Track:
    """2.2 m wide all round."""
    return _centre("2.2 m narrow", _loop(60.0, 15.0), 2.2, closed=True)


def barely() -> Track:
    """1.6 m wide, twenty centimetres more than a kart."""
    return _centre("1.6 m narrow", _loop(60.0, 15.0), 1.6, closed=True)


def hairpins() -> Track:
    """Hairpins of 1 m inside radius on an 8 m wide track."""
    return _centre("hairpins of 1 m inside", _loop(60.0, 5.0), 8.0, closed=True)


def comb() -> Track:
    """Four hairpins to and fro, 1 m inside radius, 1.5 m between the stretches, closed by a way back."""
    r, run = 4.5, 50.0
    bend = np.pi * r
    pieces = [(run, 0.0)]
    for sign in (1, -1, 1):
        pieces += [(bend, sign / r), (run, 0.0)]
    pieces += [(np.pi / 2 * 12, -1 / 12), (40.0, 0.0)]
    return _centre("open comb of hairpins", arcs(pieces), 7.0, closed=False)


def crossing() -> Track:
    """A figure of eight that crosses itself."""
    t = np.linspace(0.0, 2.0 * np.pi, 500, endpoint=False)
    return _centre("figure of eight", np.column_stack([90 * np.sin(t), 70 * np.sin(t) * np.cos(t)]), 8.0, closed=True)


def open_road() -> Track:
    """An open road of 1 km."""
    return _centre("open road of 1 km", winding(1000.0), 7.0, closed=False)


def straight() -> Track:
    """A straight, 300 m."""
    return _centre(
        "open straight of 300 m", np.column_stack([np.arange(0.0, 301.0, 5.0), np.zeros(61)]), 8.0, closed=False
    )


def long_road() -> Track:
    """An open road of 20 km."""
    return _centre("open road of 20 km", winding(20000.0), 7.0, closed=False)


def square() -> Track:
    """Edges with true right angles."""
    outer = np.array([[0.0, 0.0], [80.0, 0.0], [80.0, 60.0], [0.0, 60.0]])
    inner = np.array([[8.0, 8.0], [72.0, 8.0], [72.0, 52.0], [8.0, 52.0]])
    return track_from_edges("square corners", inner, outer, closed=True)


def small() -> Track:
    """A car park circuit of about 90 m."""
    return _centre("car park of 90 m", _loop(14.0, 6.0), 5.0, closed=True)


def sparse() -> Track:
    """Edges with a vertex only every 15 m or so."""
    t = np.linspace(0.0, 2.0 * np.pi, 28, endpoint=False)
    centre = np.column_stack([(70 + 15 * np.cos(3 * t)) * np.cos(t), (70 + 15 * np.cos(3 * t)) * np.sin(t)])
    return _centre("vertices 15 m apart", centre, 8.0, closed=True)


SHAPES: tuple[Callable[[], Track], ...] = (
    circle,
    ring,
    narrow,
    barely,
    hairpins,
    comb,
    crossing,
    open_road,
    straight,
    square,
    small,
    sparse,
    long_road,
)
