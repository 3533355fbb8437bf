"""How large a track may be, and sizes that show a mistaken unit: a kart track in feet is three times too wide."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from linelab.errors import TrackError
from linelab.geometry.facing import NARROWEST, WIDEST_PLACE
from linelab.units import FOOT, Array


class Range(NamedTuple):
    """Smallest and largest value that a track may have, with the unit and why."""

    low: float
    high: float
    unit: str
    why: str


#: Ranges of every track, from whatever file.
TRACK_RANGES = {
    "length": Range(10.0, 25_000.0, "m", "kart tracks have 0.2 to 2 km, the longest road circuits 21 km"),
    "width": Range(NARROWEST, WIDEST_PLACE, "m", "a kart is 1.4 m wide; published norms end at 12 m"),
    "coordinate": Range(-1e8, 1e8, "m", "map grids end at 1e7 m, and beyond this millimetres are lost"),
    "elevation": Range(-500.0, 9000.0, "m", "from the lowest shore to the highest mountain"),
    "slope, bank": Range(-0.35, 0.35, "rad", "36 %; the steepest streets have 35 %, and no kart track is banked more"),
    "vertices": Range(2, 200_000, "each line", "a kilometre surveyed every centimetre has 100 000"),
    "features": Range(1, 20_000, "a file", "a track has some dozens, a drawing of the whole site some thousands"),
    "kerbs": Range(0, 300, "with zones, corners and timing lines", "a track has some dozens"),
}

#: A track wider or narrower than this on average is refused: a unit was mistaken [m].
WIDTH_LIMITS = (1.2, 60.0)
#: A road wider than this without a stated unit is refused [m]: published norms for kart tracks end at 12 m, and a
#: narrow hall of 4.3 m, taken for metres in feet, begins here.
UNSTATED_WIDTH = 14.0
#: A road wider than this in a track file, whose units are fixed, is refused unless the file says that it is meant [m]:
#: 6.4 m taken in feet, and wider than any car circuit's average.
UNUSUAL_WIDTH = 21.0


#: A number in a file that is no smaller than this means nothing in any unit; sums and squares of what is overflow not.
LARGEST_NUMBER = 1e12


def range_words() -> list[str]:
    """The ranges as plain lines."""
    return [f"{name}: {one.low:.6g} to {one.high:.6g} {one.unit} ({one.why})" for name, one in TRACK_RANGES.items()]


def outside(name: str, value: float, where: str, remedy: str, station: float | None = None) -> TrackError:
    """An error that says that a value of the range ``name`` is out of it, and why there is one."""
    low, high, unit, why = TRACK_RANGES[name]
    return TrackError(
        f"{name} {value:.6g} {unit} is outside {low:.6g} to {high:.6g} {unit} ({why})",
        where=where,
        station=station,
        remedy=remedy,
    )


def check_line(points: Array, what: str) -> None:
    """Refuse a line (M, 2 or 3) [m] that no track can have, before anything is worked out along it.

    Raises
    ------
    TrackError
        More vertices, a coordinate or elevation farther out, or a longer way than TRACK_RANGES allow.
    """
    if len(points) > TRACK_RANGES["vertices"].high:
        raise outside("vertices", len(points), what, "Thin the line to a point every few centimetres")
    for name, columns in (("coordinate", points[:, :2]), ("elevation", points[:, 2:])):
        low, high, _, _ = TRACK_RANGES[name]
        off = ~((columns >= low) & (columns <= high))
        if off.any():
            row, column = np.argwhere(off)[0]
            raise outside(name, float(columns[row, column]), f"{what}, vertex {row + 1}", "Repair that point")
    step = np.hypot(*np.diff(points[:, :2], axis=0).T)
    if (length := float(step.sum())) > TRACK_RANGES["length"].high:
        at = int(np.argmax(step))
        remedy = f"Check the unit (metres), and vertex {at + 2}, which is {step[at]:.6g} m from the one before it"
        raise outside("length", length, what, remedy)


def check_steepness(slope: Array, bank: Array, s: Array) -> None:
    """Refuse a slope or bank (N,) [rad] at stations (N,) [m] that comes from a wrong elevation.

    Raises
    ------
    TrackError
    """
    steepest = np.maximum(np.abs(slope), np.abs(bank))
    at = int(np.argmax(steepest))
    if steepest[at] > TRACK_RANGES["slope, bank"].high:
        remedy = "Check the elevation there, and that both edges measure it from the same level, or leave it out"
        raise outside("slope, bank", float(steepest[at]), "", remedy, float(s[at]))


def check_widths(width: Array, place: str = "place") -> None:
    """Refuse widths (M,) [m] that can only come from a mistaken unit; ``place`` is what each of them belongs to.

    Raises
    ------
    TrackError
    """
    widest = int(np.argmax(width))
    if not width[widest] <= WIDEST_PLACE:
        remedy = "Check that width and its unit (metres, not feet)"
        raise outside("width", float(width[widest]), f"{place} {widest + 1}", remedy)
    typical = float(np.median(width))
    low, high = WIDTH_LIMITS
    if not low <= typical <= high:
        raise TrackError(
            f"the track is {typical:.2f} m wide on average, outside {low:g} to {high:g} m",
            remedy="Check the unit of the coordinates and widths (metres are expected, not feet) "
            "and that both edges belong to one track",
        )


def refuse_feet(width: Array, limit: float, remedy: str) -> None:
    """Refuse a road that is far wider than kart tracks are, as one in feet comes out.

    Parameters
    ----------
    width : (M,) array
        Distance between the edges [m].
    limit : float
        UNSTATED_WIDTH or UNUSUAL_WIDTH [m].
    remedy : str
        How to state the unit, or that the width is meant.

    Raises
    ------
    TrackError
    """
    typical = float(np.median(width))
    if typical > limit:
        raise TrackError(
            f"the track is {typical:.0f} m wide on average, where published norms for kart tracks end at 12 m: "
            f"in feet it would be {typical * FOOT:.1f} m",
            remedy=remedy,
        )
