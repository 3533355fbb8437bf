"""A kart fitted to driven laps.

At each node of a lap the driver is at full throttle, at the limit of grip, at both, or below them.  Full throttle is a
force by speed, less what rolling, air and cornering take; grip is the ellipse of :mod:`linelab.model.grip`, let bulge a
little, since tyres are no ellipses.  :mod:`linelab.fitted.frontier` finds both together.  Laps show accelerations only,
so that the mass is the file's and forces go with it.

With both feet up a kart loses what part throttle and light braking may lose as well, and a lift is short: a state of
its own for it was wrong by several standard deviations in simulated sessions; there is none.  Brakes hold alike at all
speeds and air does not, but a foot takes a tenth of a second to press: read off the braking, air came out a quarter too
small.  What laps say of rolling and air they say by full throttle alone; the rest is the kart file's, with its width.
Nor does a lap show what a driver keeps in hand of the grip at all times: that is a likely share, with its spread.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.errors import InputError, check_kinds
from linelab.files.bundled import bundled_karts
from linelab.files.kart_file import load_kart
from linelab.fitted.fitted_kart import FittedKart, Shown
from linelab.fitted.frontier import Fit, Limits, Seen, fit_limits
from linelab.measured import TO_95, Measured
from linelab.model.engine import engine_of_force
from linelab.model.grip import (
    KartNumbers,
    Surface,
    brake_friction,
    closed_throttle,
    drive_friction,
    drive_power,
    kart_numbers,
    loads,
)
from linelab.model.kart import KART_BOUNDS, MOST_UNLIKE, Kart
from linelab.motion.estimate import DrivenLap
from linelab.units import STANDARD_GRAVITY, Array

# What is likely before a lap is seen.  Widths that a session cannot show were set on thirty simulated sessions of an
# independent driver, other ones than those that are reported (benchmarks/fitted_kart.py).
#: Logarithms of the file's force, of its change by speed [per root of m/s], of rolling and air, and of scrub.
LEVEL, CHANGE, RESISTANCE, SCRUB = 0.5, 0.05, 0.35, 0.4
#: The closed throttle, and what it is taken for where the file has none [m/s²].
CLOSED, CLOSED_USUAL = 0.6, 0.7
#: Logarithm of grip across, of grip along over that across, and the bulge of the ellipse at 45 degrees [-].
GRIP, RATIO, BULGE = 1.0, 0.1, 0.06
#: The bulge is no greater: a bulge of -0.29 makes the ellipse a rhombus, one of 0.41 a rectangle.
BULGE_MOST = 0.12
#: What a driver keeps in hand of the grip across, and its spread (logarithms): a quick one 2 to 8 %, a careful one 8 to
#: 15 %, and nothing in the laps says which of them drives.
IN_HAND = (0.09, 0.045)
#: The same of the brakes.  Braking mostly goes with some cornering: the shape of the limit between them adds as much.
IN_HAND_BRAKING = (0.04, 0.065)
#: Waiting with the power out of corners costs as scrub does: by how much it is taken for that, and the spread of it.
WAITED = (0.33, 0.22)
#: Full-throttle force differs from run to run by this share [-]: wind, slipstream, a warm engine.
FORCE_ERROR = 0.01
#: A driver may be one who never brakes to the limit: how likely, and how much he leaves then (logarithm).
SOFT, SOFT_LEAVES = 0.3, 0.35

#: At a limit accelerations still vary by this [m/s²], and the used share of the grip by this [-].
VARIES, VARIES_GRIP = 0.1, 0.015
#: Way over which a receiver and feet round [m]; the laps' own errors add theirs.
ROUNDED = 4.0
#: Ground of unknown heights: the usual slope [-], and over which way it stays alike [m] (common practice: circuits rise
#: and fall by a metre or two).
SLOPE, HILL = 0.012, 80.0
#: Time to either side in which a driver goes on as he is [s]; places are so long [m].
GOES_ON, PLACE = 0.25, 20.0
#: Distance between speeds at which the force is free [m/s], and how far below and beyond the speeds driven it goes [-].
KNOT, BELOW, BEYOND = 1.25, 0.6, 1.15
#: Fewest nodes to fit a kart to, about a quarter of a short lap.
LEAST_NODES = 100


class Nodes(NamedTuple):
    """All laps' nodes in a row (M,)."""

    v: Array  #: [m/s]
    ax: Array  #: [m/s²]
    sigma: Array  #: of ax, what varies at a limit included [m/s²]
    lateral: Array  #: tyre force per mass across, size only [m/s²]
    lateral_sigma: Array
    normal: Array  #: normal load per mass [m/s²]
    climb: Array  #: [m/s²]
    roll: Array  #: rolling and air of the file [m/s²]
    scrub: Array  #: scrub of the file [m/s²]
    place: NDArray[np.intp]
    first: NDArray[np.intp]
    last: NDArray[np.intp]
    weight: Array  #: independent values each stands for [-]
    ground: Array  #: covariance of the climb at places where it is not known (P, P) [m²/s⁴]


