"""A track's facts as sentences and a table, for a terminal or a page."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from linelab.measured import TO_95
from linelab.model.conditions import Conditions
from linelab.model.facts import NormCheck, TrackFacts
from linelab.model.track import Groove, Survey, Track
from linelab.output.display import METRIC, Units, in_units
from linelab.output.tables import text_table


def survey_sentence(survey: Survey, units: Units = METRIC) -> str:
    """Where the edges come from, as printed on every output; a surveyor's own words stay as they are."""
    if survey.estimated:
        text = "Edges estimated, not surveyed"
    elif survey.kind == "widths":
        text = "Edges worked out from a centre line and widths"
    else:
        text = "Edges as given in the track file"
    if survey.assumed_width is not None:
        text += f", assumed width {in_units(f'{survey.assumed_width:g} m', units)}"
    if survey.uncertainty is not None:
        text += f", ±{in_units(f'{TO_95 * survey.uncertainty:.2g} m', units)} (95 % interval)"
    if survey.middle_sigma is not None:
        text += f", the laps' middle on the ground ±{in_units(f'{TO_95 * survey.middle_sigma:.2g} m', units)}"
    note = in_units(survey.note, units) if survey.estimated else survey.note
    return as_sentences(f"{text}. {note}")


def as_sentences(text: str) -> str:
    """Notes strung together as sentences: capitals after full stops, a full stop at the end."""
    joined = re.sub(r"(^|\. )([a-z])", lambda found: found.group(1) + found.group(2).upper(), text.strip())
    return joined if joined.endswith(".") or not joined else joined + "."


def track_words(facts: TrackFacts, units: Units = METRIC) -> list[str]:
    """Length, width, direction, corners, radius, slope and bank, then the published norms beside them."""
    low, high = facts.width
    kind = "A circuit" if facts.closed else "A road from start to finish"
    direction = "" if facts.direction == "open" else f", {facts.direction}"
    words = [
        f"{facts.name}. {kind}{direction}, {units.length_text(facts.length)} along the middle; "
        f"places are distances along the reference line, {units.length_text(facts.reference_length)} long.",
        _width_words(low, high, facts.mean_width, units),
        f"{_count(facts.left_corners + facts.right_corners, 'corner')} ({facts.left_corners} left, "
        f"{facts.right_corners} right), {_count(facts.kerbs, 'kerb')}, longest straight "
        f"{units.length_text(facts.longest_straight)}"
        + (f", start straight {units.length_text(facts.start_straight)}." if facts.start_straight else "."),
    ]
    if math.isfinite(facts.tightest_inside_radius):
        radius = units.length_text(facts.tightest_inside_radius, 1)
        words.append(f"Tightest inside radius {radius}, at {units.length_text(facts.tightest_station)}.")
    if facts.slope is None or facts.bank is None:
        words.append("No heights in the file: the track is taken as flat.")
    else:
        climb = "" if facts.climb is None else f", {units.length_text(facts.climb, 1)} of climb a lap"
        words.append(
            f"Slope {facts.slope[0]:+.1%} to {facts.slope[1]:+.1%}{climb}; "
            f"bank {facts.bank[0]:+.1%} to {facts.bank[1]:+.1%} (positive: left side lower)."
        )
    if facts.patches:
        words.append(patch_words(facts.patches))
    if facts.groove is not None:
        words.append(groove_sentence(facts.groove, units))
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
    return f"The track file has {patches} of other grip: {many} times the grip of the road around."


def groove_sentence(groove: Groove, units: Units = METRIC) -> str:
    """The rubbered groove of a track, and what it is worth in the dry."""
    return (
        f"A rubbered groove {units.length_text(groove.width, 1)} wide: grip {groove.grip:.2f} in it, "
        f"{groove.beside:.2f} beside it, {groove.marbles:.2f} on the marbles (1: the kart file's grip)."
    )


def day_title(day: Conditions) -> str:
    """The conditions in a few words: "wet track, on slicks"."""
    return f"{day.weather} track, on {'slicks' if day.tyres == 'slicks' else 'wet tyres'}"


def day_words(track: Track) -> list[str]:
    """What a lap's conditions are and where their figures come from; nothing for slicks in the dry."""
    day = track.conditions
    if day is None:
        return []
    grip = f"{day.asphalt:.0%} of the kart file's grip"
    if day.needs_groove and track.groove is not None:
        where = f", taken {track.groove.name}" if track.groove.name.startswith("along") else ""
        grip += f" on the asphalt, {day.groove:.0%} on the rubbered groove (the dry line{where})"
    words = [as_sentences(f"{day_title(day)}: {grip}")]
    words.append("These factors are common practice and memory, not measurements: feel for the grip of the day first.")
    if track.kerbs and not day.use_kerbs:
        words.append("No kerb is used: wet paint is slippery, and a kart with one side on it spins.")
    return words


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
