"""Facts of a track in numbers and words, beside the published norms for kart circuits.

A track's facts as sentences and a table, for a terminal or a page.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from linelab.geometry.corners import STRAIGHT, midline, smoothed_path
from linelab.measured import TO_95
from linelab.model.track import Corner, Survey, Track
from linelab.output.display import METRIC, Units, in_units
from linelab.output.tables import text_table
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
    survey: Survey
    georeferenced: bool
    norms: tuple[NormCheck, ...]
    notes: tuple[str, ...]


def find_facts(track: Track) -> TrackFacts:
    """Work out a track's facts.

    Parameters
    ----------
    track : Track

    Returns
    -------
    TrackFacts
    """
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
        direction=_direction(track),
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


def survey_sentence(survey: Survey, units: Units = METRIC) -> str:
    """Where the edges come from, as printed on every output; the words of whoever surveyed them as they are."""
    if survey.kind == "estimated":
        text = "Edges estimated, not surveyed"
    elif survey.kind == "widths":
        text = "Edges worked out from a centre line and widths"
    else:
        text = "Edges as given in the track file"
    if survey.assumed_width is not None:
        text += f", assumed width {in_units(f'{survey.assumed_width:g} m', units)}"
    if survey.uncertainty is not None:
        text += f", ±{in_units(f'{TO_95 * survey.uncertainty:.2g} m', units)} (95 % interval)"
    note = in_units(survey.note, units) if survey.kind == "estimated" else survey.note
    return as_sentences(f"{text}. {note}")


def as_sentences(text: str) -> str:
    """Notes strung together as sentences: capitals after full stops, a full stop at the end."""
    joined = re.sub(r"(^|\. )([a-z])", lambda found: found.group(1) + found.group(2).upper(), text.strip())
    return joined if joined.endswith(".") or not joined else joined + "."


def _range(values: Array) -> tuple[float, float]:
    return float(values.min()), float(values.max())


def _direction(track: Track) -> Literal["clockwise", "anticlockwise", "figure of eight", "open"]:
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


def track_words(facts: TrackFacts, units: Units = METRIC) -> list[str]:
    """Length, width, direction, corners, radius, slope and bank, then the published norms beside them."""
    low, high = facts.width
    kind = "A circuit" if facts.closed else "A road from start to finish"
    direction = "" if facts.direction == "open" else f", {facts.direction}"
    words = [
        f"{facts.name}. {kind}{direction}, {units.length_text(facts.length)} along the middle; "
        f"stations are along the reference line, {units.length_text(facts.reference_length)}.",
        _width_words(low, high, facts.mean_width, units),
        f"{_count(facts.left_corners + facts.right_corners, 'corner')} ({facts.left_corners} left, "
        f"{facts.right_corners} right), {_count(facts.kerbs, 'kerb')}, longest straight "
        f"{units.length_text(facts.longest_straight)}"
        + (f", start straight {units.length_text(facts.start_straight)}." if facts.start_straight else "."),
    ]
    if math.isfinite(facts.tightest_inside_radius):
        radius = units.length_text(facts.tightest_inside_radius, 1)
        words.append(f"Tightest inside radius {radius}, at station {units.length_text(facts.tightest_station)}.")
    if facts.slope is None or facts.bank is None:
        words.append("No elevation in the file: taken as flat.")
    else:
        climb = "" if facts.climb is None else f", {units.length_text(facts.climb, 1)} of climb a lap"
        words.append(
            f"Slope {facts.slope[0]:+.1%} to {facts.slope[1]:+.1%}{climb}; "
            f"bank {facts.bank[0]:+.1%} to {facts.bank[1]:+.1%} (positive: left side lower)."
        )
    if facts.patches:
        words.append(patch_words(facts.patches))
    words.append(survey_sentence(facts.survey, units))
    if facts.norms:
        words += ["", norms_table(facts.norms, units)]
    return words


def norms_table(norms: tuple[NormCheck, ...], units: Units = METRIC) -> str:
    """Published norms for kart circuits beside this track's values."""
    rows = [
        [
            norm.what,
            _range_text(norm.value[0], norm.value[1], norm.unit, units),
            _bounds(norm, units),
            norm.verdict,
            norm.source,
        ]
        for norm in norms
    ]
    return text_table(["norm", "this track", "allowed", "verdict", "source"], rows, left=(0, 3, 4))


def patch_words(factors: Sequence[float]) -> str:
    """How many patches of other grip the track file has, and how much grip they have."""
    shown = sorted({f"{factor:.2f}" for factor in factors})
    many = f"{shown[0]} to {shown[-1]}" if len(shown) > 1 else shown[0]
    patches = "1 patch" if len(factors) == 1 else f"{len(factors)} patches"
    return f"The track file has {patches} of other grip: {many} of the rest of the road's."


def _count(number: int, what: str) -> str:
    return f"{number or 'no'} {what}{'' if number == 1 else 's'}"


def _width_words(low: float, high: float, mean: float, units: Units) -> str:
    """One width where it is the same all along, as shown."""
    if len({f"{width / units.length:.1f}" for width in (low, high)}) == 1:
        return f"Width {units.length_text(high, 1)} all along."
    return f"Width {_span(low, high, units)}, on average {units.length_text(mean, 1)}."


def _span(low: float, high: float, units: Units) -> str:
    return f"{low / units.length:.1f} to {units.length_text(high, 1)}"


def _shown(value: float, unit: str, units: Units) -> str:
    """A value in its own unit, lengths in the reader's."""
    if unit != "m":
        return f"{value:.1f}"
    shown = value / units.length
    return f"{shown:.0f}" if abs(shown) >= 100.0 else f"{shown:.1f}"


def _range_text(low: float, high: float, unit: str, units: Units) -> str:
    if not math.isfinite(low):
        return "not known"
    name = units.length_unit if unit == "m" else unit
    first, last = _shown(low, unit, units), _shown(high, unit, units)
    return f"{last} {name}" if first == last or (unit == "%" and low == 0.0) else f"{first} to {last} {name}"


def _bounds(norm: NormCheck, units: Units) -> str:
    name = units.length_unit if norm.unit == "m" else norm.unit
    if norm.low is not None and norm.high is not None:
        return f"{_shown(norm.low, norm.unit, units)} to {_shown(norm.high, norm.unit, units)} {name}"
    if norm.high is not None:
        return f"at most {_shown(norm.high, norm.unit, units)} {name}"
    return f"at least {_shown(norm.low or 0.0, norm.unit, units)} {name}"