def fit_kart(laps: DrivenLap | Sequence[DrivenLap], kart: Kart | None = None) -> FittedKart:
    """Fit a kart to driven laps.

    Parameters
    ----------
    laps : DrivenLap or sequence of DrivenLap
        From :func:`linelab.read_laps`, of one session or of several; more laps narrow the intervals.
    kart : Kart, optional
        What is known beforehand: mass, size and axle load are taken from it, grip, engine and drag are fitted from it
        on.  The nearest bundled class when not given.

    Returns
    -------
    FittedKart
        ``.kart`` can be driven and saved; each figure has its interval, or is said to be "at least".

    Raises
    ------
    InputError
        No lap, laps that are computed and not recorded, too little of a lap, or arguments of another type.

    References
    ----------
    The likelihood is that of :mod:`linelab.fitted.frontier`.

    Examples
    --------
    >>> import linelab
    >>> track = linelab.load_track("ostrelle_sprint")
    >>> laps = linelab.read_laps("ostrelle_practice", track, position_error=0.25)
    >>> fitted = linelab.fit_kart(laps)
    >>> fitted.nearest
    'senior-single-speed'
    >>> 1.5 < fitted.lateral.value.value < 1.9
    True
    """
    check_kinds("fit_kart", kart=(kart, (Kart, type(None))))
    given = tuple(laps) if isinstance(laps, Sequence) else (laps,)
    if not given:
        raise InputError("no lap to fit a kart to", where="fit_kart", remedy="Give driven laps, as read_laps returns")
    for lap in given:
        check_kinds("fit_kart", laps=(lap, DrivenLap))
    if not all(np.isfinite(lap.rate) for lap in given):
        raise InputError(
            "computed laps show the kart they were computed for", where="fit_kart", remedy="Give recorded laps"
        )
    if sum(lap.lap.t.size for lap in given) < LEAST_NODES:
        raise InputError("too little of a lap to fit a kart to", where="fit_kart", remedy="Give a whole lap or more")
    karts = {name: load_kart(name) for name in bundled_karts()}
    base = kart or karts[min(karts, key=lambda name: abs(karts[name].mass - MIDDLE_MASS))]
    base = replace(base, axles=None)  # laps show the limits of the kart, not those of its tyres
    fitted = _fitted(given, base, karts)
    if kart is None and karts[fitted.nearest] != base:
        fitted = _fitted(given, karts[fitted.nearest], karts)
    return fitted


#: Where the search for the class begins [kg].
MIDDLE_MASS = 165.0


