"""Facts of a track in numbers, beside the published norms for kart circuits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from linelab.errors import check_kinds
from linelab.geometry.corners import STRAIGHT, midline, smoothed_path
from linelab.model.track import Corner, Groove, Survey, Track
from linelab.units import Array

Verdict = Literal["within", "outside", "not known"]

#: Norms for outdoor kart circuits: what, from, to (unit beside), and where it is published.
FRENCH = "French motor sport federation, kart circuit rules, category 1.1"
BRAZILIAN = "Brazilian kart circuit norms, A licence"


@dataclass(frozen=True, kw_only=True, slots=True)
class NormCheck:
    """One published norm beside this track's value.

    ``value`` is a (low, high) range in ``unit``; ``low`` and ``high`` are the norm's bounds, None where it has none.
    """

    what: str
    value: tuple[float, float]
    low: float | None
    high: float | None
    unit: str
    source: str
    verdict: Verdict


@dataclass(frozen=True, kw_only=True, slots=True)
class TrackFacts:
    """What is known about a track.

    ``length`` is measured along the middle between the edges, as circuits are published; ``reference_length`` along
    the reference line [m].  ``width`` is the distance between the edges [m].  ``tightest_inside_radius`` is that of
    the inside edge, from the heading of that edge smoothed over a fifth of the width [m]; infinite on a straight.
    ``slope`` and ``bank`` are rise over run, positive uphill and where the left side is lower; None without elevation.
    """

    name: str
    closed: bool
    length: float
    reference_length: float
    direction: Literal["clockwise", "anticlockwise", "figure of eight", "open"]
    width: tuple[float, float]
    mean_width: float
    tightest_inside_radius: float
    tightest_station: float
    longest_straight: float
    start_straight: float | None
    slope: tuple[float, float] | None
    bank: tuple[float, float] | None
    climb: float | None  #: total rise over a lap [m]
    left_corners: int
    right_corners: int
    corners: tuple[Corner, ...]
    kerbs: int
    patches: tuple[float, ...]  #: grip over the rest of the road's, of each grip zone [-]
    groove: Groove | None
    survey: Survey
    georeferenced: bool
    norms: tuple[NormCheck, ...]
    notes: tuple[str, ...]


def track_facts(track: Track) -> TrackFacts:
    """Length, width, direction, straights, slope and bank of a track, beside published norms for kart circuits.

    Parameters
    ----------
    track : Track

    Returns
    -------
    TrackFacts

    Raises
    ------
    InputError
        ``track`` is of another type.

    References
    ----------
    Norms for kart circuits: the two rule books that each check names as its source.

    Examples
    --------
    >>> import linelab
    >>> facts = linelab.track_facts(linelab.load_track("tinmarsh_rental"))
    >>> facts.direction, round(facts.length)
    ('clockwise', 440)
    """
    check_kinds("track_facts", track=(track, Track))
    middle = middle_line(track)
    length = float(np.sum(np.hypot(np.diff(middle[:, 0]), np.diff(middle[:, 1]))))
    radius, station = _tightest(track)
    longest, start = _straights(track)
    has_z = track.left_z is not None
    rise = np.diff(track.z)
    slope = _range(np.tan(track.slope)) if has_z else None
    bank = _range(np.tan(track.bank)) if has_z else None
    width = square_width(track)
    return TrackFacts(
        name=track.name,
        closed=track.closed,
        length=length,
        reference_length=track.length,
        direction=circuit_direction(track),
        width=_range(width),
        mean_width=float(width.mean()),
        tightest_inside_radius=radius,
        tightest_station=station,
        longest_straight=longest,
        start_straight=start,
        slope=slope,
        bank=bank,
        climb=float(rise[rise > 0.0].sum()) if has_z else None,
        left_corners=sum(c.left for c in track.corners),
        right_corners=sum(not c.left for c in track.corners),
        corners=track.corners,
        kerbs=len(track.kerbs),
        patches=tuple(zone.factor for zone in track.grip_zones),
        groove=track.groove,
        survey=track.survey,
        georeferenced=track.georeferenced,
        norms=_norms(length, _range(width), start, slope, bank),
        notes=track.notes,
    )


def middle_line(track: Track) -> Array:
    """Points (N, 2) half-way between the edges at the track's stations [m]."""
    offset = 0.5 * (track.w_left - track.w_right)
    line = track.reference
    return np.column_stack([line.x - offset * np.sin(line.psi), line.y + offset * np.cos(line.psi)])


