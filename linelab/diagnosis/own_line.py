"""The line a driver takes: the mean of his laps as it was before the receiver rounded it, and what of it is his choice.

Where a driven line differs from the reference line, part of that is the hands': nobody steers as sharply as a solver.
Rounding a path lays it beside itself by an amount that its own curvature decides, so the hands' part is what the
driver's departures have in common with such roundings of the reference line; the rest is where he drives.

A receiver, and the estimate made of it, round a line as well.  The reference line is passed through the same receiver;
what that does to it is taken off.  Where the edges were estimated from the laps there is no such reference: the line is
the laps' mean, smoothed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from linelab.diagnosis.driver_model import Course
from linelab.diagnosis.received import as_seen
from linelab.geometry.curve import curve_at
from linelab.model.grip import Surface
from linelab.model.grip_field import grip_at
from linelab.model.kart import Kart
from linelab.model.lap import Lap, Line
from linelab.model.track import Track, lap_ends
from linelab.motion.estimate import DrivenLap
from linelab.speed.lines import Offsets, line_from_offsets
from linelab.units import Array

#: Spacing of the stations a line is worked out on [m].
FINE = 0.5
#: Over which way before and after the start line a lap's two ends are joined to one line [m].
JOIN = 25.0
#: Roundings of the reference line that hands are made of: standard deviations of a Gaussian along the way [m].
ROUNDINGS = (1.0, 2.0, 3.0)
#: Departures longer than this are where the driver drives, shorter ones show his hands: standard deviation of a
#: Gaussian [m]; a corner's line is some tens of metres long, a turn of the wheel a few.
LONG = 5.0
#: Widths among which the one that leaves least error in the curvature is taken for smoothing departures [m].
WIDTHS = (0.7, 1.0, 1.4, 2.0, 2.8, 4.0)
#: The same for what a single lap differs by.
SINGLE = (*WIDTHS, 6.0, 9.0)
#: Nobody chooses a line with shorter waves than this: standard deviation of a Gaussian [m].
SHORTEST = 1.4
#: The shortest wave that a driver steers [m]: a turn of the wheel and back takes a third of a second or more.
QUICKEST = 5.0
#: How much farther from the edges a careful lap is solved for [m], and over which way departures are alike [m].
ROOM, ALIKE = 0.2, 15.0
#: A line's place across the road is spread over no more than this when grip under it is looked up [m].
WIDEST_SPREAD = 0.6
#: Points and weights of Gauss-Hermite quadrature with five points for a standard normal (Abramowitz & Stegun, 25.4.46).
_POINTS, _WEIGHTS = np.polynomial.hermite_e.hermegauss(5)


class _Filter:
    """Gaussian filters along a line's stations, round a closed lap."""

    def __init__(self, step: float, *, closed: bool) -> None:
        self.step, self.mode = step, "wrap" if closed else "nearest"

    def __call__(self, values: Array, width: float) -> Array:
        """Values (..., N) averaged by a Gaussian of standard deviation ``width`` [m]."""
        from scipy.ndimage import gaussian_filter1d

        return np.asarray(gaussian_filter1d(values, width / self.step, axis=-1, mode=self.mode))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class OwnLine:
    """A driver's line, by offsets at even stations (N,); on a closed track the first is not repeated.

    Parameters
    ----------
    track, kart : Track, Kart
    s : (N,) array
        Stations [m].
    mean : (N,) array
        Mean offset of the laps as they were recorded [m].
    reference : (N,) array
        Offsets of the computed lap [m].
    hands : (N,) array
        What the driver's hands make of the reference line [m].
    room : float
        How much farther than the computed lap the driver keeps from the edges, all round [m].
    kept_off : (N,) array
        What that makes of the reference line [m].
    shift : (2,) array
        Position bias left in the laps, as the line all round shows it, east and north [m]; taken off.
    shift_sigma : float
        What remains unknown of it, per axis [m].
    chosen : (N,) array
        What the driver's line differs by from that, as the laps show it [m].
    departure : (N,) array
        The same without waves that nobody chooses, where laps are not exact [m].
    v : (N,) array
        Mean speed of the laps: the inverse of their mean slowness [m/s].
    spread : float
        Standard deviation of the line's place across the road [m].
    width : float
        Of smoothing that leaves least error in the mean line's curvature: standard deviation of a Gaussian [m].
    """

    track: Track
    kart: Kart
    s: Array
    mean: Array
    reference: Array
    hands: Array
    room: float
    kept_off: Array
    shift: Array
    shift_sigma: float
    chosen: Array
    departure: Array
    v: Array
    spread: float
    width: float

    @property
    def target(self) -> Array:
        """The reference line as this driver's hands round it, as far from the edges as he keeps (N,) [m]."""
        return np.asarray(self.reference + self.hands + self.kept_off)

    @property
    def moved(self) -> Array:
        """How far the position bias left in the laps moves them across the road (N,) [m]."""
        return _moved(self.track, self.s, self.shift)

    @property
    def driven(self) -> Array:
        """The driver's line (N,) [m]."""
        return np.asarray(self.target + self.departure)


