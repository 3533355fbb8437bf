"""Corners from geometry: shapes whose corners are known by construction, and invariances."""

import numpy as np
import pytest

from linelab.geometry.corners import FoundCorner, find_corners, turn_between
from linelab.geometry.curve import Curve

Segments = list[tuple[float, float]]  # length [m], turn [deg]


def curve(segments: Segments, *, closed: bool, step: float = 0.25, scale: float = 1.0, hand: float = 1.0) -> Curve:
    """Straights and arcs laid end to end."""
    lengths = np.array([length for length, _ in segments]) * scale
    kappas = hand * np.array([np.radians(turn) for _, turn in segments]) / lengths
    ends = np.concatenate(([0.0], np.cumsum(lengths)))
    count = round(ends[-1] / (step * scale))
    s = np.linspace(0.0, ends[-1], count + 1)
    psi = np.interp(s, ends, np.concatenate(([0.0], np.cumsum(kappas * lengths))))
    fine = np.linspace(0.0, ends[-1], 20 * count + 1)
    heading = np.interp(fine, ends, np.concatenate(([0.0], np.cumsum(kappas * lengths))))
    h = fine[1]
    x = np.concatenate(([0.0], np.cumsum(h * 0.5 * (np.cos(heading[1:]) + np.cos(heading[:-1])))))[::20]
    y = np.concatenate(([0.0], np.cumsum(h * 0.5 * (np.sin(heading[1:]) + np.sin(heading[:-1])))))[::20]
    if closed:
        assert np.hypot(x[-1] - x[0], y[-1] - y[0]) < 0.5, "the test's own shape does not close"
    kappa = kappas[np.clip(np.searchsorted(ends, s, side="right") - 1, 0, len(kappas) - 1)]
    return Curve(s=s, x=x, y=y, psi=psi, kappa=kappa, dkappa=np.zeros_like(s), closed=closed)


def corners(segments: Segments, *, closed: bool = False, width: float = 8.0, **more: float) -> tuple[FoundCorner, ...]:
    line = curve(segments, closed=closed, **more)
    half = np.full(line.s.size, 0.5 * width * more.get("scale", 1.0))
    return find_corners(line, half, half)


def arc(radius: float, turn: float) -> tuple[float, float]:
    return radius * abs(np.radians(turn)), turn


OVAL = [(60.0, 0.0), arc(20.0, 180.0), (120.0, 0.0), arc(20.0, 180.0), (60.0, 0.0)]
LAP = [
    (80.0, 0.0), arc(14.0, 100.0), (30.0, 0.0), arc(10.0, -95.0), (40.0, 0.0), arc(9.0, 175.0), (40.0, 0.0),
    arc(16.0, -60.0), (4.0, 0.0), arc(16.0, 60.0), (60.0, 0.0),
]  # fmt: skip


def test_a_straight_has_no_corner() -> None:
    assert corners([(300.0, 0.0)]) == ()


def test_an_oval_has_one_corner_at_each_end() -> None:
    found = corners(OVAL, closed=True)
    assert [round(np.degrees(c.turn)) for c in found] == pytest.approx([180, 180], abs=3)
    length = 2 * 120.0 + 2 * np.pi * 20.0
    for corner, middle in zip(found, (60.0 + np.pi * 10.0, 180.0 + np.pi * 30.0)):
        assert corner.s_apex == pytest.approx(middle, abs=0.3)
        assert corner.s_start == pytest.approx(middle - 10 * np.pi, abs=4.0)
        assert corner.s_end == pytest.approx(middle + 10 * np.pi, abs=4.0)
        assert 0.0 <= corner.s_start < corner.s_end < length


def test_a_full_circle_is_one_corner() -> None:
    found = corners([arc(30.0, 360.0)], closed=True)
    assert len(found) == 1
    assert np.degrees(found[0].turn) == pytest.approx(360.0, abs=1.0)


@pytest.mark.parametrize(
    ("what", "segments", "expected"),
    [
        ("ninety", [(80, 0), arc(12, 90), (80, 0)], [90]),
        ("flat kink", [(80, 0), arc(40, 12), (80, 0)], []),
        ("long bend of large radius", [(80, 0), arc(150, 70), (80, 0)], [70]),
        ("chicane", [(80, 0), arc(12, 50), arc(12, -50), (80, 0)], [50, -50]),
        ("esses", [(80, 0), arc(16, 60), arc(16, -90), arc(16, 90), arc(16, -60), (80, 0)], [60, -90, 90, -60]),
        ("double apex, no room to move out", [(80, 0), arc(12, 80), (8, 0), arc(12, 80), (80, 0)], [160]),
        ("two corners, room between", [(80, 0), arc(12, 80), (40, 0), arc(12, 80), (80, 0)], [80, 80]),
        ("tightening", [(80, 0), arc(45, 60), arc(12, 90), (80, 0)], [150]),
        ("hairpin, 2 m inside", [(40, 0), arc(6, 180), (40, 0)], [180]),
    ],
)
def test_shapes(what: str, segments: Segments, expected: list[float]) -> None:
    assert [round(np.degrees(c.turn)) for c in corners(segments)] == pytest.approx(expected, abs=6), what