def square_width(track: Track) -> Array:
    """Width (N,) measured square to the middle line; the reference line's normal crosses the track at a slant [m]."""
    step = np.gradient(middle_line(track), axis=0)
    slant = np.arctan2(step[:, 1], step[:, 0]) - track.reference.psi
    return np.asarray(track.width * np.abs(np.cos(slant)))


def _range(values: Array) -> tuple[float, float]:
    return float(values.min()), float(values.max())


def circuit_direction(track: Track) -> Literal["clockwise", "anticlockwise", "figure of eight", "open"]:
    """Sense of rotation from the total heading change round the lap."""
    if not track.closed:
        return "open"
    turns = round(float(track.reference.psi[-1] - track.reference.psi[0]) / (2.0 * np.pi))
    if turns == 0:
        return "figure of eight"
    return "anticlockwise" if turns > 0 else "clockwise"


def _tightest(track: Track) -> tuple[float, float]:
    """Smallest radius of an inside edge [m] and its station."""
    line = track.reference
    sigma = 0.2 * float(np.median(track.width))
    best = (np.inf, 0.0)
    for sign, width in ((1.0, track.w_left), (-1.0, track.w_right)):
        x, y = line.x - sign * width * np.sin(line.psi), line.y + sign * width * np.cos(line.psi)
        path = smoothed_path(x, y, sigma, closed=track.closed)
        at = int(np.argmax(sign * path.kappa))
        kappa = float(sign * path.kappa[at])
        if kappa > 1e-6 and 1.0 / kappa < best[0]:
            best = (1.0 / kappa, float(np.interp(path.station[at], path.along, line.s)))
    return best


def _straights(track: Track) -> tuple[float, float | None]:
    """Longest straight, and the one that holds the start line of a circuit (None where it lies in a bend) [m].

    Straight means a middle of more than ``STRAIGHT`` track widths radius, the bound below which bends are sought.
    """
    line = midline(track.reference, track.w_left, track.w_right)
    straight = np.abs(line.kappa) * STRAIGHT * line.width < 1.0
    if straight.all():
        return line.step * straight.size, line.step * straight.size if track.closed else None
    at = int(np.argmin(np.abs(np.mod(line.s + track.length / 2.0, track.length) - track.length / 2.0)))
    turned = np.roll(straight, -int(np.argmin(straight))) if track.closed else straight
    ends = np.flatnonzero(np.diff(np.concatenate(([False], turned, [False])).astype(int)))
    longest = float(np.max(ends[1::2] - ends[::2], initial=0)) * line.step
    if not track.closed or not straight[at]:
        return longest, None
    ahead, behind = np.roll(straight, -at), np.roll(straight, -at)[::-1]
    return longest, float(np.argmin(ahead) + np.argmin(behind)) * line.step


def _norms(
    length: float,
    width: tuple[float, float],
    start: float | None,
    slope: tuple[float, float] | None,
    bank: tuple[float, float] | None,
) -> tuple[NormCheck, ...]:
    """Published norms beside this track (values as collected in the project's list of outside values)."""

    def check(
        what: str, value: tuple[float, float] | None, low: float | None, high: float | None, unit: str, source: str
    ) -> NormCheck:
        if value is None:
            nan = float("nan")
            return NormCheck(
                what=what, value=(nan, nan), low=low, high=high, unit=unit, source=source, verdict="not known"
            )
        fits = (low is None or value[0] >= low - 0.05) and (high is None or value[1] <= high + 0.05)
        return NormCheck(
            what=what,
            value=value,
            low=low,
            high=high,
            unit=unit,
            source=source,
            verdict="within" if fits else "outside",
        )

    def steepest(values: tuple[float, float] | None) -> tuple[float, float] | None:
        return None if values is None else (0.0, 100.0 * max(abs(values[0]), abs(values[1])))

    straight = None if start is None else (start, start)
    return (
        check("length", (length, length), 700.0, 1500.0, "m", FRENCH),
        check("width", width, 7.0, 9.0, "m", FRENCH),
        check("length", (length, length), 1200.0, 1500.0, "m", BRAZILIAN),
        check("width", width, 8.0, 12.0, "m", BRAZILIAN),
        check("start straight", straight, 150.0, 170.0, "m", BRAZILIAN),
        check("longitudinal gradient", steepest(slope), None, 5.0, "%", BRAZILIAN),
        check("transverse gradient", steepest(bank), None, 10.0, "%", BRAZILIAN),
    )
