"""How likely a driver with a known scatter leaves the track on a lap that he drives after a planned line.

**The executed pass.**  A driver who means to take a line drives beside it by ``e(s) = sigma(s) z(s)``: ``z`` is a
stationary Gaussian process of unit variance whose correlation over a distance ``d`` is ``exp(-d²/(2 L²))``; ``sigma``
is his scatter, by corner, and ``L`` the distance over which departures are alike.

In each corner his speed is off by a normal share ``delta`` (his scatter of speed over the speed there), independent
from corner to corner, and the grip of the lap is ``1 + gamma`` of what the plan assumes, ``gamma`` normal and the same
all round the lap.  Where the plan uses a share ``g`` of the grip, the pass asks for ``g (1 + delta)²`` of it, since
lateral acceleration goes with the square of the speed.  What exceeds ``1 + gamma``, by ``x``, is missing: the kart
describes a wider curve and moves outwards with the acceleration ``x A`` (``A``: the planned lateral acceleration at
full grip) until the driver has answered, ``ANSWER`` seconds later:

    W = 1/2 ANSWER² A max(x, 0)

The shift grows from the turn-in to the apex, stays to the track-out and is taken back after it.  A pass at a higher
share of the grip therefore scatters more.  Passes that are too slow stay on the line.

**Leaving** is a wheel beyond the edge that the computed lap may use (kerbs included where it may use them): the
departure exceeds the clearance ``c(s)`` of the planned line on either side.  With ``u = c/sigma`` the expected number
of such crossings is that of a Gaussian process over a curve (S. O. Rice, "Mathematical analysis of random noise", Bell
System Technical Journal 24, 1945; for curves H. Cramér & M. R. Leadbetter, *Stationary and Related Stochastic
Processes*, 1967, section 13.2; from memory):

    N = ∫ phi(u) [phi(L u')/L - u' Phi(-L u')] ds

The chance of leaving at least once is taken as ``1 - exp(-N)`` for a given grip of the lap, crossings being rare and
apart (the Poisson approximation, from memory; it overstates the chance a little, since crossings come in clumps), and
averaged over the grip.  For plans that hug the edges, where leaving is the rule, it is rough.

A scatter from a few laps is known badly, and a driver who scatters a little more leaves far more often.  The crossings
are therefore averaged over what each corner's ``sigma`` may be: ``sigma² nu/chi²(nu)``, as normal departures of ``nu``
degrees of freedom leave it (A. Gelman et al., *Bayesian Data Analysis*, section 3.2; from memory), with the ``nu`` that
its error shows.  The variance of the speed is the mean over the same.

**Not in it.**  Spins and slides on the inside of the limit, brakes that lock, other karts; that an edge may be cheap or
dear to cross (a run-off or a wall): every edge counts alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.arrays import smoothstep
from linelab.diagnosis.marks import CornerMarks
from linelab.diagnosis.stretches import Stretch
from linelab.study.scattering.driver_scatter import Scatter
from linelab.units import Array

#: From where the grip is not enough to where the driver has answered it [s]: a simple reaction takes 0.2 to 0.3 s, and
#: hands and tyres as long again (from memory).
ANSWER = 0.5
#: The shift is held so far past the track-out and taken back over so much way [m].
HELD_ON, TAKEN_BACK = 8.0, 15.0
#: Quadrature: so many standard deviations to either side, in so many points, for the grip of a lap and for the speed
#: in a corner.
WIDE, GRIPS, SPEEDS = 3.5, 9, 7
#: The most corners whose shifts count at one place, the largest: with two, a corner close behind two others was left
#: three times as often as was said.
SHIFTS = 3
#: Points of the quadrature over what the lateral scatter may be (Gauss and Hermite's).
SCATTERS = 7
#: The fewest degrees of freedom taken [-]: of fewer not even the mean variance is known.
FEWEST = 3.0
#: Crossings are integrated over stations this far apart [m]: departures and lines change over many metres.
SPACED = 0.5


class Bend(NamedTuple):
    """What a corner asks for on the computed lap."""

    outwards: float  #: +1 where the outside is on the left, else -1
    ay: float  #: lateral acceleration at full grip [m/s²]
    share: float  #: of the grip that the computed lap uses there [-]
    v: float  #: speed there [m/s]


class Way(NamedTuple):
    """A piece of the lap along which the same corners' shifts matter: none, or up to SHIFTS."""

    owner: int  #: index of the corner in whose stretch it lies
    at: NDArray[np.intp]  #: (n,) indices of the stations
    step: Array  #: (n,) way that each stands for [m]
    sigma: Array  #: (Q, n) what the lateral scatter may be [m]
    slope: Array  #: (n, n) derivative along the way [1/m]
    corners: tuple[int, ...]  #: whose shifts matter
    wide: Array  #: (corners, n) share of the outward shift [-]