def _nodes(laps: Sequence[DrivenLap], kart: KartNumbers) -> Nodes:
    """The laps' nodes with what the kart's numbers make of them."""

    def joined(name: str) -> Array:
        return np.concatenate([getattr(lap.lap.line, name) for lap in laps])

    v, ax = (np.concatenate([getattr(lap.lap, name) for lap in laps]) for name in ("v", "ax"))
    sigma_v, sigma_ax, sigma_kappa = (
        np.concatenate([getattr(lap, name) for lap in laps]) for name in ("sigma_v", "sigma_ax", "sigma_kappa")
    )
    load = loads(kart, v * v, joined("kappa"), Surface(*(joined(name) for name in Surface._fields)))
    lateral = np.abs(load.lateral)
    scrub = kart.scrub * lateral**2 / STANDARD_GRAVITY
    # The same place of a session, on whichever lap, may share an error.
    sessions = {id(lap.sensors): k for k, lap in enumerate(laps)}
    keys = np.concatenate([
        np.floor(lap.lap.line.s / PLACE) + 1e6 * sessions[id(lap.sensors)] for lap in laps
    ])  # fmt: skip
    place = np.unique(keys, return_inverse=True)[1]
    starts = np.cumsum([0, *(lap.lap.t.size for lap in laps)])
    first, last = (
        np.concatenate([at + np.searchsorted(lap.lap.t, lap.lap.t + side) for at, lap in zip(starts, laps)])
        for side in (-GOES_ON, GOES_ON)
    )
    way = np.concatenate([np.gradient(lap.lap.line.distance) / (ROUNDED + _alike(lap)) for lap in laps])
    return Nodes(
        v=v, ax=ax, sigma=np.hypot(sigma_ax, VARIES), lateral=lateral,
        lateral_sigma=np.hypot(sigma_kappa * v * v, 2.0 * lateral / v * sigma_v),
        normal=np.maximum(load.normal, 1.0), climb=load.climb, roll=load.resistance - scrub, scrub=scrub,
        place=place, ground=_ground(laps, place), first=first, last=last, weight=np.minimum(way, 1.0),
    )  # fmt: skip


def _ground(laps: Sequence[DrivenLap], place: NDArray[np.intp]) -> Array:
    """Covariance of the climb at places (P, P) [m²/s⁴], zero where the laps know heights.

    A lap ends as high as it began.  Sessions may be of one circuit: their places at one station are taken for the same.
    """
    count, total = np.bincount(place), max(float(lap.lap.line.s[-1]) for lap in laps)
    s = np.bincount(place, np.concatenate([lap.lap.line.s for lap in laps])) / count
    flat = np.concatenate([np.full(lap.lap.t.size, not lap.lap.line.slope.any()) for lap in laps])
    unknown = np.bincount(place, flat) / count
    away = np.abs(s[:, None] - s)
    alike = np.exp(-0.5 * (np.minimum(away, total - away) / HILL) ** 2)
    centred = np.eye(s.size) - count / count.sum()
    return np.asarray((SLOPE * STANDARD_GRAVITY) ** 2 * np.outer(unknown, unknown) * (centred @ alike @ centred.T))


def _alike(lap: DrivenLap) -> float:
    """Way over which a lap's errors of acceleration are alike, by the autocorrelation of its draws [m]."""
    if not len(lap.draws_v):
        return 0.0
    step = lap.lap.line.distance
    drawn = np.gradient(lap.draws_v * lap.lap.v, step, axis=1)
    power = np.abs(np.fft.rfft(drawn - drawn.mean(axis=1, keepdims=True), 2 * step.size, axis=1)) ** 2
    alike = np.fft.irfft(power, axis=1)[:, : step.size].mean(axis=0)
    if not alike[0] > 0.0:
        return 0.0
    alike /= alike[0]
    end = int(np.argmax(alike < 0.05)) or step.size
    return float((1.0 + 2.0 * alike[1:end].sum()) * (step[-1] - step[0]) / (step.size - 1))


class _Curve(NamedTuple):
    """Full-throttle force by speed: the file's, times a factor that is free at knots (K,) [m/s]."""

    numbers: KartNumbers
    knots: Array
    end: float  #: beyond it the file's power is held: revs end elsewhere on another gearing [m/s]

    def file(self, v: Array) -> Array:
        """The file's force per mass [m/s²]."""
        return np.asarray(drive_power(self.numbers, np.minimum(v, self.end)) / (v * self.numbers.mass))

    def hats(self, v: Array) -> Array:
        """How much of each knot's factor counts at speeds (M, K)."""
        return np.array([np.interp(v, self.knots, one) for one in np.eye(self.knots.size)]).T


def _curve(numbers: KartNumbers, v: Array) -> _Curve:
    low, high = BELOW * float(v.min()), BEYOND * float(v.max())
    knots = np.linspace(low, high, max(round((high - low) / KNOT), 3) + 1)
    return _Curve(numbers, knots, 0.97 * float(numbers.top_speed))