def own_line(
    track: Track, kart: Kart, laps: Sequence[DrivenLap], reference: Lap, careful: Lap | None = None
) -> OwnLine:
    """The mean line of driven laps against a computed lap's.

    Parameters
    ----------
    laps : sequence of DrivenLap
        Of one session.
    reference : Lap
    careful : Lap, optional
        The same for a kart that is wider by 2·ROOM: how a line changes that keeps off the edges.
    """
    begin, end = lap_ends(track)
    count = round((end - begin) / FINE)
    s = begin + np.arange(count) * (end - begin) / count if track.closed else np.linspace(begin, end, count + 1)
    smooth = _Filter(float(s[1] - s[0]), closed=track.closed)
    wanted = offsets_of(track, s, [reference])[0]
    driven = offsets_of(track, s, [drive.lap for drive in laps])
    slowness = np.mean([1.0 / np.interp(s, drive.lap.line.s, drive.lap.v) for drive in laps], axis=0)
    mean, noise = driven.mean(axis=0), _spectrum(_drawn(s, laps)) / len(laps)
    surveyed = not track.survey.estimated
    if surveyed:
        departure = mean - offsets_of(track, s, [as_seen(track, reference, laps[0])])[0]
    else:
        # The edges were taken from these laps: a lap computed between them says nothing of how the driver steers.
        wanted = smooth(mean, max(_least_error(smooth, _spectrum(mean[None]), noise, WIDTHS), SHORTEST))
        departure = mean - wanted
    width = _least_error(smooth, _spectrum(departure[None]), noise, WIDTHS)
    hands = _hands(track, smooth, s, wanted, departure) if surveyed else np.zeros_like(s)
    bias = float(np.mean([drive.bias.sigma for drive in laps]))
    wider = None if careful is None else smooth(offsets_of(track, s, [careful])[0] - wanted, SHORTEST)
    room, shift, unknown = _all_round(track, s, departure - hands, wider, bias)
    kept_off = np.zeros_like(s) if wider is None else room / ROOM * wider
    chosen = departure - hands - kept_off - _moved(track, s, shift)
    return OwnLine(
        track=track, kart=kart, s=s, mean=mean, reference=wanted, hands=hands, room=room,
        kept_off=kept_off, shift=shift, shift_sigma=unknown,
        chosen=chosen,
        departure=smooth(chosen, max(width, SHORTEST)) if noise.any() else chosen,
        v=1.0 / slowness, spread=min(bias, WIDEST_SPREAD), width=width,
    )  # fmt: skip


def _moved(track: Track, s: Array, shift: Array) -> Array:
    """How far a shift (2,) of the whole line moves it to the left of the reference line (N,) [m]."""
    return np.asarray(np.column_stack(_across(track, s)) @ shift)


