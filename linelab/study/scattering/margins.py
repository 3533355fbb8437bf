"""The line for a driver who scatters: margins to the edges and grip left unused, for the least expected lap time.

Unknowns are, corner by corner, how far the planned line stays from the edges (on the outside before the apex, on the
inside, on the outside after it; ``m`` >= 0) and what share of the grip it uses (``g`` <= 1).  For given unknowns the
minimum-time lap within them is solved (:mod:`linelab.study.held_line`): it takes ``T(m, g)``.  Passes driven after it
leave the track with the chance ``P(m, g)`` of :mod:`linelab.study.scattering.leaving`.  Looked for is

    least T(m, g) + cost · P(m, g)   with   P(m, g) <= chance

for a stated cost of leaving [s].  If leaving is dear, the best plan is more careful than the stated chance asks for.

``T`` is taken linear about the last plan: its slopes are prices, which the solver's multipliers give (A. V. Fiacco,
*Introduction to Sensitivity and Stability Analysis in Nonlinear Programming*, 1983, theorem 3.4.1).  ``P`` is taken
as it is, with the clearances shifted by the change of the margins.  That small problem is solved (D. Kraft's SLSQP in
SciPy), the lap solved again with its answer, and so on until the plan stands still.  Each corner thus gets the margin
that its own price is worth: little where a metre of road is dear, much where it costs next to nothing.

What is left out: the time that scatter itself takes where no edge is crossed is the same for all plans to first order,
and not in the expected time.  Running wide without leaving costs no time here.  A local optimum, as the lap's is.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from linelab.arrays import ByValue, Table, set_field
from linelab.diagnosis.corner_figures import time_in
from linelab.diagnosis.marks import CornerMarks, find_marks
from linelab.diagnosis.stretches import Stretch, corner_stretches
from linelab.errors import InputError, SolveError, check_kinds
from linelab.model.grip import Surface, grip_share, kart_numbers, loads, tyre_longitudinal
from linelab.model.kart import Kart
from linelab.model.lap import Lap
from linelab.model.track import Track
from linelab.optimum.assembly import stages_of
from linelab.optimum.mesh import node_stations
from linelab.optimum.minimum_time import Solution, solve_min_time
from linelab.optimum.path import offset_weights
from linelab.optimum.runs import Iterate
from linelab.optimum.task import TYPICAL_TIME
from linelab.optimum.transcription import OFFSET_ROWS
from linelab.study.held_line import Base, Bounds, base_of, held_lap, solve_within, time_lost, with_share
from linelab.study.scattering.driver_scatter import Scatter, typical_scatter
from linelab.study.scattering.leaving import Bend, Chance, Passes, chance_of_leaving, passes_of, unwrapped
from linelab.units import Array

#: What leaving the track costs on the lap, unless stated [s]: two wheels on the grass and back (from memory; a spin or
#: a stop takes far longer).
COST = 3.0
#: The greatest chance of leaving the track on a lap, unless stated [-].
CHANCE = 0.01
#: Margins and shares change over so much way between one edge's stretches, either side [m].
CHANGE = 10.0
#: The least share of the grip looked at [-], and how much of the road the margins may take together.
LEAST_SHARE, MOST_ROAD = 0.8, 0.8
#: No margin is larger than half of this share of so wide a road [m].
FULL = 10.0
#: The plan is found when a better one nearby would gain less than GAINED in expected time [s].  One round changes
#: margins by no more than FARTHEST [m] and shares by no more than FARTHEST_SHARE [-].  Changes are charged CHARGED
#: [s/m²], twice that after each round that made it worse: margins that hardly matter stay.
GAINED, FARTHEST, FARTHEST_SHARE, CHARGED, ROUNDS = 3.0e-4, 0.3, 0.02, 0.02, 12
#: Margins are changed by no more than this at once for the solver, and by half as often as it fails, down to this [m].
AT_ONCE, LEAST_STEP = 0.3, 0.005
#: Plans aim at a little less than the stated chance, so that the last lap's own chance is within it [-].
AIMED = 0.98
#: Step of the stations at which margins are blended [m].
FINE = 0.5


@dataclass(frozen=True, kw_only=True, slots=True)
class CornerMargin:
    """What is left for scatter in one corner.

    Parameters
    ----------
    corner : int
        Its number.
    turn_in, apex, track_out : float
        Least margin between the kart and the edge: outside before the apex, inside, outside after it [m].
    grip_share : float
        Share of the grip that the plan may use [-].
    chance : float
        Of leaving the track there on a lap [-].
    chance_on_computed : float
        The same on the computed lap's own line [-].
    time_lost : float
        To the computed lap [s].
    """

    corner: int
    turn_in: float
    apex: float
    track_out: float
    grip_share: float
    chance: float
    chance_on_computed: float
    time_lost: float

    def row(self) -> dict[str, float]:
        """The figures as a row of a table."""
        return {
            "corner": self.corner, "turn_in_margin_m": self.turn_in, "apex_margin_m": self.apex,
            "track_out_margin_m": self.track_out, "grip_share": self.grip_share, "chance": self.chance,
            "chance_on_computed": self.chance_on_computed, "time_lost_s": self.time_lost,
        }  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class MarginLap(ByValue):
    """The line of least expected lap time for a driver who scatters; :func:`linelab.margin_lap` returns it.

    Parameters
    ----------
    lap : Lap
        The line and its speed.  Its ``line.grip`` is what the plan may use.
    computed : Lap
        The computed lap beside it.
    scatter : Scatter
    corners : Table of CornerMargin
        In driving order.
    time_lost : float
        By the planned line to the computed lap, driven without a fault [s].
    chance : float
        Of leaving the track on a lap of it [-]; of a scatter from laps the mean over what it may be.
    chance_on_computed : float
        Of leaving the track on a lap of the computed line [-].
    stated_chance, cost : float
        As asked for [-], [s].
    s, n, sigma : (N,) arrays
        Stations [m], offset of the planned line and lateral scatter there [m].

    Examples
    --------
    >>> import linelab
    >>> track = linelab.load_track("tinmarsh_rental")
    >>> found = linelab.margin_lap(track, linelab.load_kart("rental-four-stroke"), chance=0.05)
    >>> found.corners[0].apex > 0.3, found.expected_time < found.expected_on_computed
    (True, True)
    """

    lap: Lap
    computed: Lap
    scatter: Scatter
    corners: Table[CornerMargin]
    time_lost: float
    chance: float
    chance_on_computed: float
    stated_chance: float
    cost: float
    s: Array
    n: Array
    sigma: Array

    def __post_init__(self) -> None:
        for name in ("s", "n", "sigma"):
            values = np.array(getattr(self, name), dtype=np.float64)
            values.flags.writeable = False
            set_field(self, name, values)

    @property
    def expected_time(self) -> float:
        """Of a lap of the planned line, leaving the track included [s]."""
        return self.computed.lap_time + self.time_lost + self.cost * self.chance

    @property
    def expected_on_computed(self) -> float:
        """Of a lap of the computed line, leaving the track included [s]; rough where leaving is the rule."""
        return self.computed.lap_time + self.cost * self.chance_on_computed

    @property
    def binding(self) -> bool:
        """Whether the stated chance decides, and not the cost of leaving."""
        return self.chance > 0.9 * self.stated_chance


class _Plan(NamedTuple):
    """What is chosen: margins (3 C,) [m], corner by corner at turn-in, apex and track-out, and shares (C,) [-]."""

    margins: Array
    shares: Array


class _Setting(NamedTuple):
    """What stays the same from plan to plan."""

    base: Base
    scatter: Scatter
    passes: Passes
    left: Array  #: (N, 3 C) share of each margin in what the left edge is drawn in by at each station
    right: Array  #: (N, 3 C)
    share: Array  #: (stages, C) share of each corner in the grip that may be used at each node
    most: Array  #: (3 C,) the largest margins that leave road [m]


class _State(NamedTuple):
    """A solved plan."""

    plan: _Plan
    iterate: Iterate
    left: Array  #: (N,) clearance to the edges [m]
    right: Array
    price: Array  #: (3 C,) of the margins [s/m]
    price_of_share: Array  #: (C,) negative [s]


def margin_lap(
    track: Track,
    kart: Kart,
    scatter: Scatter | None = None,
    chance: float = CHANCE,
    *,
    cost: float = COST,
    solution: Solution | None = None,
    use_kerbs: bool = True,
    progress: Callable[[str], None] = lambda text: None,
) -> MarginLap:
    """The line and speed with the least expected lap time for a driver who scatters, at a chance of leaving the track.

    Parameters
    ----------
    track : Track
    kart : Kart
    scatter : Scatter, optional
        Of the driver; typical values (from memory) when left out.  :func:`scatter_of` has a reviewed driver's.
    chance : float
        The greatest chance of leaving the track on a lap [-].
    cost : float
        What leaving costs on that lap [s].
    solution : Solution, optional
        The computed lap of this kart on this track; solved when left out.
    use_kerbs : bool
        As in the solution: the edge that counts as left is the one that the computed lap may use.
    progress : callable
        Called with a short text at each round.

    Returns
    -------
    MarginLap

    Raises
    ------
    InputError
        No margin keeps that chance on this road; arguments out of range or of another type.
    SolveError

    Examples
    --------
    >>> import linelab
    >>> track = linelab.load_track("tinmarsh_rental")
    >>> kart = linelab.load_kart("rental-four-stroke")
    >>> careful = linelab.margin_lap(track, kart, linelab.Scatter(lateral=0.2, speed=0.2), 0.02)
    >>> careful.chance <= 0.02, careful.time_lost > 0.0
    (True, True)
    """
    check_kinds(
        "margin_lap", track=(track, Track), kart=(kart, Kart), scatter=(scatter, (Scatter, type(None))),
        solution=(solution, (Solution, type(None))),
    )  # fmt: skip
    if not 1e-6 <= chance <= 0.5 or not cost >= 0.0:
        raise InputError(
            f"a chance of {chance:g} and a cost of {cost:g} s are not possible",
            where="margin_lap",
            remedy="Give a chance from 0.000001 to 0.5 and a cost of 0 or more",
        )
    driver = scatter or typical_scatter()
    found = solution
    if found is None:
        progress("the computed lap")
        found = solve_min_time(track, kart, use_kerbs=use_kerbs)
    base = base_of(track, kart, found, use_kerbs=use_kerbs)
    marks = find_marks(track, found.lap, kart)
    if not marks:
        raise InputError("this track has no corners", where="margin_lap")
    setting = _setting(base, driver, marks, corner_stretches(track))
    first = _Plan(np.zeros(3 * len(marks)), np.ones(len(marks)))
    state = _solved(setting, first, first, base.iterate)
    ideal = _chance(setting, state)
    if driver.none:
        return _result(setting, found.lap, found.lap, state, ideal, ideal, marks, (chance, cost))
    plan, best, charged = _even(setting, state, chance), None, CHARGED
    for number in range(ROUNDS):
        progress(f"margins, round {number + 1}")
        state = _solved(setting, plan, state.plan, state.iterate)
        expected, kept = time_lost(base, state.iterate), _chance(setting, state).lap
        expected += cost * kept
        if kept <= chance and (best is None or expected < best[0]):
            best = expected, state
        elif best is not None:
            charged *= 2.0  # the last change went too far
        plan, gained = _better(setting, state, (chance, cost), charged)
        if kept <= chance and gained < GAINED:
            break
    if best is None:
        raise SolveError(
            "no margins were found that keep this chance", status="rounds", iterations=ROUNDS,
            remedy="Ask for a greater chance",
        )  # fmt: skip
    state = best[1]
    share = _shares(setting, state.plan)
    lap = held_lap(base, state.iterate, None if (share == 1.0).all() else share)
    return _result(setting, found.lap, lap, state, _chance(setting, state), ideal, marks, (chance, cost))


def _setting(base: Base, scatter: Scatter, marks: tuple[CornerMarks, ...], stretches: tuple[Stretch, ...]) -> _Setting:
    """Which margin holds where, and what the corners ask for."""
    track = base.track
    length = track.length if track.closed else None
    s = base.s.ravel()
    bends = [_bend(base, mark) for mark in marks]
    passes = passes_of(s, length, stretches, marks, bends, scatter)
    fine = np.arange(0.0, track.length, FINE)
    left, right, shares = [], [], []
    for mark, stretch in zip(marks, stretches):
        start, end = unwrapped(stretch, mark.apex, length)
        before, after, whole = (
            _blended(fine, length, part) for part in ((start, mark.apex), (mark.apex, end), (start, end))
        )
        none, on_left = np.zeros(fine.size), mark.corner.left
        left += [none, whole, none] if on_left else [before, none, after]
        right += [before, none, after] if on_left else [none, whole, none]
        shares.append(whole)
    at = s % track.length if track.closed else s

    def along(columns: list[Array], places: Array) -> Array:
        return np.column_stack([np.interp(places, fine, column, period=length) for column in columns])

    by_left, by_right = along(left, at), along(right, at)
    nodes = _node_places(base)
    share = along(shares, nodes)
    road = (base.high - base.low).ravel()
    held = np.maximum(by_left, by_right) > 0.0
    most = np.array([0.5 * MOST_ROAD * road[column].min(initial=FULL) for column in held.T])
    return _Setting(base, scatter, passes, by_left, by_right, share, most)


def _node_places(base: Base) -> Array:
    """Stations of the nodes within the lap (stages,) [m]."""
    s = node_stations(base.iterate.mesh)[: base.iterate.structure.stages]
    return np.mod(s, base.track.length) if base.track.closed else np.asarray(s)


def _blended(fine: Array, length: float | None, part: tuple[float, float]) -> Array:
    """1 within a part of the lap, 0 outside, changing over CHANGE either side; parts side by side add up to 1."""
    half = max(int(CHANGE / FINE), 1)
    bell = np.hanning(2 * half + 1)
    bell /= bell.sum()
    if length is None:
        inside = ((fine >= part[0]) & (fine < part[1])).astype(float)
        return np.convolve(np.pad(inside, half, mode="edge"), bell, mode="valid")
    inside = ((fine - part[0]) % length < part[1] - part[0]).astype(float)
    return np.convolve(np.pad(inside, half, mode="wrap"), bell, mode="valid")


def _bend(base: Base, mark: CornerMarks) -> Bend:
    """What a corner asks for where the computed lap corners hardest."""
    lap, track, numbers = base.solution.lap, base.track, kart_numbers(base.task.kart)
    line = lap.line
    after = (line.s - mark.turn_in) % track.length if track.closed else line.s - mark.turn_in
    within = np.flatnonzero((after >= 0.0) & (after <= mark.track_out - mark.turn_in))
    at = within[np.abs(lap.ay[within]).argmax()] if within.size else int(np.abs(after).argmin())
    surface = Surface(*(getattr(line, name)[at] for name in Surface._fields))
    load = loads(numbers, lap.v[at] ** 2, line.kappa[at], surface)
    used = float(grip_share(numbers, load, tyre_longitudinal(numbers, load, lap.ax[at]), surface.grip))
    share = min(max(used, 0.1), 1.0)
    return Bend(-1.0 if mark.corner.left else 1.0, abs(float(lap.ay[at])) / share, share, float(lap.v[at]))


def _shares(setting: _Setting, plan: _Plan) -> Array:
    """Share of the grip at each node (stages,)."""
    return np.asarray(1.0 - setting.share @ (1.0 - plan.shares))


def _reached(setting: _Setting, before: _Plan, iterate: Iterate, plan: _Plan) -> Iterate:
    """The minimum-time lap of a plan from that of another, step by step: shorter ones where the solver loses its way.

    Raises
    ------
    SolveError
        From the shortest step.
    """
    far = max(float(np.abs(plan.margins - before.margins).max()), 1e-9)
    done, step = 0.0, min(1.0, AT_ONCE / far)
    while done < 1.0:
        share = min(done + step, 1.0)
        between = _Plan(*(old + share * (new - old) for old, new in zip(before, plan)))
        try:
            iterate = solve_within(setting.base, _bounds(setting, between), iterate)
        except SolveError:
            if step * far < LEAST_STEP:
                raise
            step *= 0.5
        else:
            done = share
    return iterate


def _bounds(setting: _Setting, plan: _Plan) -> Bounds:
    """What a plan asks of the solver."""
    shape = setting.base.s.shape
    left, right = ((side @ plan.margins).reshape(shape) for side in (setting.left, setting.right))
    return Bounds(right, left, share=_shares(setting, plan))


def _solved(setting: _Setting, plan: _Plan, before: _Plan, iterate: Iterate) -> _State:
    """The minimum-time lap of a plan, its clearances and prices, from the lap of another."""
    base = setting.base
    share = _shares(setting, plan)
    if plan is not before:
        iterate = _reached(setting, before, iterate, plan)
    structure = iterate.structure
    stages = stages_of(structure)
    rows = (structure.stages, structure.constraints)
    count, small = structure.stages * structure.constraints, 1.0e-5
    values = []
    with stages.lock:
        for factor in (1.0, 1.0 + small, 1.0 - small):
            stages.load(with_share(structure, iterate.parameters, np.full(structure.stages, factor)))
            values.append(stages.value(iterate.x[stages.order])[1][:count].reshape(rows))
    multipliers = iterate.lam_g[:count].reshape(rows) * TYPICAL_TIME / structure.intervals
    n = (values[0][:, OFFSET_ROWS] + offset_weights(base.task.track, iterate.mesh, structure.stages)[1]).ravel()
    held = multipliers[:, OFFSET_ROWS].ravel()
    price = setting.left.T @ np.maximum(held, 0.0) + setting.right.T @ np.maximum(-held, 0.0)
    # what a node's constraints are worth for one more of its own grip, and of each corner's share through it
    by_node = (multipliers * (values[1] - values[2])).sum(axis=1) / (2.0 * small) / share
    return _State(
        plan, iterate, base.high.ravel() - n, n - base.low.ravel(), price,
        np.minimum(setting.share.T @ by_node, 0.0),
    )  # fmt: skip


def _chance(setting: _Setting, state: _State, plan: _Plan | None = None) -> Chance:
    """The chance of leaving on a solved plan, or on one nearby: its line shifted by the change of the margins."""
    changed = plan or state.plan
    by = changed.margins - state.plan.margins
    return chance_of_leaving(
        setting.passes, state.left + setting.left @ by, state.right + setting.right @ by, changed.shares,
    )  # fmt: skip


def _even(setting: _Setting, state: _State, chance: float) -> _Plan:
    """A first plan: the same margin everywhere, as far as there is road, such that the chance is kept about."""
    low, high = 0.0, float(setting.most.max())

    def plan(margin: float) -> _Plan:
        return _Plan(np.minimum(margin, setting.most), state.plan.shares)

    for _ in range(12):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if _chance(setting, state, plan(middle)).lap < chance else (middle, high)
    return plan(high)


def _better(setting: _Setting, state: _State, asked: tuple[float, float], charged: float) -> tuple[_Plan, float]:
    """The best plan near a solved one, its time taken linear, and what it should gain in expected time [s].

    Raises
    ------
    InputError
        None keeps the chance.
    """
    from scipy.optimize import minimize

    chance, cost = asked
    size = setting.most.size
    last = np.concatenate([state.plan.margins, state.plan.shares])
    prices = np.concatenate([state.price, state.price_of_share])
    goal = math.log(AIMED * chance)
    known: dict[bytes, tuple[float, Array]] = {}

    def leaving(x: Array) -> tuple[float, Array]:
        key = x.tobytes()
        if key not in known:
            known.clear()
            found = _chance(setting, state, _Plan(x[:size], x[size:]))
            by = setting.left.T @ found.by_left + setting.right.T @ found.by_right
            known[key] = max(found.lap, 1e-15), np.concatenate([by, found.by_share])
        return known[key]

    def time(x: Array) -> tuple[float, Array]:
        lap, by = leaving(x)
        by_margin = np.where(np.arange(x.size) < size, charged, 0.0) * (x - last)
        return float(prices @ (x - last) + 0.5 * by_margin @ (x - last)) + cost * lap, prices + cost * by + by_margin

    far = np.concatenate([np.full(size, FARTHEST), np.full(last.size - size, FARTHEST_SHARE)])
    least = np.maximum(last - far, np.concatenate([np.zeros(size), np.full(last.size - size, LEAST_SHARE)]))
    most = np.minimum(last + far, np.concatenate([setting.most, np.ones(last.size - size)]))
    kept: dict[str, Any] = {
        "type": "ineq", "fun": lambda x: goal - math.log(leaving(x)[0]), "jac": lambda x: -leaving(x)[1] / leaving(x)[0]
    }  # fmt: skip
    found = minimize(
        time, last, jac=True, bounds=list(zip(least, most)), constraints=[kept], method="SLSQP",
        options={"maxiter": 40, "ftol": 1e-7},
    )  # fmt: skip
    x = np.clip(found.x, least, most)
    if leaving(x)[0] > chance and (x[:size] >= setting.most - 1e-6).all():
        raise InputError(
            f"no margin on this road keeps a chance of {chance:g} with such scatter",
            where="margin_lap",
            remedy="Ask for a greater chance",
        )
    return _Plan(x[:size], x[size:]), cost * _chance(setting, state).lap - time(x)[0]


def _result(
    setting: _Setting,
    computed: Lap,
    lap: Lap,
    state: _State,
    found: Chance,
    ideal: Chance,
    marks: tuple[CornerMarks, ...],
    asked: tuple[float, float],
) -> MarginLap:
    base, scatter = setting.base, setting.scatter
    track, s = base.track, base.s.ravel()
    stretches = corner_stretches(track)
    clocks = [[time_in(each, one) for one in stretches] for each in (lap, computed)]
    none = scatter.none
    held = np.where(
        setting.left > 0.5, state.left[:, None], np.where(setting.right > 0.5, state.right[:, None], np.inf)
    )
    least = np.maximum(held.min(axis=0), 0.0)
    corners = [
        CornerMargin(
            corner=mark.corner.number,
            turn_in=float(least[3 * k]),
            apex=float(least[3 * k + 1]),
            track_out=float(least[3 * k + 2]),
            grip_share=float(state.plan.shares[k]),
            chance=0.0 if none else float(found.corners[k]),
            chance_on_computed=0.0 if none else float(ideal.corners[k]),
            time_lost=clocks[0][k] - clocks[1][k],
        )
        for k, mark in enumerate(marks)
    ]
    sigma = setting.passes.scatter_at(s)
    own = np.mod(s, track.length) if track.closed else s
    order = np.argsort(own, kind="stable")
    return MarginLap(
        lap=lap, computed=computed, scatter=scatter, corners=Table(corners),
        time_lost=0.0 if lap is computed else time_lost(base, state.iterate),
        chance=0.0 if none else found.lap,
        chance_on_computed=0.0 if none else ideal.lap,
        stated_chance=asked[0], cost=asked[1],
        s=own[order], n=(base.high.ravel() - state.left)[order], sigma=sigma[order],
    )  # fmt: skip