def _radius(kart: KartNumbers, grip: Array, along: Array, across: Array) -> Array:
    """Logarithm of the grip [g per g of load] in a direction (M,), for ln mu_y, ln mu_x as braked, and the bulge.

    Forwards the file's share of the grip across counts: hardly a kart spins its wheels.
    """
    braked, driven = (kart._replace(mu_x=mu) for mu in (math.exp(grip[1]), math.exp(grip[0]) * kart.mu_x / kart.mu_y))
    limit = np.where(along < 0.0, brake_friction(braked, 1.0), drive_friction(driven, 1.0))
    a, b = (along / limit) ** 2, (across / math.exp(grip[0])) ** 2
    bulge = BULGE_MOST * math.tanh(grip[2] / BULGE_MOST)
    return np.asarray(-0.5 * np.log(a + b) + np.log1p(bulge * 4.0 * a * b / (a + b) ** 2))


def _likely(kart: Kart, curve: _Curve, nodes: Nodes) -> tuple[Array, Array]:
    """Where to begin (T,), and the inverse covariance of what is likely beforehand (T, T)."""
    count = curve.knots.size
    across = math.log(float(np.quantile(nodes.lateral / nodes.normal, 0.97)))
    tyre = (1.0 + kart.rotating_mass_factor) * nodes.ax + nodes.roll + nodes.scrub + nodes.climb
    straight = nodes.lateral / nodes.normal < 0.4 * math.exp(across)
    use = straight if straight.any() else np.ones_like(straight)
    level = math.log(max(float(np.quantile(tyre[use] / curve.file(nodes.v[use]), 0.85)), 0.02))
    likely = [*[level] * count, 0.0, 0.0, across, across + math.log(kart.mu_longitudinal / kart.mu_lateral), 0.0]
    precision = np.diag([*[0.0] * count, RESISTANCE**-2, SCRUB**-2, GRIP**-2, 0.0, BULGE**-2])
    mean, change = np.full(count, 1.0 / count), np.diff(np.eye(count), axis=0)
    change /= CHANGE * math.sqrt(float(curve.knots[1] - curve.knots[0]))
    precision[:count, :count] += np.outer(mean, mean) / LEVEL**2 + change.T @ change
    precision[count + 2 : count + 4, count + 2 : count + 4] += np.array([[1.0, -1.0], [-1.0, 1.0]]) / RATIO**2
    return np.array(likely), precision


def _estimate(kart: Kart, curve: _Curve, nodes: Nodes) -> tuple[Fit, Array]:
    """The numbers ln force factors (K,), ln roll, ln scrub, ln mu_y, ln mu_x, bulge; and their prior precision."""
    numbers, count = curve.numbers, curve.knots.size
    inertia = float(numbers.inertia)
    hats, file = curve.hats(nodes.v), curve.file(nodes.v)
    along = (inertia * nodes.ax + nodes.climb + nodes.roll + nodes.scrub) / nodes.normal
    across = nodes.lateral / nodes.normal
    size = np.maximum(np.hypot(along, across), 0.05)
    x, y = along / size, across / size
    noise = np.hypot(x * inertia * nodes.sigma, y * nodes.lateral_sigma) / (nodes.normal * size)
    start, precision = _likely(kart, curve, nodes)
    wide = 1.1 * math.exp(start[count + 2])

    def model(theta: Array) -> Limits:
        force = file * np.exp(hats @ theta[:count])
        roll, scrub = nodes.roll * math.exp(theta[count]), nodes.scrub * math.exp(theta[count + 1])
        at = _radius(numbers, theta[count + 2 :], x, y)
        steps = [(_radius(numbers, theta[count + 2 :] + step, x, y) - at) / 1e-5 for step in 1e-5 * np.eye(3)]
        slopes = np.zeros((2, at.size, count + 5))
        slopes[0, :, :count] = force[:, None] * hats / inertia
        slopes[0, :, count], slopes[0, :, count + 1] = -roll / inertia, -scrub / inertia
        slopes[1, :, count + 2 :] = np.array(steps).T
        return Limits(np.array([(force - roll - scrub - nodes.climb) / inertia, at]), slopes)

    # Densities in the plane of tyre forces, in g: along a half-circle's directions, or anywhere in the rectangle.
    g = math.log(STANDARD_GRAVITY)
    even = np.full(size.size, -math.log(1.5 * wide * wide))
    beside = np.array([
        np.full(size.size, g - math.log(wide)), -2.0 * np.log(size) - math.log(math.pi),
        g - np.log(size) + np.log(np.maximum(y, 0.05)), even,
    ])  # fmt: skip
    seen = Seen(
        value=np.array([nodes.ax, np.log(size)]), sigma=np.array([nodes.sigma, np.hypot(noise, VARIES_GRIP)]),
        beside=beside, free=even, place=nodes.place, first=nodes.first, last=nodes.last, weight=nodes.weight,
        shared=nodes.ground / inertia**2,
    )  # fmt: skip
    states = np.array([[True, False], [False, True], [True, True], [False, False]])
    return fit_limits(model, seen, states, np.array([True, True]), start, precision), precision