def _across(track: Track, s: Array) -> tuple[Array, Array]:
    """How far a shift of a metre east, and north, lies to the left of the reference line (N,) [-]."""
    psi = curve_at(track.reference, s).psi
    return -np.sin(psi), np.cos(psi)


def _all_round(
    track: Track, s: Array, departure: Array, wider: Array | None, bias: float
) -> tuple[float, Array, float]:
    """Room kept to the edges [m], and the shift of the whole line (2,) [m] with its error, that departures show.

    A heavy-tailed fit: places where the driver does something else count little.  The shift has the position bias for
    its prior.
    """
    sides = [*_across(track, s)] + ([] if wider is None else [wider / ROOM])
    columns: Array = np.array(sides).T
    found: Array = np.zeros(len(sides))
    prior = np.array([1.0 / max(bias, 0.02) ** 2] * 2 + [1.0 / ROOM**2] * (len(sides) - 2))
    looks = ALIKE / float(s[1] - s[0])
    weight, scale = np.ones(s.size), 0.3
    for _ in range(10):
        a = (columns * weight[:, None]).T @ columns / (looks * scale**2) + np.diag(prior)
        found = np.asarray(np.linalg.solve(a, columns.T @ (weight * departure) / (looks * scale**2)))
        if len(sides) > 2 and found[2] < 0.0:
            found = np.append(
                np.linalg.solve(a[:2, :2], columns[:, :2].T @ (weight * departure) / (looks * scale**2)), 0.0
            )
        off = departure - columns @ found
        scale = 1.4826 * float(np.median(np.abs(off))) + 0.02
        weight = 1.0 / (1.0 + (off / scale) ** 2 / 3.0)
    unknown = math.sqrt(float(np.diag(np.linalg.inv(a))[:2].mean()))
    return (float(found[2]) if len(sides) > 2 else 0.0), found[:2], unknown


def offsets_of(track: Track, s: Array, laps: Sequence[Lap]) -> Array:
    """Offsets of laps at stations (L, N) [m]; a closed lap's two ends are joined to one line."""
    from scipy.interpolate import CubicSpline

    rows = []
    for lap in laps:
        curve = CubicSpline(lap.line.s, lap.line.n)
        n = curve(s)
        if track.closed:
            first, last = lap_ends(track)
            apart = float(curve(last) - curve(first))
            since, until = (np.minimum(way, JOIN) / JOIN for way in (s - first, last - s))
            n += 0.5 * apart * (_fade(since) - _fade(until))
        rows.append(n)
    return np.array(rows)


def _fade(u: Array) -> Array:
    """From 1 to 0 as u goes from 0 to 1, smooth at both ends."""
    return np.asarray((1.0 - u) ** 2 * (1.0 + 2.0 * u))


def _drawn(s: Array, laps: Sequence[DrivenLap], most: int = 8) -> Array:
    """Departures of the offset in laps as likely as these, at most so many of each, lap after lap (K, N) [m]; none of
    exact laps."""
    rows = [np.interp(s, drive.lap.line.s, row) for drive in laps for row in drive.draws_n[:most]]
    return np.array(rows).reshape(-1, s.size)


