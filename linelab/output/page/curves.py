"""What is drawn against the station: time lost by corner, time difference, speed and offset, one path a lap each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linelab.coaching.results import Review
from linelab.diagnosis.stretches import corner_stretches
from linelab.measured import TO_95
from linelab.model.drawing import path_data, thinned
from linelab.model.track import Track, lap_ends
from linelab.output.display import Units
from linelab.output.outlines import along_closed, round_length
from linelab.output.page.foot_work import FootWork
from linelab.output.page.svg_map import band_path, boxes_path
from linelab.units import Array

#: Drawing units of a curve: decimetres along, and for each curve units a metre per second, a second, a metre, all of
#: the grip.
ALONG = 10.0
SPEED, TIME, OFFSET, SHARE = 100.0, 1000.0, 100.0, 1000.0

#: Size of a curve on a large screen, from which the tolerance of its thinned points follows [pixels].
WIDE, HIGH = 1000.0, 120.0
#: How far a drawn curve may lie from its points [pixels], before it is enlarged.
TOLERANCE = 0.15
#: The same of the grip used, which is known to some per cent only.
COARSE = 0.5

#: Part of the road's width added above and below the offsets' range.
_AIR = 0.06


@dataclass(frozen=True, kw_only=True, slots=True)
class Tick:
    """A round value on an axis: what is written, and where as a share of the axis from its start (top) in per cent."""

    text: str
    place: float
    at: int  #: in drawing units


@dataclass(frozen=True, kw_only=True, slots=True)
class Curve:
    """One panel of curves: its value range in drawing units, and path data.

    ``driven`` and ``band`` have one entry a lap (band: the 95 % interval); ``fixed`` are the paths
    no lap changes (the target's, the edges of the road), by name.
    """

    key: str
    title: str
    unit: str
    low: int
    high: int
    ticks: tuple[Tick, ...]
    driven: tuple[str, ...]
    band: tuple[str, ...]
    fixed: dict[str, str]


def curves(review: Review, units: Units, work: FootWork) -> tuple[Curve, ...]:
    """The panels in the order they stand on the page; without what ``work`` withholds."""
    feet = () if work.no_feet else (_feet(work),)
    grip = () if work.no_grip else (_grip(work),)
    return (_gap(review), _speed(review, units), *feet, *grip, _offset(review, units))


def station_ticks(track: Track, units: Units) -> tuple[Tick, ...]:
    """Round stations along the lap."""
    step = round_length(track.length / units.length / 6.0)
    values = np.arange(0.0, track.length / units.length, step)
    return tuple(
        Tick(
            text=f"{value:g}", place=_percent(value * units.length / track.length), at=round(value * units.length * 10)
        )
        for value in values.tolist()
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Bend:
    """Where a corner bends, in drawing units along the lap: one span, or two where it runs across the start line."""

    number: int
    label: str
    spans: tuple[tuple[int, int], ...]  #: start, width
    at: int  #: the apex
    place: float  #: the apex, per cent of the lap


def bends(track: Track) -> tuple[Bend, ...]:
    """All corners of a track along the curves."""
    found = []
    for corner in track.corners:
        spans = [(corner.s_start, corner.s_end)]
        if corner.s_end < corner.s_start:
            spans = [(corner.s_start, track.length), (0.0, corner.s_end)]
        found.append(
            Bend(
                number=corner.number, label=corner.label, at=round(ALONG * corner.s_apex),
                spans=tuple((round(ALONG * a), round(ALONG * (b - a))) for a, b in spans),
                place=_percent(corner.s_apex / track.length),
            )
        )  # fmt: skip
    return tuple(found)


def _percent(share: float) -> float:
    return round(100.0 * share, 2)


def _path(s: Array, values: Array, per_value: float, extent: float, tolerance: float = TOLERANCE) -> str:
    """A curve over stations [m] as path data, thinned to what a large screen shows."""
    keep = thinned(WIDE * s / s[-1], HIGH * values * per_value / extent, tolerance)
    return path_data(ALONG * s[keep], -per_value * values[keep])


def _band(
    s: Array, values: Array, sigma: Array, per_value: float, extent: float, tolerance: float = 2.0 * TOLERANCE
) -> str:
    """The 95 % interval about a curve."""
    keep = thinned(WIDE * s / s[-1], HIGH * values * per_value / extent, tolerance)
    low, high = values[keep] - TO_95 * sigma[keep], values[keep] + TO_95 * sigma[keep]
    return band_path(ALONG * s[keep], -per_value * low, -per_value * high)


def _ticks(low: float, high: float, size: float, per_value: float, count: float = 3.0) -> tuple[Tick, ...]:
    """Round values of a vertical axis from ``low`` to ``high`` [SI], shown in units of ``size``."""
    step = round_length((high - low) / size / count)
    values = np.arange(np.ceil(low / size / step), np.floor(high / size / step) + 0.5) * step
    values = values[(high - values * size) > 0.1 * (high - low)]  # a label at the upper edge would be cut off
    digits = max(0, -int(np.floor(np.log10(step))))
    return tuple(
        Tick(
            text=f"{value:.{digits}f}".replace("-", "−"),
            place=_percent((high - value * size) / (high - low)),
            at=-round(value * size * per_value),
        )
        for value in (values + 0.0).tolist()
    )


def _gap(review: Review) -> Curve:
    """Time behind the target since the start of the lap."""
    parts = [(lap.comparison.s, lap.comparison.gap, lap.comparison.gap_sigma) for lap in review.laps]
    low = min(0.0, *(float((gap - TO_95 * sigma).min()) for _, gap, sigma in parts))
    high = max(0.1, *(float((gap + TO_95 * sigma).max()) for _, gap, sigma in parts))
    low, high = low - 0.05 * (high - low), high + 0.05 * (high - low)
    extent = TIME * (high - low)
    return Curve(
        key="gap", title=f"Time behind {review.target.title} since the start line", unit="s",
        low=round(TIME * low), high=round(TIME * high),
        ticks=_ticks(low, high, 1.0, TIME),
        driven=tuple(_path(s, gap, TIME, extent, 0.3 * TOLERANCE) for s, gap, _ in parts),  # enlarged when zoomed
        band=tuple(_band(s, gap, sigma, TIME, extent) for s, gap, sigma in parts),
        fixed={},
    )  # fmt: skip


def _speed(review: Review, units: Units) -> Curve:
    """Speed of both laps."""
    target = review.target.lap
    laps = [lap.comparison.driven for lap in review.laps]
    low = min(float(target.v.min()), *(float(lap.lap.v.min()) for lap in laps))
    high = max(float(target.v.max()), *(float(lap.lap.v.max()) for lap in laps))
    low, high = max(low - 0.08 * (high - low), 0.0), high + 0.08 * (high - low)
    extent = SPEED * (high - low)
    return Curve(
        key="speed", title="Speed", unit=units.speed_unit, low=round(SPEED * low), high=round(SPEED * high),
        ticks=_ticks(low, high, units.speed, SPEED),
        driven=tuple(_path(lap.lap.line.s, lap.lap.v, SPEED, extent) for lap in laps),
        band=tuple(_band(lap.lap.line.s, lap.lap.v, lap.sigma_v, SPEED, extent) for lap in laps),
        fixed={"target": _path(target.line.s, target.v, SPEED, extent)},
    )  # fmt: skip


#: Half the height of one row of pedals, and how far its line lies from the middle of both rows, in drawing units.
PEDAL, ROW = 100.0, 120.0


def _feet(work: FootWork) -> Curve:
    """Power above and brake below a line, for the driven lap and under it for the target.

    As high as a pedal is certain to be down: the share of the laps as likely as the recorded one.
    """

    def blocks(shares: Array, line: float, way: float) -> str:
        ends = np.concatenate([[0], np.flatnonzero(np.diff(shares)) + 1, [shares.size - 1]])
        x = ALONG * np.repeat(work.s[ends], 2)
        y = np.concatenate([[0.0], np.repeat(shares[ends[:-1]], 2), [0.0]])
        return path_data(x, -line - way * PEDAL * y, close=True)

    return Curve(
        key="feet", title="Pedals", unit="", low=-round(ROW + PEDAL), high=round(ROW + PEDAL),
        ticks=(Tick(text="", place=0.0, at=-round(ROW)), Tick(text="", place=0.0, at=round(ROW))),
        driven=tuple(blocks(lap, ROW, 1.0) for lap in work.power),
        band=tuple(blocks(lap, ROW, -1.0) for lap in work.brake),
        fixed={"power": blocks(work.target_power, -ROW, 1.0), "brake": blocks(work.target_brake, -ROW, -1.0)},
    )  # fmt: skip


def _grip(work: FootWork) -> Curve:
    """Share of the grip in use, of what the kart file gives."""
    high = 1.08 * max(1.0, float((work.grip + TO_95 * work.grip_sigma).max()), float(work.target_grip.max()))
    extent = SHARE * high
    return Curve(
        key="grip", title="Grip used, of what the kart file gives", unit="%", low=0, high=round(SHARE * high),
        ticks=_ticks(0.0, high, 0.01, SHARE, 2.0),
        driven=tuple(_path(work.s, grip, SHARE, extent, COARSE) for grip in work.grip),
        band=tuple(
            _band(work.s, grip, sigma, SHARE, extent, 2.0 * COARSE) for grip, sigma in zip(work.grip, work.grip_sigma)
        ),
        fixed={"target": _path(work.s, work.target_grip, SHARE, extent)},
    )  # fmt: skip


def _offset(review: Review, units: Units) -> Curve:
    """Place across the road about its middle, the left edge above, with what the receiver may be wrong by."""
    track, target = review.track, review.target.lap
    s = np.linspace(0.0, track.length, 241)
    half = 0.5 * along_closed(track, track.width, s)
    laps = [lap.comparison.driven for lap in review.laps]
    ways = [_from_middle(track, lap.lap.line.s, lap.lap.line.n) for lap in laps]
    high = max(float(half.max()), *(float(np.abs(way).max()) for way in ways)) * (1.0 + _AIR)
    extent = 2.0 * OFFSET * high
    spread = review.consistency.band
    return Curve(
        key="offset", title="Place across the road, left edge above", unit=units.length_unit,
        low=-round(OFFSET * high), high=round(OFFSET * high),
        ticks=_ticks(-high, high, units.length, OFFSET),
        driven=tuple(_path(lap.lap.line.s, way, OFFSET, extent) for lap, way in zip(laps, ways)),
        band=tuple(
            _band(lap.lap.line.s, way, np.hypot(lap.sigma_n, lap.bias.sigma), OFFSET, extent)
            for lap, way in zip(laps, ways)
        ),
        fixed={
            "road": band_path(ALONG * s, OFFSET * half, -OFFSET * half),
            "spread": _band(spread.s, _from_middle(track, spread.s, spread.n), spread.spread, OFFSET, extent),
            "target": _path(target.line.s, _from_middle(track, target.line.s, target.line.n), OFFSET, extent),
        },
    )  # fmt: skip


def _from_middle(track: Track, s: Array, n: Array) -> Array:
    """Offsets (N,) from the middle of the road instead of from the reference line [m]."""
    return n - 0.5 * (along_closed(track, track.w_left, s) - along_closed(track, track.w_right, s))


def _spans(track: Track) -> dict[int, list[tuple[float, float]]]:
    """Each corner's stretch by its number: one span, or two where it runs across the start line [m]."""
    begin, end = lap_ends(track)
    return {
        stretch.corner: [(stretch.s_start, stretch.s_end)]
        if stretch.s_start < stretch.s_end
        else [(begin, stretch.s_end), (stretch.s_start, end)]
        for stretch in corner_stretches(track)
    }


def loss_boxes(review: Review) -> Curve:
    """A box over each corner's stretch, as high as the time lost there; below the line where time is gained."""
    where = _spans(review.track)
    losses = [{corner.corner.number: corner.time_lost.value or 0.0 for corner in lap.corners} for lap in review.laps]
    shown = [value for lap in losses for value in lap.values()]
    low, high = min(0.0, *shown), max(0.05, *shown)
    low, high = low - 0.06 * (high - low), high + 0.06 * (high - low)

    def boxes(lap: dict[int, float], sign: float) -> str:
        rows = [
            (ALONG * a + 4, ALONG * b - 4, -TIME * max(lap[number], 0.0), -TIME * min(lap[number], 0.0))
            for number, spans in where.items()
            for a, b in spans
            if number in lap and sign * lap[number] > 0.0
        ]
        return boxes_path(*np.array(rows).T) if rows else "M0 0"

    return Curve(
        key="boxes", title="Time lost by corner", unit="s", low=round(TIME * low), high=round(TIME * high),
        ticks=_ticks(low, high, 1.0, TIME, 2.0),
        driven=tuple(boxes(lap, 1.0) for lap in losses),
        band=tuple(boxes(lap, -1.0) for lap in losses),
        fixed={},
    )  # fmt: skip