def _fitted(laps: Sequence[DrivenLap], base: Kart, karts: dict[str, Kart]) -> FittedKart:
    """The kart fitted from a base."""
    numbers = kart_numbers(base)
    nodes = _nodes(laps, numbers)
    curve = _curve(numbers, nodes.v)
    fit, precision = _estimate(base, curve, nodes)
    across, along = curve.knots.size + 2, curve.knots.size + 3
    sigma = math.hypot(math.sqrt(fit.covariance[across, across]), IN_HAND[1])
    lateral = _relative(math.exp(fit.theta[across] + IN_HAND[0]), sigma)
    both = slice(across, along + 1)
    braking, mu_along = _braking(base, nodes, fit.theta[both], fit.covariance[both, both])
    table = _tables(base, curve, fit, precision) | {"full_seen": _full_share(curve, fit, nodes)}
    resistance = _factor(fit, precision, across - 2, (0.0, 0.0))
    scrub = _factor(fit, precision, across - 1, WAITED)
    made = _made(base, curve, fit, (scrub, lateral), mu_along)
    misfits = _misfits(fit, nodes, laps)
    shown = curve.file(nodes.v) * np.exp(curve.hats(nodes.v) @ fit.theta[: curve.knots.size]) * fit.held[0]
    return FittedKart(
        kart=made, base=base, laps=len(laps), lateral=lateral, braking=braking,
        driving=replace(_relative(float(shown.max()) / STANDARD_GRAVITY, FORCE_ERROR), at_least=True),
        top_speed=_top_speed(base, curve, fit, nodes), power=_power(curve, fit, precision, nodes),
        resistance=resistance, scrub=scrub,
        slowest=float(nodes.v.min()), fastest=float(nodes.v.max()), misfit_ax=misfits[0], noise_ax=misfits[1],
        misfit_v=misfits[2], distances=_distances(karts, table, fit, nodes, lateral, braking), **table,
    )  # fmt: skip


def _factor(fit: Fit, precision: Array, at: int, besides: tuple[float, float]) -> Shown:
    """A factor on a value of the base; ``besides`` is what is taken for it, and the spread of that (logarithms)."""
    variance = float(fit.covariance[at, at]) + besides[1] ** 2
    before = float(np.linalg.inv(precision)[at, at]) + besides[1] ** 2
    shown = _relative(math.exp(fit.theta[at] - besides[0]), math.sqrt(variance))
    return replace(shown, origin="recordings" if variance < 0.5 * before else "kart file")


def _relative(value: float, sigma: float) -> Shown:
    """A figure with a relative standard deviation."""
    return Shown(value=Measured(value, value * sigma))


