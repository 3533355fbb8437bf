"""Slope, bank and normal load along paths over grounds whose shape is known exactly."""

from __future__ import annotations

import numpy as np
import pytest

from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_build import track_from_edges
from linelab.geometry.curve import curve_at
from linelab.model.grip import Surface, kart_numbers, load_lines
from linelab.speed.lines import line_on_track

STEEP = 0.05


def tilted_ring(radius: float = 25.0, straight: float = 60.0, half: float = 4.0):
    """A closed track of two straights and two half circles on one plane that rises to the north-east."""
    turn = np.linspace(-0.5 * np.pi, 0.5 * np.pi, 60)
    ends = [(straight, 0.0, turn), (0.0, 0.0, turn + np.pi)]

    def edge(out: float):
        parts = [np.column_stack([x + (radius + out) * np.cos(a), (radius + out) * np.sin(a)]) for x, _, a in ends]
        line = np.vstack(parts)
        return np.column_stack([line, height(*line.T)])

    return track_from_edges("tilted ring", edge(-half), edge(half), closed=True)


def height(x, y):
    return STEEP * (x + y) / np.sqrt(2.0)


def test_on_a_plane_speed_adds_no_load():
    """On a plane the load is g·cos(tilt) at any speed on any line: nothing there bends up or down (plane geometry)."""
    track = tilted_ring()
    s = np.linspace(0.0, track.length, 1200)
    wave = 2.0 * np.pi * s / track.length
    line = line_on_track(track, s, 1.5 * np.sin(5.0 * wave))
    numbers = kart_numbers(load_kart("senior-single-speed"))
    ground = Surface(line.slope, line.bank, line.vertical_curvature, line.grip)
    load = load_lines(numbers, line.kappa, ground)
    inside = slice(20, -20)
    assert np.abs(load.n1[inside]).max() < 0.25 * STEEP * np.abs(line.kappa).max()
    assert np.sqrt(np.mean(load.n1[inside] ** 2)) < 0.05 * STEEP * np.sqrt(np.mean(line.kappa[inside] ** 2))
    along = np.gradient(height(line.x, line.y), line.distance)
    assert line.slope[inside] == pytest.approx(along[inside], abs=0.1 * STEEP)
    assert curve_at(track.reference, s).kappa.max() > 0.02