def test_the_apex_of_a_tightening_bend_lies_in_its_tight_part() -> None:
    (tight,) = corners([(80, 0), arc(45, 60), arc(12, 90), (80, 0)])
    tight_from = 80.0 + arc(45, 60)[0]
    assert tight_from < tight.s_apex < tight_from + arc(12, 90)[0]


def test_mirror_and_reversal() -> None:
    plain = corners(LAP)
    mirrored = corners(LAP, hand=-1.0)
    backwards = corners([(length, -turn) for length, turn in reversed(LAP)])
    total = sum(length for length, _ in LAP)
    assert len(plain) == len(mirrored) == len(backwards) == 5
    for a, b in zip(plain, mirrored):
        assert (b.s_start, b.s_apex, b.s_end, b.turn) == pytest.approx(
            (a.s_start, a.s_apex, a.s_end, -a.turn), abs=1e-6
        )
    for a, b in zip(plain, reversed(backwards)):
        assert (total - b.s_end, total - b.s_apex, total - b.s_start) == pytest.approx(
            (a.s_start, a.s_apex, a.s_end), abs=0.02
        )
        assert b.turn == pytest.approx(-a.turn, abs=1e-3)


def test_the_mesh_does_not_matter() -> None:
    for a, b in zip(corners(LAP, step=0.25), corners(LAP, step=1.0), strict=True):
        assert (b.s_start, b.s_apex, b.s_end) == pytest.approx((a.s_start, a.s_apex, a.s_end), abs=0.3)


def test_scale_does_not_matter() -> None:
    # The same drawing as a 7 km circuit: same corners, stations scaled.
    for a, b in zip(corners(LAP), corners(LAP, scale=12.0), strict=True):
        assert (b.s_start / 12, b.s_apex / 12, b.s_end / 12) == pytest.approx((a.s_start, a.s_apex, a.s_end), abs=0.3)


def test_small_noise_in_the_edges_does_not_matter() -> None:
    line = curve(LAP, closed=False)
    rng = np.random.default_rng(5)
    knots = np.arange(0.0, line.length + 1.5, 1.5)
    noisy = [4.0 + np.interp(line.s, knots, rng.normal(0.0, 0.05, knots.size)) for _ in range(2)]
    for a, b in zip(corners(LAP), find_corners(line, noisy[0], noisy[1]), strict=True):
        assert (b.s_start, b.s_apex, b.s_end) == pytest.approx((a.s_start, a.s_apex, a.s_end), abs=1.0)


def test_the_reference_line_does_not_matter() -> None:
    # The same corridor described from a line 3 m left of its middle.
    line = curve(LAP, closed=False)
    x, y = line.x - 3.0 * np.sin(line.psi), line.y + 3.0 * np.cos(line.psi)
    along = np.concatenate(([0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))))
    s = np.linspace(0.0, along[-1], line.s.size)
    moved = Curve(
        s=s, x=np.interp(s, along, x), y=np.interp(s, along, y), psi=np.interp(s, along, line.psi),
        kappa=np.gradient(np.interp(s, along, line.psi), s), dkappa=np.zeros_like(s), closed=False,
    )  # fmt: skip
    there = find_corners(moved, np.full(s.size, 1.0), np.full(s.size, 7.0))
    for a, b in zip(corners(LAP), there, strict=True):
        assert np.interp(b.s_apex, along, line.s) == pytest.approx(a.s_apex, abs=0.3)


def test_a_corner_across_the_start_line() -> None:
    half = arc(20.0, 90.0)
    found = corners([half, (120.0, 0.0), arc(20.0, 180.0), (120.0, 0.0), half], closed=True)
    assert len(found) == 2
    crossing = next(c for c in found if c.s_end < c.s_start)
    length = 240.0 + 2.0 * np.pi * 20.0
    assert min(crossing.s_apex, length - crossing.s_apex) < 0.3


def test_turn_between_follows_the_lap() -> None:
    line = curve(OVAL, closed=True)
    half = np.full(line.s.size, 4.0)
    assert np.degrees(turn_between(line, half, half, 10.0, 150.0)) == pytest.approx(180.0, abs=0.5)
    assert np.degrees(turn_between(line, half, half, 150.0, 10.0)) == pytest.approx(180.0, abs=0.5)