def _braking(base: Kart, nodes: Nodes, shown: Array, covariance: Array) -> tuple[Shown, float]:
    """Braking in g, and the friction along that the kart is given, from ln mu_y and ln mu_x as shown.

    Rubber grips along about as it does across.  A driver who shows less either brakes a kart of less grip along, or
    never to the limit, and leaves an exponentially distributed share: the likelier of the two counts.  Where the laps
    add little to what is likely beforehand, the limit was not met either, and the hardest braking is the bound.
    """
    from scipy.special import log_ndtr

    usual = math.log(base.mu_longitudinal / base.mu_lateral)
    off = float(shown[1] - shown[0]) - usual
    apart = float(covariance[0, 0] + covariance[1, 1] - 2.0 * covariance[0, 1])
    sigma = math.hypot(RATIO, math.sqrt(apart))
    limit = math.log(1.0 - SOFT) - 0.5 * (off / sigma) ** 2 - math.log(sigma * math.sqrt(2.0 * math.pi))
    share = sigma / SOFT_LEAVES
    soft = math.log(SOFT / SOFT_LEAVES) + off / SOFT_LEAVES + 0.5 * share**2 + float(log_ndtr(-off / sigma - share))

    def braked(mu: float) -> float:
        return float(brake_friction(kart_numbers(base)._replace(mu_x=mu), 1.0))

    own = math.sqrt(float(covariance[1, 1]))
    kept = math.exp(shown[0] + IN_HAND[0] + usual)
    if soft > limit:
        return replace(_relative(braked(math.exp(shown[1])), own), at_least=True), kept
    if apart > 0.5 * RATIO**2:
        return _hardest(nodes, float(kart_numbers(base).inertia)), kept
    mu = math.exp(shown[1] + IN_HAND_BRAKING[0])
    return _relative(braked(mu), math.hypot(own, IN_HAND_BRAKING[1])), mu


def _hardest(nodes: Nodes, inertia: float) -> Shown:
    """The hardest braking for as long as a driver goes on as he is [g]."""
    force = -(inertia * nodes.ax + nodes.climb + nodes.roll + nodes.scrub) / STANDARD_GRAVITY
    ways = np.concatenate([[0.0], np.cumsum(force)])
    count = nodes.last - nodes.first
    at = int(np.argmax((ways[nodes.last] - ways[nodes.first]) / count))
    part = slice(int(nodes.first[at]), int(nodes.last[at]))
    independent = max(float(nodes.weight[part].sum()), 1.0)
    error = inertia * float(nodes.sigma[part].mean()) / STANDARD_GRAVITY / math.sqrt(independent)
    return Shown(value=Measured(max(float(force[part].mean()), 0.0), error), at_least=True)


def _slopes(base: Kart, curve: _Curve, theta: Array, v: Array) -> dict[str, tuple[Array, Array]]:
    """Full throttle, force and roll-down at speeds (V,), each with its derivatives by the numbers (V, T)."""
    numbers, count = curve.numbers, curve.knots.size
    force = curve.file(v) * np.exp(curve.hats(v) @ theta[:count])
    roll = (numbers.drag * v * v + numbers.rolling_resistance * STANDARD_GRAVITY) * math.exp(theta[count])
    by_force = np.zeros((v.size, theta.size))
    by_force[:, :count] = force[:, None] * curve.hats(v)
    by_roll = np.zeros_like(by_force)
    by_roll[:, count] = roll
    closed = closed_throttle(base, v) if base.engine_braking else CLOSED_USUAL * np.minimum(v / curve.end, 1.0)
    inertia = float(numbers.inertia)
    return {
        "full": ((force - roll) / inertia, (by_force - by_roll) / inertia),
        "force": (force * base.mass, by_force * base.mass),
        "roll": ((roll + closed) / inertia, by_roll / inertia),
        "closed": (closed / inertia, by_roll),
    }


def _tables(base: Kart, curve: _Curve, fit: Fit, precision: Array) -> dict[str, Array]:
    """The tables of a fitted kart."""
    found = _slopes(base, curve, fit.theta, curve.knots)
    before = np.asarray(np.linalg.inv(precision), dtype=np.float64)
    force, closed = found["force"][0], CLOSED * found["closed"][0]

    def variance(name: str, covariance: Array) -> Array:
        rows = found[name][1]
        return np.asarray(np.einsum("vt,ts,vs->v", rows, covariance, rows))

    run = FORCE_ERROR * force
    on_full = variance("full", fit.covariance) + (run / base.mass / float(curve.numbers.inertia)) ** 2
    return {
        "speeds": curve.knots, "full": found["full"][0], "full_sigma": np.sqrt(on_full),
        "force": force, "force_sigma": np.sqrt(variance("force", fit.covariance) + run**2),
        "roll": found["roll"][0], "roll_sigma": np.sqrt(variance("roll", fit.covariance) + closed**2),
        "full_known": 1.0 - variance("full", fit.covariance) / variance("full", before),
        "roll_known": 1.0 - (variance("roll", fit.covariance) + closed**2) / (variance("roll", before) + closed**2),
    }  # fmt: skip


