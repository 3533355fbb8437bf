"""Corners of a track, from its own geometry.

Nothing here knows a kart, a grip or a lap, so corner numbers never change with them.  The work is done on the
midline of the track (half-way between the edges), because a reference line that uses the whole width turns
later and less than the track does.  All lengths scale with the local track width w, so that a rental circuit
and a 7 km circuit are treated alike:

1. Heading of the midline, smoothed with a Gaussian of standard deviation ``SMOOTHING`` w (0.35 w), which leaves
   the total turn of every bend unchanged; its derivative is the curvature.
2. Stretches whose curvature keeps one sign and exceeds 1 / (``STRAIGHT`` w) (radius under 40 track widths) are
   bends.  Left and right bends are never joined: each half of a chicane and each swing of a set of esses is a
   corner of its own.
3. Neighbouring bends of the same hand are one compound corner unless the track straightens between them for
   long enough to move back out to the outside edge: longer than sqrt(2 R w), the distance in which a circle of
   radius R departs by w from its tangent, R being the mid radius of the gentler of the two.  "Straightens"
   means curvature under half the gentler peak.  The same rule splits a long bend with two tight parts.  A line that was
   driven has moved from edge to edge already: it is smoother than the road, and its dips are shorter and shallower.
   There the same distance is measured by what it stands for, how far the line moves out of the gentler arc: half the
   dip's length times the angle missing in it, which is w for a straight of length sqrt(2 R w).  A part that would be no
   corner by rule 4 stays with its neighbour where the line is bent all the way between them.
4. A bend is a corner when the widest arc that fits through it, of radius r_i + w / (1 - cos(turn / 2)), with r_i
   the inside radius at the mean curvature of its turning, stays under ``WIDEST`` (30) track widths, or when it
   turns 45 degrees or more.  Gentler kinks are driven as part of a straight and get no number.
5. A corner is measured on a curvature smoothed a third as much, so that neighbouring bends do not eat into each
   other.  It starts and ends where 3 % and 97 % of its turning is done.  Its apex station is the mean station of
   the bend weighted by curvature squared: the middle of a constant radius, drawn towards the tightest part of
   a bend that tightens or opens.  The minimum-time line has its own apex; this one is a fixed place to name.
6. Numbers follow the driving order from station 0; a corner across the start line is the last one unless its
   apex lies beyond the line.

The bounds were set on kart tracks; on 19 real circuits of 2 to 7 km the same bounds give 267 corners where the
circuits' own numbering has 286 (from memory), most of the difference being long double-apex bends that are
numbered twice there.  Corners given in a track file take the place of these.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from linelab.arrays import distance_along
from linelab.geometry.curve import Curve
from linelab.units import Array

SMOOTHING = 0.35  #: standard deviation of the heading filter [track widths]
STRAIGHT = 40.0  #: radius beyond which a stretch counts as straight [track widths]
WIDEST = 30.0  #: a gentler bend through which an arc of this radius fits is no corner [track widths]
SURE_TURN = np.radians(45.0)  #: a bend turning this much is a corner whatever its radius [rad]
DETAIL = 1.0 / 3.0  #: smoothing of the curvature that measures a corner, share of the smoothing that finds it
EDGE_SHARE = 0.03  #: share of the turning left outside at either end of a corner


class FoundCorner(NamedTuple):
    """One corner: stations on the reference line [m] and heading change, positive to the left [rad].

    On a closed track every station lies in [0, length), and ``s_end < s_start`` runs across the start line.
    """

    s_start: float
    s_apex: float
    s_end: float
    turn: float


class Midline(NamedTuple):
    """The track's midline, (M,) arrays at uniform distance along it; ``s`` is the station on the reference.

    ``station`` is the distance along the midline [m], ``heading`` [rad], ``kappa`` the curvature of rule 1 [1/m],
    ``detail`` the curvature of rule 5 [1/m], ``width`` [m].
    """

    station: Array
    s: Array
    heading: Array
    kappa: Array
    detail: Array
    width: Array
    closed: bool

    @property
    def step(self) -> float:
        """Distance between samples [m]."""
        return float(self.station[1] - self.station[0])


def find_corners(reference: Curve, w_left: Array, w_right: Array, *, driven: bool = False) -> tuple[FoundCorner, ...]:
    """Find the corners of a track, numbered by their order in the result (see the module's text).

    Parameters
    ----------
    reference : Curve
        Reference line with N stations.
    w_left, w_right : (N,) array
        Distance to the edges [m].
    driven : bool
        The midline is a line that was driven, not the middle of a road (rule 3).

    Returns
    -------
    tuple of FoundCorner
        In driving order; empty on a straight.
    """
    line = midline(reference, w_left, w_right)
    corners = []
    for first, last in _bends(line, driven):
        corner = _as_corner(line, first, last, reference.length)
        if corner is not None:
            corners.append(corner)
    return tuple(sorted(corners, key=lambda corner: corner.s_apex))


def midline(reference: Curve, w_left: Array, w_right: Array) -> Midline:
    """Midline of the corridor with its smoothed heading and curvature.

    Parameters
    ----------
    reference : Curve
    w_left, w_right : (N,) array
        Distance to the edges [m].

    Returns
    -------
    Midline
        Samples about a twelfth of the median width apart, at most 1 m; a closed one does not repeat its first sample.
    """
    x, y = _middle(reference, w_left, w_right)
    width = np.maximum(np.asarray(w_left) + np.asarray(w_right), 0.1)
    sigma = SMOOTHING * float(np.median(width))
    path = smoothed_path(x, y, sigma, closed=reference.closed)
    fine = smoothed_path(x, y, DETAIL * sigma, closed=reference.closed, spacing=path.station[1] - path.station[0])
    s, local = (np.interp(path.station, path.along, values) for values in (reference.s, width))
    return Midline(path.station, s, path.heading, path.kappa, fine.kappa, local, reference.closed)


class SmoothedPath(NamedTuple):
    """Heading and curvature of a polyline, (M,) arrays at uniform ``station`` [m]; ``along`` (N,) is the distance
    along the polyline at its own points [m]."""

    along: Array
    station: Array
    heading: Array
    kappa: Array


def smoothed_path(x: Array, y: Array, sigma: float, *, closed: bool, spacing: float | None = None) -> SmoothedPath:
    """Heading and curvature of a polyline after a Gaussian filter of standard deviation ``sigma`` [m].

    Parameters
    ----------
    x, y : (N,) array
        Points [m]; a closed line repeats its first point.
    sigma : float
    closed : bool
    spacing : float, optional
        Distance between samples [m]; sigma / 4, at most 1 m, when not given.

    Returns
    -------
    SmoothedPath
    """
    along = distance_along(x, y)
    count = max(16, round(along[-1] / (spacing or min(sigma / 4.0, 1.0))))
    # Half-way samples: the pattern is the same from either end, so a reversed track gives the same corners.
    station = (np.arange(count) + 0.5) * along[-1] / count
    xi, yi = np.interp(station, along, x), np.interp(station, along, y)
    if closed:
        dx, dy = np.roll(xi, -1) - np.roll(xi, 1), np.roll(yi, -1) - np.roll(yi, 1)
    else:
        dx, dy = np.gradient(xi), np.gradient(yi)
    heading = np.unwrap(np.arctan2(dy, dx))
    return SmoothedPath(along, station, *_smoothed(heading, sigma, float(along[-1]) / count, closed))


def turn_between(reference: Curve, w_left: Array, w_right: Array, s_start: float, s_end: float) -> float:
    """Heading change of the midline from one station to another, in driving direction [rad].

    Parameters
    ----------
    reference : Curve
    w_left, w_right : (N,) array
        Distance to the edges [m].
    s_start, s_end : float
        Stations [m]; on a closed track ``s_end < s_start`` runs across station 0.
    """
    x, y = _middle(reference, w_left, w_right)
    step = np.gradient(np.column_stack([x, y]), axis=0)
    heading = np.unwrap(np.arctan2(step[:, 1], step[:, 0]))
    first, last = (float(np.interp(s, reference.s, heading)) for s in (s_start, s_end))
    if reference.closed and s_end < s_start:
        last += float(heading[-1] - heading[0])
    return last - first


def _middle(reference: Curve, w_left: Array, w_right: Array) -> tuple[Array, Array]:
    """Points half-way between the edges, (N,) each [m]."""
    offset = 0.5 * (np.asarray(w_left) - np.asarray(w_right))
    return reference.x - offset * np.sin(reference.psi), reference.y + offset * np.cos(reference.psi)


def _smoothed(heading: Array, sigma: float, step: float, closed: bool) -> tuple[Array, Array]:
    """Gaussian-smoothed heading and its derivative; straight or periodic beyond the ends."""
    half = min(int(np.ceil(4.0 * sigma / step)), heading.size - 1)
    grid = np.arange(-half, half + 1) * step
    kernel = np.exp(-0.5 * (grid / sigma) ** 2)
    kernel /= kernel.sum()
    if closed:
        # A crossing-free loop turns once, a figure of eight not at all: take the whole turns that are there.
        across = float(np.mod(heading[0] - heading[-1] + np.pi, 2.0 * np.pi) - np.pi)
        turn = heading[-1] + across - heading[0]
        padded = np.concatenate((heading[-half:] - turn, heading, heading[:half] + turn))
    else:
        padded = np.concatenate((np.full(half, heading[0]), heading, np.full(half, heading[-1])))
    # Differentiating the kernel instead of the result keeps rounding and sampling noise out of the curvature.
    slope = -grid / sigma**2 * kernel
    slope /= -np.sum(slope * grid)
    return np.convolve(padded, kernel, mode="valid"), np.convolve(padded, slope, mode="valid")


def _bends(line: Midline, driven: bool) -> list[tuple[int, int]]:
    """Runs of samples (first, last), last possibly beyond the array on a closed track, one per bend."""
    sign = np.where(np.abs(line.kappa) * STRAIGHT * line.width > 1.0, np.sign(line.kappa), 0.0).astype(int)
    runs = _runs(sign, line.closed)
    groups: list[list[tuple[int, int, int]]] = []
    for run in runs:
        if groups and groups[-1][-1][2] == run[2]:
            groups[-1].append(run)
        else:
            groups.append([run])
    if line.closed and len(groups) > 1 and groups[0][0][2] == groups[-1][0][2]:
        moved = [(first + sign.size, last + sign.size, hand) for first, last, hand in groups.pop(0)]
        groups[-1].extend(moved)
    found: list[tuple[int, int]] = []
    for group in groups:
        found.extend(_split(line, group[0][0], group[-1][1], driven))
    return found


def _runs(sign: Array, closed: bool) -> list[tuple[int, int, int]]:
    """Maximal runs of equal non-zero sign as (first, last, sign); a run across the seam is one run."""
    size = sign.size
    change = np.flatnonzero(np.diff(sign)) + 1
    starts = np.concatenate(([0], change))
    ends = np.concatenate((change - 1, [size - 1]))
    runs = [(int(a), int(b), int(sign[a])) for a, b in zip(starts, ends)]
    if closed and len(runs) > 1 and runs[0][2] == runs[-1][2]:
        runs[-1] = (runs[-1][0], runs[0][1] + size, runs[-1][2])
        runs.pop(0)
    return [run for run in runs if run[2] != 0]


def _split(line: Midline, first: int, last: int, driven: bool) -> list[tuple[int, int]]:
    """Cut a stretch of one hand wherever the track straightens for long enough (rule 3)."""
    index = np.arange(first, last + 1) % line.kappa.size
    kappa, width = np.abs(line.kappa[index]), line.width[index]
    gap = (_widest_swing if driven else _longest_gap)(kappa, width, line.step)
    if gap is None:
        bent = np.flatnonzero(kappa * STRAIGHT * width > 1.0)
        return [(first + int(bent[0]), first + int(bent[-1]))] if bent.size else []
    cut = first + gap
    bent = kappa[gap] * STRAIGHT * width[gap] > 1.0
    if driven and bent and any(_as_corner(line, *part, 1.0) is None for part in ((first, cut), (cut + 1, last))):
        return [(first, last)]
    return _split(line, first, cut, driven) + _split(line, cut + 1, last, driven)


def _longest_gap(kappa: Array, width: Array, step: float) -> int | None:
    """Straightest sample of the clearest straightening inside a bend, or None (rule 3).

    For every dip between two peaks the bar is half the gentler of the highest peaks on either side.
    """
    left, right = np.maximum.accumulate(kappa), np.maximum.accumulate(kappa[::-1])[::-1]
    gentler = np.minimum(left, right)
    dip = kappa < 0.5 * gentler
    best, best_ratio = None, 1.0
    for first, last, _ in _runs(dip.astype(int), False):
        radius = 1.0 / float(gentler[first : last + 1].min())
        needed = np.sqrt(2.0 * radius * float(width[first : last + 1].mean()))
        ratio = (last - first + 1) * step / needed
        if ratio > best_ratio:
            best, best_ratio = first + int(np.argmin(kappa[first : last + 1])), ratio
    return best


def _widest_swing(kappa: Array, width: Array, step: float) -> int | None:
    """Straightest sample of the dip that moves a driven line furthest out of the gentler arc, or None (rule 3)."""
    gentler = np.minimum(np.maximum.accumulate(kappa), np.maximum.accumulate(kappa[::-1])[::-1])
    missing = gentler - kappa
    best, most = None, 1.0
    for first, last, _ in _runs((missing > 0.0).astype(int), False):
        dip = slice(first, last + 1)
        swing = 0.5 * (last - first + 1) * step * float(missing[dip].sum()) * step / float(width[dip].mean())
        if swing > most and (kappa[dip] < 0.5 * gentler[dip]).any():
            best, most = first + int(np.argmin(kappa[dip])), swing
    return best


def _as_corner(line: Midline, first: int, last: int, length: float) -> FoundCorner | None:
    """Turn one bend into a corner, or None where it is only a kink (rules 4 and 5)."""
    size = line.kappa.size
    index = np.arange(first, last + 1)
    kappa, width = line.detail[index % size], float(line.width[index % size].mean())
    turned = (np.cumsum(kappa) - 0.5 * kappa) * line.step
    turn = float(kappa.sum()) * line.step
    if turn * float(line.kappa[index % size].sum()) <= 0.0:
        return None
    coarse = np.abs(line.kappa[index % size])
    inside = max(float(coarse.sum() / np.sum(coarse**2)) - width / 2.0, 0.0)
    widest = inside + width / (1.0 - np.cos(min(abs(turn), np.pi) / 2.0))
    if abs(turn) < SURE_TURN and widest > WIDEST * width:
        return None
    share = turned / turn
    # Noise can make the share run back a little; the running maximum keeps it a function that can be inverted.
    share = 0.5 * (np.maximum.accumulate(share) + np.minimum.accumulate(share[::-1])[::-1])
    start, end = (float(np.interp(q, share, index)) for q in (EDGE_SHARE, 1.0 - EDGE_SHARE))
    s_apex, _ = corner_part(line, first, last, length)
    return FoundCorner(_station(line, start, length), s_apex, _station(line, end, length), turn)


class Dip(NamedTuple):
    """Where a corner is straightest between two tight parts: the midline's sample, and whether it straightens there to
    less than half the gentler one's curvature, as rule 3 asks of two corners (whatever its length)."""

    at: int
    clear: bool


def dip_within(line: Midline, first: int, last: int) -> Dip | None:
    """The deepest dip of the curvature between two peaks of a stretch of samples; None where it has one peak."""
    kappa = np.abs(line.kappa[np.arange(first, last + 1) % line.kappa.size])
    gentler = np.minimum(np.maximum.accumulate(kappa), np.maximum.accumulate(kappa[::-1])[::-1])
    at = int(np.argmin(kappa / np.maximum(gentler, 1e-12)))
    return Dip(first + at, bool(kappa[at] < 0.5 * gentler[at])) if kappa[at] < gentler[at] else None


def corner_part(line: Midline, first: int, last: int, length: float) -> tuple[float, float]:
    """Apex station [m] (rule 5) and turn [rad] of a stretch of the midline's samples."""
    index = np.arange(first, last + 1)
    squared = line.kappa[index % line.kappa.size] ** 2
    turn = float(line.detail[index % line.kappa.size].sum()) * line.step
    return _station(line, float(np.sum(squared * index) / np.sum(squared)), length), turn


def sample_at(line: Midline, s: float) -> int:
    """The midline's sample nearest to a station of the reference line [m]."""
    return int(np.argmin(np.abs(line.s - s)))


def _station(line: Midline, index: float, length: float) -> float:
    """Station on the reference line of a fractional sample index, wrapped on a closed track."""
    size = line.s.size
    if not line.closed:
        return float(np.interp(index, np.arange(size), line.s))
    extended = np.concatenate((line.s, line.s + length))
    return float(np.mod(np.interp(index, np.arange(2 * size), extended), length))