class Passes(NamedTuple):
    """What is asked of the model: the pieces of the lap, and the corners' own figures (C,)."""

    ways: list[Way]
    bends: tuple[Bend, ...]
    asked: Array  #: (C, SPEEDS) (1 + delta)²
    there: Array  #: (GRIPS,) 1 + gamma
    likely: Array  #: (Q,) how likely each lateral scatter is
    along: float

    def scatter_at(self, s: Array) -> Array:
        """Lateral scatter, the best figure of it, at each of the stations (N,) [m]."""
        at = np.concatenate([way.at for way in self.ways])
        sigma = np.concatenate([way.sigma[self.likely.size // 2] for way in self.ways])
        order = np.argsort(at)
        return np.asarray(np.interp(np.arange(s.size), at[order], sigma[order]))


class Chance(NamedTuple):
    """Of leaving the track, and how it changes."""

    lap: float
    corners: Array  #: (C,)
    by_left: Array  #: (N,) derivative of ``lap`` by the clearance to the left edge at each station [1/m]
    by_right: Array  #: (N,)
    by_share: Array  #: (C,) by the share of the grip that is used


def _normal(count: int) -> tuple[Array, Array]:
    """Points and weights of a standard normal."""
    at = np.linspace(-WIDE, WIDE, count)
    weights = np.exp(-0.5 * at * at)
    return at, weights / weights.sum()


def passes_of(
    s: Array,
    length: float | None,
    stretches: Sequence[Stretch],
    marks: Sequence[CornerMarks],
    bends: Sequence[Bend],
    scatter: Scatter,
) -> Passes:
    """A driver's passes over the stations.

    Parameters
    ----------
    s : (N,) array
        Stations in driving order [m].
    length : float or None
        Of a closed track [m].
    stretches, marks, bends : sequences
        Of the corners in driving order (C,).
    scatter : Scatter
    """
    lateral, speed = scatter.by_corner(len(marks))
    kept = _kept(s)
    step, own = _steps(s[kept], length), s[kept] if length is None else s[kept] % length
    apexes = np.array([mark.apex for mark in marks])
    order = np.argsort(apexes)
    beside, beside_sigma = (
        np.interp(s[kept], apexes[order], np.broadcast_to(values, len(marks))[order], period=length)
        for values in (lateral, scatter.lateral_sigma)
    )
    points, likely = np.polynomial.hermite_e.hermegauss(SCATTERS if scatter.lateral_sigma.any() else 1)
    sigma = np.maximum(_likely(beside, beside_sigma, points), 1e-9)
    wide = np.array([_shape(own, length, mark) for mark in marks])
    wide[wide < np.sort(wide, axis=0)[-SHIFTS:].min(axis=0)] = 0.0
    ways = []
    for owner, (stretch, mark) in enumerate(zip(stretches, marks)):
        start, end = unwrapped(stretch, mark.apex, length)
        place = own if length is None else start + (own - start) % length
        inside = np.flatnonzero((place >= start) & (place < end))
        inside = inside[np.argsort(place[inside], kind="stable")]
        changes = np.flatnonzero((np.diff(wide[:, inside] > 0.0, axis=1)).any(axis=0)) + 1
        for piece in np.split(inside, changes):
            corners = tuple(np.flatnonzero(wide[:, piece[:1]].any(axis=1)).tolist()) if piece.size else ()
            slope = (
                np.gradient(np.eye(piece.size), place[piece], axis=0) if piece.size > 1 else np.zeros((piece.size,) * 2)
            )
            ways.append(
                Way(
                    owner,
                    kept[piece],
                    step[piece],
                    sigma[:, piece],
                    np.asarray(slope),
                    corners,
                    wide[list(corners)][:, piece],
                )
            )
    delta, gamma = _normal(SPEEDS)[0], _normal(GRIPS)[0]
    figure, freedom = _known(speed, np.broadcast_to(scatter.speed_sigma, len(marks)))
    share = figure * np.sqrt(freedom / (freedom - 2.0)) / np.array([bend.v for bend in bends])
    return Passes(
        ways, tuple(bends), (1.0 + share[:, None] * delta) ** 2, 1.0 + gamma * scatter.grip, likely / likely.sum(),
        scatter.along,
    )  # fmt: skip


def _known(figure: Array, sigma: Array) -> tuple[Array, Array]:
    """A standard deviation and its degrees of freedom, from its figure and that figure's error (N,).

    Of ``nu`` degrees of freedom the error is the figure over ``sqrt(2 nu)``; a figure that is not clear of none is
    taken for as large as its error.
    """
    whole = np.where(sigma > 0.0, np.hypot(figure, sigma), figure)
    ratio = np.divide(whole, sigma, out=np.full(whole.shape, 1e4), where=sigma > 0.0)
    return whole, np.maximum(0.5 * ratio**2, FEWEST)


def _likely(figure: Array, sigma: Array, points: Array) -> Array:
    """What a standard deviation (N,) may be, at points (Q,) of a standard normal: (Q, N)."""
    from scipy.special import gammaincinv, ndtr

    whole, freedom = _known(figure, sigma)
    if points.size == 1:
        return whole[None]
    return np.asarray(whole * np.sqrt(0.5 * freedom / gammaincinv(0.5 * freedom, ndtr(-points)[:, None])))


def _shape(s: Array, length: float | None, mark: CornerMarks) -> Array:
    """How the outward shift of a corner grows and is taken back (N,) [-]."""
    after = s - mark.turn_in
    if length is not None:
        after = (after + 0.5 * length) % length - 0.5 * length
    apex, out = mark.apex - mark.turn_in, max(mark.track_out, mark.apex) - mark.turn_in
    grown = smoothstep(after / max(apex, 1.0))
    return np.asarray(grown * smoothstep((out + HELD_ON + TAKEN_BACK - after) / TAKEN_BACK))


def unwrapped(stretch: Stretch, apex: float, length: float | None) -> tuple[float, float]:
    """A stretch's ends about its apex [m]."""
    if length is None:
        return stretch.s_start, stretch.s_end
    start = apex - (apex - stretch.s_start) % length
    return start, start + ((stretch.s_end - stretch.s_start) % length or length)


def _kept(s: Array) -> NDArray[np.intp]:
    """Indices of stations at least SPACED apart."""
    kept = [0]
    for index in range(1, s.size):
        if s[index] - s[kept[-1]] >= SPACED:
            kept.append(index)
    return np.array(kept)


def _steps(s: Array, length: float | None) -> Array:
    """Way that each station stands for (N,) [m]."""
    if length is None:
        around = np.concatenate([s[:1], s, s[-1:]])
        return np.asarray(0.5 * (around[2:] - around[:-2]))
    return np.asarray(0.5 * ((np.roll(s, -1) - np.roll(s, 1)) % length))


def chance_of_leaving(passes: Passes, left: Array, right: Array, shares: Array) -> Chance:
    """The chance of leaving the track on a lap.

    Parameters
    ----------
    passes : Passes
    left, right : (N,) array
        Clearance of the planned line to the edges at the stations [m].
    shares : (C,) array
        Of the grip of the computed lap that is used in each corner [-].
    """
    by_grip, count = _normal(GRIPS)[1], len(passes.bends)
    each = [_crossings(passes, way, left, right, shares) for way in passes.ways]
    by_corner = np.zeros((count, GRIPS))
    for way, one in zip(passes.ways, each):
        by_corner[way.owner] += one.number
    none = np.exp(-by_corner.sum(axis=0))
    by_left, by_right, by_share = np.zeros(left.size), np.zeros(right.size), np.zeros(count)
    for way, one in zip(passes.ways, each):
        by_left[way.at] = (by_grip * none) @ one.left
        by_right[way.at] = (by_grip * none) @ one.right
        by_share[list(way.corners)] += one.share @ (by_grip * none)
    return Chance(float(by_grip @ (1.0 - none)), (1.0 - np.exp(-by_corner)) @ by_grip, by_left, by_right, by_share)


class _Crossings(NamedTuple):
    """Expected number of crossings on a piece by the grip of the lap (GRIPS,), and its derivatives."""

    number: Array
    left: Array  #: (GRIPS, n)
    right: Array  #: (GRIPS, n)
    share: Array  #: (corners, GRIPS)


def _crossings(passes: Passes, way: Way, left: Array, right: Array, shares: Array) -> _Crossings:
    speeds, size = _normal(SPEEDS)[1], len(way.corners)
    # One axis for the grip, one for the speed in each corner whose shift matters, one for the stations.
    whole = (GRIPS, *([SPEEDS] * size))
    moved, grows, weight = np.zeros((*whole, way.at.size)), [], np.ones(whole[1:])
    for axis, (k, wide) in enumerate(zip(way.corners, way.wide)):
        bend, other = passes.bends[k], tuple(i + 1 for i in range(size) if i != axis)
        pushed = 0.5 * ANSWER**2 * bend.ay * bend.outwards
        missing = shares[k] * bend.share * passes.asked[k] - passes.there[:, None]
        more = np.where(missing > 0.0, bend.share * passes.asked[k], 0.0)
        moved += np.expand_dims(pushed * np.maximum(missing, 0.0), (*other, size + 1)) * wide
        grows.append(np.expand_dims(pushed * more, other))
        weight = weight * np.expand_dims(speeds, tuple(i - 1 for i in other))
    count, sides, share = np.zeros(GRIPS), [], np.zeros((size, GRIPS))
    flat = weight.ravel()
    for clear, side in ((left, 1.0), (right, -1.0)):
        number, slopes = np.zeros(whole), np.zeros(moved.shape)
        for sigma, likely in zip(way.sigma, passes.likely):
            u = (clear[way.at] - side * moved) / sigma
            crossed, by_u = _rice(u, u @ way.slope.T, way.step, passes.along, way.slope)
            number += likely * crossed
            slopes += likely * by_u / sigma
        count += number.reshape(GRIPS, -1) @ flat
        for axis, wide in enumerate(way.wide):
            share[axis] -= ((slopes @ wide) * side * grows[axis]).reshape(GRIPS, -1) @ flat
        sides.append(flat @ slopes.reshape(GRIPS, flat.size, way.at.size))
    return _Crossings(count, sides[0], sides[1], share)


def _rice(u: Array, slope: Array, step: Array, along: float, along_way: Array) -> tuple[Array, Array]:
    """Expected crossings of a unit process over a curve u (..., n), and their derivatives by u (..., n)."""
    from scipy.special import ndtr

    at, steep = np.exp(-0.5 * u * u) / np.sqrt(2.0 * np.pi), along * slope
    below = ndtr(-steep)
    rate = np.exp(-0.5 * steep * steep) / (np.sqrt(2.0 * np.pi) * along) - slope * below
    return (at * rate) @ step, -u * at * rate * step - (at * below * step) @ along_way