def _full_share(curve: _Curve, fit: Fit, nodes: Nodes) -> Array:
    """Share of the time driven at about each speed (K,) that is at full throttle [-].

    None about the lowest speed, where by its meaning the kart neither gains nor loses.
    """
    driven = nodes.weight * (nodes.ax + nodes.climb + nodes.roll + nodes.scrub > 0.0)
    hats = curve.hats(nodes.v)
    share = (fit.held[0] * driven) @ hats / np.maximum(driven @ hats, 1e-9)
    return np.where(curve.knots < float(nodes.v.min()) + KNOT, 0.0, share)


def _made(base: Kart, curve: _Curve, fit: Fit, shown: tuple[Shown, Shown], along: float) -> Kart:
    """The kart with the fitted values, within what a kart file may hold."""
    count = curve.knots.size
    roll = math.exp(fit.theta[count])
    scrub, across = (one.value.value or 0.0 for one in shown)
    mu = _within("mu_lateral", across)
    force = base.mass * curve.file(curve.knots) * np.exp(fit.theta[:count])
    return replace(
        base, name=f"{base.name}, fitted", mu_lateral=mu,
        mu_longitudinal=_within("mu_longitudinal", min(max(along, mu / MOST_UNLIKE), mu * MOST_UNLIKE)),
        cda=_within("cda", base.cda * roll), scrub=_within("scrub", base.scrub * scrub),
        rolling_resistance=_within("rolling_resistance", base.rolling_resistance * roll),
        engine=engine_of_force(np.append(0.0, curve.knots), np.maximum(np.append(force[0], force), 1.0)),
    )  # fmt: skip


def _within(name: str, value: float) -> float:
    """A value in five digits, within what a kart file may hold."""
    return min(max(float(f"{value:.5g}"), KART_BOUNDS[name].low), KART_BOUNDS[name].high)


#: Kart numbers drawn for the top speed, and speeds tried, as multiples of the highest driven.
_DRAWN, _TRIED = 200, np.linspace(0.7, 2.0, 131)


def _top_speed(base: Kart, curve: _Curve, fit: Fit, nodes: Nodes) -> Shown:
    """Where full throttle no longer accelerates; at least the highest speed, where that is probably beyond the knots.

    Force and resistance meet at a small angle: such a speed may be farther above the middle than below.  Were it said
    only near the highest speed, it would be said where it comes out too low and not where too high.
    """
    fastest = float(nodes.v.max())
    v = fastest * _TRIED
    rng = np.random.default_rng(1)
    tops = []
    for theta in rng.multivariate_normal(fit.theta, fit.covariance, _DRAWN, method="eigh"):
        full = _slopes(base, curve, theta, v)["full"][0]
        tops.append(v[int(np.argmax(full <= 0.0))] if (full <= 0.0).any() else v[-1])
    middle, furthest = (float(x) for x in np.quantile(tops, (0.5, 0.975)))
    if middle > curve.knots[-1]:
        return replace(_relative(fastest, TOP_ERROR), at_least=True)
    return Shown(value=Measured(middle, math.hypot((furthest - middle) / TO_95, TOP_ERROR * middle)))


#: Wind and slipstream change a top speed by so much [-].
TOP_ERROR = 0.01