def _spectrum(rows: Array) -> Array:
    """Mean power of rows (K, N) by wave number; zero of none."""
    if not rows.shape[0]:
        return np.zeros(rows.shape[1] // 2 + 1)
    return np.asarray((np.abs(np.fft.rfft(rows, axis=1)) ** 2).mean(axis=0))


def _least_error(smooth: _Filter, seen: Array, noise: Array, widths: Sequence[float]) -> float:
    """The width of smoothing that leaves least error in a line's curvature [m]."""
    return min(widths, key=lambda width: _curvature_errors(smooth, seen, noise, width))


def _curvature_errors(smooth: _Filter, seen: Array, noise: Array, width: float) -> float:
    """Power of the errors in a line's curvature that smoothing leaves [1/m²].

    What smoothing takes from the line itself, and what it leaves of the noise, are added up over all wave numbers; the
    line's own spectrum is what is ``seen`` less the ``noise``.
    """
    wave = 2.0 * math.pi * np.arange(seen.size) / (2 * (seen.size - 1) * smooth.step)
    own = np.maximum(seen - noise, 0.0)
    kept = np.exp(-0.5 * (wave * width) ** 2)
    return float((wave**4 * ((1.0 - kept) ** 2 * own + kept**2 * noise)).sum())


def lap_offsets(own: OwnLine, laps: Sequence[DrivenLap], draws: int = 0) -> tuple[Array, Array]:
    """Single laps' lines (L, N), and ``draws`` lines as likely as each (L, K, N) [m].

    A lap's line is the session's own with what the lap differs by, both smoothed so that least error is left in the
    curvature; exact laps are as they are.  It lies where it was recorded: a position bias that is left moves it as it
    moves the lap's clock.
    """
    smooth, s = _Filter(float(own.s[1] - own.s[0]), closed=own.track.closed), own.s
    recorded, noise = offsets_of(own.track, s, [drive.lap for drive in laps]), _spectrum(_drawn(s, laps))
    if not noise.any():
        return recorded, np.zeros((len(laps), 0, s.size))
    off = recorded - own.mean
    width = _least_error(smooth, _spectrum(off), noise, SINGLE)
    lines = own.target + smooth(own.chosen, own.width) + own.moved + smooth(off, width)
    again = smooth(_drawn(s, laps, draws), max(width, SHORTEST))
    return lines, lines[:, None] + again.reshape(len(laps), -1, s.size)


def drawn_lines(own: OwnLine, laps: Sequence[DrivenLap]) -> Array:
    """What the mean line of laps may be off by, as the noise draws it again (K, N) [m]; none of exact laps."""
    count = min(drive.draws_n.shape[0] for drive in laps)
    rows = _drawn(own.s, laps, count).reshape(len(laps), count, own.s.size)
    smooth = _Filter(float(own.s[1] - own.s[0]), closed=own.track.closed)
    return smooth(rows.mean(axis=0), max(own.width, SHORTEST))


def curvature_error(own: OwnLine, laps: Sequence[DrivenLap], course: Course) -> Array:
    """What the curvature of the mean line of laps may be off by at a course's nodes (N,) [1/m].

    Noise that smoothing has left and what it took from the line itself; and where the driver leaves the reference line,
    what he may have steered in waves too short to be seen: about as strongly as in those that are seen, wave number by
    wave number (a path put together of arcs has the same power of curvature in each).
    """
    smooth = _Filter(float(own.s[1] - own.s[0]), closed=own.track.closed)
    noise = _spectrum(_drawn(own.s, laps)) / len(laps)
    power = _curvature_errors(smooth, _spectrum(own.chosen[None]), noise, max(own.width, SHORTEST))
    everywhere = math.sqrt(2.0 * power) / own.s.size
    if not own.width:
        return np.full(course.s.size, everywhere)
    apart = _line(own.track, own.s, own.driven, 0.0).kappa - _line(own.track, own.s, own.target, 0.0).kappa
    seen = np.maximum(smooth(apart[: own.s.size] ** 2, ALIKE) - everywhere**2, 0.0)
    unseen = max(2.0 * math.pi * own.width / QUICKEST - 1.0, 0.0)
    return np.asarray(np.sqrt(everywhere**2 + unseen * np.interp(course.s, own.s, seen)))


def _hands(track: Track, smooth: _Filter, s: Array, wanted: Array, departure: Array) -> Array:
    """What hands make of the reference line (N,) [m]: the non-negative mixture of its roundings that is like the
    departure's short waves, corners where the driver does something else counting little."""
    from scipy.optimize import nnls

    columns = np.array([*_rounded_paths(track, smooth, s, wanted), *(smooth(wanted, w) - wanted for w in ROUNDINGS)]).T

    def short(values: Array) -> Array:
        return np.asarray((smooth(values.T, WIDTHS[0]) - smooth(values.T, LONG)).T)

    sides, seen = short(columns), short(departure)
    weight, found = np.ones(seen.size), np.zeros(columns.shape[1])
    for _ in range(6):
        found, _rest = nnls(sides * weight[:, None] ** 0.5, seen * weight**0.5)
        off = seen - sides @ found
        scale = 1.4826 * float(np.median(np.abs(off))) + 1e-4
        weight = 1.0 / (1.0 + (off / scale) ** 2 / 3.0)
    return np.asarray(columns @ found)


def _rounded_paths(track: Track, smooth: _Filter, s: Array, n: Array) -> list[Array]:
    """How far a path (s, n) is laid beside itself when it is rounded by each of ROUNDINGS (N,) [m].

    A path whose curvature is averaged by a Gaussian of standard deviation h moves by the integral over u from 0 to 1 of
    h²/2 times its curvature averaged by h·sqrt(u) (derived: the heat equation for a curve's offset).
    """
    kappa = _line(track, s, n, 0.0).kappa[: s.size]
    points, weights = np.polynomial.legendre.leggauss(3)
    shares = [math.sqrt(0.5 * (x + 1.0)) for x in points.tolist()]
    return [
        np.asarray(0.25 * h * h * np.tensordot(weights, [smooth(kappa, h * share) for share in shares], 1))
        for h in ROUNDINGS
    ]


def _line(track: Track, s: Array, n: Array, half_width: float) -> Line:
    """The path at offsets (N,), its curvature exact."""
    from scipy.interpolate import CubicSpline

    if track.closed:
        s, n = np.append(s, s[0] + track.length), np.append(n, n[0])
    curve = CubicSpline(s, n, bc_type="periodic" if track.closed else "not-a-knot")
    return line_from_offsets(track, Offsets(s, n, curve(s, 1), curve(s, 2)), half_width=half_width, grip=1.0)


def step_of(track: Track) -> float:
    """Distance of a driven line's nodes in the driver model [m]: finer on short tracks, whose bends are tight."""
    return float(np.clip(track.length / 600.0, 1.0, 4.0))


def course_on(
    own: OwnLine, n: Array, *, grip: float = 1.0, step: float | None = None, ground: Surface | None = None
) -> Course:
    """A line of this driver's, ready to be driven.

    Parameters
    ----------
    own : OwnLine
    n : (N,) array
        Offsets at ``own.s`` [m].
    grip : float
        Factor on mu for the whole track [-].
    step : float, optional
        Distance of nodes [m]; :func:`step_of` the track when not given.
    ground : Surface, optional
        What is under it at the nodes, where a line close by has shown it.
    """
    track, s = own.track, own.s
    line = _line(track, s, n, 0.5 * own.kart.width)
    every = max(round((step or step_of(track)) / float(s[1] - s[0])), 1)
    nodes = (
        np.arange(0, s.size - every + 1, every) if track.closed else np.unique([*range(0, s.size, every), s.size - 1])
    )
    if ground is None:
        there = [grip_at(track, s[nodes], n[nodes] + own.spread * x, 0.5 * own.kart.width) for x in _POINTS]
        ground = Surface(*(getattr(line, name)[nodes] for name in Surface._fields))
        ground = ground._replace(grip=grip * np.average(there, axis=0, weights=_WEIGHTS))
    way = line.distance[nodes]
    h = np.diff(np.append(way, line.distance[-1])) if track.closed else np.diff(way)
    return Course(s=s[nodes], h=h, kappa=line.kappa[nodes], surface=ground, closed=track.closed)
