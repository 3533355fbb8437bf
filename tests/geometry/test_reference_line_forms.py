"""Reference lines against closed forms and real circuits (open data, read where present)."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from linelab.geometry.frenet import sn_to_xy
from linelab.geometry.reference_line import corridor_from_edges, edges_from_centre, stretch

SHARED = Path(os.environ.get("LINELAB_SHARED", Path(__file__).resolve().parents[3] / "shared")) / "data"
WIDTHS = SHARED / "circuits_xyw" / "tracks"
FILES = sorted(WIDTHS.glob("*.csv"))


def ring(radius, count=500):
    angle = np.arange(count) * 2.0 * np.pi / count
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])


@pytest.mark.parametrize(("inner", "outer"), [(22.0, 30.0), (1.0, 9.0), (5.0, 8.0), (27.0, 30.0)])
def test_annulus(inner, outer):
    # A concentric circle of radius r has kappa = 1/r and w_left = r - inner, so 1 - n kappa = inner/r at the inside.
    corridor = corridor_from_edges(ring(inner), ring(outer), closed=True)
    curve = corridor.reference
    radius = np.hypot(curve.x, curve.y)
    assert np.ptp(radius) < 0.02 * outer
    assert curve.length == pytest.approx(2.0 * np.pi * radius.mean(), rel=2e-3)
    assert corridor.w_left == pytest.approx(radius - inner, abs=0.02)
    assert corridor.w_right == pytest.approx(outer - radius, abs=0.02)
    assert stretch(curve, corridor.w_left, corridor.w_right) == pytest.approx(inner / radius, abs=0.05)


def test_area_between_the_edges():
    # Area of the road in curvilinear coordinates: integral of (1 - n kappa) dn ds, against the annulus' pi (R² - r²).
    corridor = corridor_from_edges(ring(12.0), ring(20.0), closed=True)
    curve, left, right = corridor.reference, corridor.w_left, corridor.w_right
    area = np.trapezoid(left + right - 0.5 * curve.kappa * (left**2 - right**2), curve.s)
    assert area == pytest.approx(np.pi * (20.0**2 - 12.0**2), rel=1e-3)


@pytest.mark.skipif(not FILES, reason="open circuit data (circuits_xyw) not present")
@pytest.mark.parametrize("file", FILES, ids=lambda path: path.stem)
def test_real_circuits(file):
    # TUMFTM racetrack-database (open data, see SOURCES): centre line with widths at 5 m steps.
    data = np.loadtxt(file, delimiter=",")
    left, right = edges_from_centre(data[:, :2], data[:, 3], data[:, 2], closed=True)
    for a, b in ((left, right), (right[::-1], left[::-1])):
        corridor = corridor_from_edges(a, b, closed=True)
        curve = corridor.reference
        assert stretch(curve, corridor.w_left, corridor.w_right).min() >= 0.3
        width = corridor.w_left + corridor.w_right
        assert width.min() > 0.85 * (data[:, 2] + data[:, 3]).min()
        centre = np.hypot(*np.diff(np.vstack([data[:, :2], data[:1, :2]]), axis=0).T).sum()
        assert 0.97 * centre < curve.length < 1.01 * centre
        for edge, offset in ((a, corridor.w_left), (b, -corridor.w_right)):
            assert edge_error(curve, edge, offset) < 0.02


def edge_error(curve, edge, offset):
    """Root mean square distance of the surveyed points from the reproduced edge [m], sharp corners left out."""
    import shapely

    line = np.column_stack(sn_to_xy(curve, curve.s, offset))
    tree = shapely.STRtree(shapely.linestrings(np.stack([line[:-1], line[1:]], axis=1)))
    legs = np.diff(np.vstack([edge[-1:], edge, edge[:1]]), axis=0)
    cross = legs[:-1, 0] * legs[1:, 1] - legs[:-1, 1] * legs[1:, 0]
    turn = np.abs(np.arctan2(cross, np.einsum("ij,ij->i", legs[:-1], legs[1:])))
    smooth = np.convolve(np.pad(turn, 3, mode="wrap") > 0.35, np.ones(7), mode="valid") == 0
    _, distance = tree.query_nearest(shapely.points(edge[smooth]), return_distance=True, all_matches=False)
    return float(np.sqrt(np.mean(distance**2)))