def _power(curve: _Curve, fit: Fit, precision: Array, nodes: Nodes) -> Measured:
    """One factor on the file's force, by least squares over the nodes where only the engine limits the kart.

    With the file's resistance.  Where its revs end the file has no force to compare with: at a limiter a kart no longer
    gains, whatever its engine.  At the limit of grip out of a corner full throttle is nearly reached and not quite.
    """
    count = curve.knots.size
    file, hats = curve.file(nodes.v), curve.hats(nodes.v)
    weight = np.where(nodes.v < curve.end, fit.odds[0], 0.0) * nodes.weight * file
    weight /= max(float(weight @ file), 1e-9)
    force, roll = file * np.exp(hats @ fit.theta[:count]), nodes.roll * math.exp(fit.theta[count])
    slope = np.zeros(fit.theta.size)
    slope[:count], slope[count] = (weight * force) @ hats, -float(weight @ roll)
    variance, before = (float(slope @ covariance @ slope) for covariance in (fit.covariance, np.linalg.inv(precision)))
    if not variance < 0.5 * before:
        return Measured(None, None, "no part of the lap is long enough on which only the engine limits the kart")
    value = float(weight @ (force - roll + nodes.roll))
    return Measured(value, math.hypot(math.sqrt(variance), FORCE_ERROR * value))


def _misfits(fit: Fit, nodes: Nodes, laps: Sequence[DrivenLap]) -> tuple[float, float, float]:
    """Root mean squares at full throttle: of acceleration, of its noise, and of speed along each run."""
    held, off = fit.held[0], nodes.ax - fit.limits.at[0]
    total = max(float(held.sum()), 1e-9)
    begin, squares, count = 0, 0.0, 0
    for lap in laps:
        part = slice(begin, begin + lap.lap.t.size)
        begin = part.stop
        edges = np.flatnonzero(np.diff(np.concatenate([[0], held[part] > 0.5, [0]])))
        for first, last in edges.reshape(-1, 2):
            # What the acceleration leaves unexplained adds up to a speed along the run.
            late = off[part][first:last]
            gained = np.concatenate([[0.0], np.cumsum(0.5 * (late[1:] + late[:-1]) * np.diff(lap.lap.t[first:last]))])
            squares += float(((gained - gained.mean()) ** 2).sum())
            count += last - first
    return (
        math.sqrt(float(held @ off**2) / total), math.sqrt(float(held @ nodes.sigma**2) / total),
        math.sqrt(squares / max(count, 1)),
    )  # fmt: skip


#: Karts of a class differ by these in force, in its change by speed, and in grip (logarithms; common practice).
CLASS_FORCE, CLASS_SHAPE, CLASS_GRIP = 0.12, 0.06, 0.12


def _distances(
    karts: dict[str, Kart], table: dict[str, Array], fit: Fit, nodes: Nodes, lateral: Shown, braking: Shown
) -> tuple[tuple[str, float], ...]:
    """Twice the negative logarithm of how likely each class makes the fitted force and grip, but for a constant."""
    v = np.quantile(nodes.v[fit.held[0] > 0.5] if (fit.held[0] > 0.5).any() else nodes.v, (0.1, 0.5, 0.9))
    mine = np.interp(v, table["speeds"], table["full"])
    error = np.interp(v, table["speeds"], table["full_sigma"])
    found = []
    for name, kart in karts.items():
        numbers = kart_numbers(kart)
        curve = _curve(numbers, nodes.v)
        full, _ = _slopes(kart, curve, np.zeros(curve.knots.size + 5), v)["full"]
        scale = curve.file(v)
        spread = np.outer(scale, scale) * CLASS_FORCE**2 + np.diag((scale * CLASS_SHAPE) ** 2 + error**2)
        off = mine - full
        other = _apart(lateral, kart.mu_lateral)
        other += _apart(braking, float(brake_friction(numbers, 1.0)))
        found.append((name, float(off @ np.linalg.solve(spread, off) + np.linalg.slogdet(spread)[1] + other)))
    return tuple(sorted(found, key=lambda item: item[1]))


def _apart(shown: Shown, usual: float) -> float:
    """Twice the negative logarithm of how likely a class makes a figure of grip, what a soft driver leaves included."""
    value, sigma = shown.value.value or usual, shown.value.sigma or 0.0
    if shown.at_least and value <= usual:
        return 2.0 * math.log(usual / value) / SOFT_LEAVES
    return math.log(value / usual) ** 2 / (CLASS_GRIP**2 + (sigma / value) ** 2)
