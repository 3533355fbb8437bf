"""What a session's driver does, and what each habit costs: the driver model fitted, and driven again without it.

A habit's stake is what re-driving without it gains over the whole lap, the straight after it included.  Where two
habits share a corner their stakes overlap a little; each is what its own leaving out would bring first.  A corner's
line is held against the best one with the grip he uses, as his hands round it and as far from the edges as he keeps
all round: those are numbers of the session and no corner's fault.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.diagnosis import priors
from linelab.diagnosis.driver_model import (
    BRAKE,
    COAST,
    DRIVE,
    EARLY,
    GRIP,
    HABITS,
    LASTS,
    LATE,
    LOST,
    SHARE,
    SLOW,
    SOFT,
    UNTIL,
    WHEN,
    Index,
    Model,
    drive_laps,
    ideal_places,
    interval_times,
    way_of,
)
from linelab.diagnosis.fitting import Driven, Pushes, bend_at, kind_of, misfits, pushes_at, waves_of, windows_of
from linelab.diagnosis.habits import Explained, by_lap, explain, on_passes, without
from linelab.diagnosis.kinds import FaultKind, Quantity
from linelab.diagnosis.losses import NODES
from linelab.diagnosis.marks import CornerMarks
from linelab.diagnosis.own_line import ROOM, OwnLine, course_on, curvature_error, drawn_lines, lap_offsets, own_line
from linelab.measured import Measured
from linelab.model.grip import kart_numbers
from linelab.model.kart import Kart
from linelab.model.lap import Lap
from linelab.model.track import Track, since
from linelab.motion.estimate import DrivenLap
from linelab.optimum.minimum_time import solve_min_time
from linelab.units import Array

#: What lines are called that are off to the inside on the way in, to the outside at the apex, inside on the way out.
LINES: tuple[FaultKind, ...] = ("turns_in_early", "apex_missed", "exit_unused")
#: How far before the turn-in and past the track-out a line counts [m].
SHOULDER = 8.0
LINE_KINDS: tuple[FaultKind, ...] = (*LINES, "line_other")
#: Habits of slowing for a corner; the others are of leaving it.
SLOWING = (EARLY, SOFT, COAST, SLOW)


class Done(NamedTuple):
    """How much of a habit there is, in its own unit."""

    size: Measured
    quantity: Quantity


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Finding:
    """One habit in one corner.

    Parameters
    ----------
    kind : FaultKind
    corner : int
        Index into the corners in driving order.
    cost : Measured
        What driving without it gains a lap [s].
    laps : (L,) array
        The same lap by lap [s].
    done : Done
        How large it is.
    rival : FaultKind or None
        What else the recording might show instead.
    likely : float
        How likely this habit is beside that one [-].
    other : int or None
        The next corner, or the one before, where the speed falls all the way from one to the other: power late out of
        the one and rolling into the other are then the same driving.
    other_apex : bool
        Whether the apex that is missed is the other one of a corner with two.
    """

    kind: FaultKind
    corner: int
    cost: Measured
    laps: Array
    done: Done
    rival: FaultKind | None = None
    likely: float = 1.0
    other: int | None = None
    other_apex: bool = False

    @property
    def significant(self) -> bool:
        """Whether it is said: its cost is clear of none, and a line is seen to be off."""
        seen = self.kind not in LINE_KINDS or (self.done.size.value or 0.0) > 2.0 * (self.done.size.sigma or 0.0)
        return seen and (self.cost.value or 0.0) > priors.CLEAR * (self.cost.sigma or 0.0)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Diagnosis:
    """A session explained.

    Parameters
    ----------
    own : OwnLine
    explained : Explained
    corner : (K,) array
        Index of the corner that each slow place belongs to.
    laps : (L, K, SIZE) array
        Habits of single laps.
    findings : tuple of Finding
        Dearest first.
    """

    own: OwnLine
    explained: Explained
    corner: Index
    laps: Array
    findings: tuple[Finding, ...]


def diagnose(
    own: OwnLine,
    laps: Sequence[DrivenLap],
    marks: tuple[CornerMarks, ...],
    *,
    grip: float = 1.0,
    usual: NDArray[np.bool_] | None = None,
    power: Measured | None = None,
    sure: bool = True,
) -> Diagnosis:
    """Explain a session.

    Parameters
    ----------
    own : OwnLine
        Of the usual laps, against the minimum-time lap of this track, kart and grip.
    laps : sequence of DrivenLap
        (L,).
    marks : tuple of CornerMarks
        Of the minimum-time lap.
    grip : float
        The factor on mu that it was solved for [-].
    usual : (L,) array of bool, optional
        Which of the laps are the driver's usual ones; all when not given.
    power : Measured, optional
        Engine force as the straights show it, as a factor on the kart's [-].
    sure : bool
        Whether edges and kart are known so well that lines and the speed in corners can be judged; what the feet do is
        judged in either case.
    """
    track, kart = own.track, own.kart
    kept = np.ones(len(laps), dtype=bool) if usual is None else np.asarray(usual)
    course = course_on(own, own.driven, grip=grip)
    v = np.interp(course.s, own.s, own.v)
    every = [drive for drive, keep in zip(laps, kept) if keep]
    noise = [np.interp(course.s, drive.lap.line.s, drive.sigma_v) for drive in every]
    driven = Driven(
        model=Model(kart=kart_numbers(kart), engine_braking=kart.engine_braking), course=course, v=v,
        sigma=np.sqrt(priors.SPEED**2 + np.mean(np.square(noise), axis=0) / len(every)),
        entry=100.0 if track.closed else float(v[0]), sure=sure,
        bend=curvature_error(own, every, course),
        corners=np.array([(mark.turn_in, mark.track_out) for mark in marks]).reshape(-1, 2),
        **({} if sure or track.left_z is not None else {"waves": waves_of(course)}), **_likely_numbers(power),
    )  # fmt: skip
    found = explain(driven)
    corner = nearest_corners(track, course.s[found.places], marks)
    each = np.array([np.interp(course.s, drive.lap.line.s, drive.lap.v) for drive in laps])
    single = by_lap(found, each)
    findings = _habits(found, corner, single, kept)
    if sure:
        best = own_line(track, kart, every, _best_lap(own, found, grip))
        findings += _lines(best, found, marks, grip, laps, every)
    return Diagnosis(
        own=own, explained=found, corner=corner, laps=single,
        findings=tuple(sorted(findings, key=lambda finding: -(finding.cost.value or 0.0))),
    )  # fmt: skip


def _likely_numbers(power: Measured | None) -> dict[str, Array]:
    """What the session's numbers are likely to be: the engine's force is seen on the straights, not guessed."""
    middle, scale = priors.SESSION_MIDDLE.copy(), priors.SESSION_SCALE.copy()
    if power is not None and power.value is not None:
        middle[DRIVE], scale[DRIVE] = power.value, math.hypot(priors.POWER, power.sigma or 0.0)
    return {"middle": middle, "scale": scale}


def careful_lap(track: Track, kart: Kart, grip: float) -> Lap:
    """The fastest lap that keeps ROOM farther from the edges; how it differs matters, not its time."""
    wider = replace(kart, width=kart.width + 2.0 * ROOM)
    return solve_min_time(track, wider, grip=grip, tolerance=0.05, verify=False).lap


def _best_lap(own: OwnLine, found: Explained, grip: float) -> Lap:
    """The fastest lap with this driver's share of grip and braking, as far from the edges as he keeps all round.

    A line that is best with all of the grip is none with less: where it is taken flat out he has to slow down.
    """
    share, brake = np.clip(found.session[[SHARE, BRAKE]], 0.7, 1.1).tolist()
    own_kart = replace(
        own.kart, width=own.kart.width + 2.0 * own.room, mu_longitudinal=brake * own.kart.mu_longitudinal
    )
    return solve_min_time(own.track, own_kart, grip=grip * share, tolerance=0.05, verify=False).lap


def nearest_corners(track: Track, stations: Array, marks: Sequence[CornerMarks]) -> Index:
    """Index of the corner whose apex is nearest to each station (K,)."""
    return np.asarray(np.abs([since(track, mark.apex, stations) for mark in marks]).argmin(axis=0))


def _habits(found: Explained, corner: Index, single: Array, usual: NDArray[np.bool_]) -> list[Finding]:
    """What the driver's feet do, place by place.

    How a corner is slowed for is one thing to change, and how it is left another: the dearest habit of each names it,
    and what all of them cost together is its stake.  A habit that is not clear of none by itself goes with the dearest
    of its place.
    """
    active = np.argwhere(found.sizes[:, : len(HABITS)] > 0.0)
    v = found.laps(np.array([found.sizes, *(without(found.sizes, k, [h]) for k, h in active)]))
    spent = _clock(found, v)
    alone = spent[0] - spent[1:]
    left, worse = _unexplained(found, v[:, 0]), _worse(found, v[:, 0])
    pushes = pushes_at(found.driven, found.places, found.session)
    errors = np.array([
        _feet_sigma(
            found, single[usual], k, h, stake, left[k], worse[k],
            slides=kind_of(h, found.sizes[k], pushes[k]) == "slide",
        )
        for (k, h), stake in zip(active.tolist(), alone.tolist())
    ])  # fmt: skip
    clear = alone > priors.CLEAR * errors
    kept: list[tuple[int, Index]] = []
    for k in np.unique(active[:, 0]):
        here = np.flatnonzero(active[:, 0] == k)
        slowing = np.isin(active[here, 1], SLOWING)
        dearest = int(alone[here].argmax())
        same = slowing == slowing[dearest]
        kept.append((int(here[dearest]), here[same | ~clear[here]]))
        other = here[~same & clear[here]]
        if other.size:
            kept.append((int(other[alone[other].argmax()]), other))
    bare = np.array([without(found.sizes, active[row, 0], active[rows, 1]) for row, rows in kept])
    stakes = spent[0] - _times(found, bare) if kept else []
    rolled = _rolled_since_before(found)
    findings = []
    for (row, rows), stake in zip(kept, stakes):
        k, h = active[row].tolist()
        size, sigma = float(found.sizes[k, h]), math.hypot(*errors[rows])
        laps = stake * single[:, k, h] / size
        kind, place = kind_of(h, found.sizes[k], pushes[k]), k
        done = _done(found.sizes[k], h, kind, pushes[k], sigma / max(stake, 1e-3))
        if h == COAST and rolled[k] > 0.0:
            # Off the pedals since the corner before: the power never came, and it is that corner's.
            kind, place = "power_late", (k - 1) % found.places.size
            done = Done(Measured(float(rolled[k]), sigma / max(stake, 1e-3) * float(rolled[k])), "time")
        rival, likely = _rival(found, k, kind, pushes[k]) if place == k else (None, 1.0)
        findings.append(
            Finding(
                kind=kind,
                corner=int(corner[place]),
                cost=Measured(float(stake), sigma),
                laps=laps,
                done=done,
                rival=rival,
                likely=likely,
                other=_same_driving(found, corner, place, kind),
            )
        )
    return _same_once(findings)


def _same_once(findings: Sequence[Finding]) -> list[Finding]:
    """One finding of each kind and corner: what is lost there twice, or over two slow places, is said once."""
    alike: dict[tuple[FaultKind, int], list[Finding]] = {}
    for finding in findings:
        alike.setdefault((finding.kind, finding.corner), []).append(finding)
    found = []
    for each in alike.values():
        first = max(each, key=lambda finding: finding.cost.value or 0.0)
        values, errors = ([getattr(one.cost, name) or 0.0 for one in each] for name in ("value", "sigma"))
        cost = Measured(sum(values), math.hypot(*errors))
        found.append(replace(first, cost=cost, laps=np.sum([one.laps for one in each], axis=0)))
    return found


def _unexplained(found: Explained, v: Array) -> Array:
    """Time that the model's speed (N,) leaves unexplained about each place (K,) [s]: half of what it gains and loses on
    the driven speed on the way from the place before to the one after."""
    given, places, count = found.driven, found.places, found.places.size
    h, closed = given.course.h, given.course.closed
    off = interval_times(h, v, closed=closed) - interval_times(h, given.v, closed=closed)
    left = np.zeros(count)
    for k in range(count):
        first = int(places[k - 1]) if k or closed else 0
        last = int(places[(k + 1) % count]) if k < count - 1 or closed else off.size
        way = np.arange(first, last + off.size * (last <= first)) % off.size
        left[k] = 0.5 * np.ptp(np.append(0.0, np.cumsum(off[way])))
    return left


def _worse(found: Explained, v: Array) -> Array:
    """How much farther off the model's speed (N,) is about each place than its error says, at least 1 (K,) [-].

    Errors are multiplied by it (the scale factor of S. Navas et al., Particle Data Group, Review of particle physics,
    2024, section 5.2.2; from memory).
    """
    windows = windows_of(found.driven, found.places)
    return np.asarray(np.sqrt(np.maximum(misfits(found.driven, windows, v) / windows.use.sum(axis=0), 1.0)))


def _feet_sigma(
    found: Explained, single: Array, k: int, h: int, stake: float, left: float, worse: float, *, slides: bool
) -> float:
    """What the stake of a habit may be off by [s]; ``single`` are the usual laps' habits (L, K, SIZE), ``left`` is what
    the model leaves unexplained there [s], ``slides`` whether it is a slide."""
    known = stake * single[:, k, h] / float(found.sizes[k, h])
    scatter = float(np.std(known, ddof=1)) / math.sqrt(known.size) if known.size > 2 else 0.0
    share, time = found.driven.model_error(slides=slides)
    fitted = float(found.errors[k, h]) if found.driven.ground.size else 0.0
    return math.sqrt(scatter**2 + worse**2 * (fitted**2 + (share * stake) ** 2 + time**2) + left**2)


def _same_driving(found: Explained, corner: Index, k: int, kind: FaultKind) -> int | None:
    """The corner on the other side of the way that is rolled, where the speed falls from one to near the other."""
    step = {"power_late": 1, "coasts": -1}.get(kind)
    other = k + (step or 0)
    count, closed = found.places.size, found.driven.course.closed
    if step is None or count < 2 or not (closed or 0 <= other < count):
        return None
    first, last = (int(found.places[i % count]) for i in sorted((k, other)))
    nodes = np.arange(first, last + 1 + found.driven.v.size * (last < first)) % found.driven.v.size
    v = found.driven.v[nodes]
    lowest = int(v.argmin())
    rises = float((v - np.minimum.accumulate(v))[: lowest + 1].max())
    return int(corner[other % count]) if rises < priors.LEAST_PROMINENCE and 2 * lowest > v.size else None


def _rolled_since_before(found: Explained) -> Array:
    """How long both pedals stay up after the place before, where no speed has been gained since then (K,) [s]."""
    given, places, sizes = found.driven, found.places, found.sizes
    course, v, rolled = given.course, given.v, np.zeros(found.places.size)
    ideal = ideal_places(given.model, [course], places, found.session[None], entry=given.entry)
    way = way_of(course)
    for k in np.flatnonzero(sizes[:, COAST] > 0.0).tolist():
        if not (k or course.closed):
            continue
        gap = float(way[places[k]] - way[places[k - 1]]) + (float(way[-1]) if k == 0 else 0.0)
        began = min(float(ideal.onset[k, 0] + sizes[k, COAST] * ideal.slowed[k, 0]), gap)
        off = float(np.interp(np.mod(way[places[k]] - began, way[-1]), way[: v.size], v))
        before = float(v[places[k - 1]])
        if off < before + priors.LEAST_PROMINENCE:
            rolled[k] = max(gap + float(sizes[k, UNTIL]), 0.0) / before
    return rolled


def _done(sizes: Array, habit: int, kind: FaultKind, pushes: Pushes, share: float) -> Done:
    """How much of a habit there is in a place's numbers (SIZE,); ``share`` is its relative standard deviation."""
    size = float(sizes[habit])
    if habit == LOST and kind == "power_late":
        waited = max(float(sizes[WHEN] + sizes[LASTS]), 0.1)
        return Done(Measured(waited, share * waited), "time")
    if habit == LOST:
        # The loss rises and falls evenly: the part of that triangle which the engine does not make up for.
        peak = size / float(sizes[LASTS])
        over = max(peak - pushes[kind == "power_abrupt"], 0.0)
        size *= (over / peak) ** 2
    if habit == SOFT:
        return Done(Measured(math.exp(-size), share * size * math.exp(-size)), "number")
    quantity: Quantity = "place" if habit == EARLY else "time" if habit in (COAST, LATE) else "speed"
    return Done(Measured(size, share * size), quantity)


class Slip(NamedTuple):
    """What is done otherwise than usual on one pass of a corner: a habit, and how much more of it there is."""

    kind: FaultKind
    done: Done


def slip_on(found: Diagnosis, lap: Lap, corner: int, share: float) -> Slip | None:
    """What is done otherwise on one lap's pass of a corner; None where the speed does not tell one kind from others.

    ``share`` is the relative standard deviation of what it costs [-].
    """
    explained = found.explained
    v = np.interp(explained.driven.course.s, lap.line.s, lap.v)
    pushes = pushes_at(explained.driven, explained.places, explained.session)
    places = np.flatnonzero(found.corner == corner).tolist()
    best: tuple[float, Slip] | None = None
    for k, (sizes, likely) in zip(places, on_passes(explained, v, places)):
        more = sizes[: len(HABITS)] - explained.sizes[k, : len(HABITS)]
        habit = int((more / priors.SCALE[: len(HABITS)]).argmax())
        with_it, usual = np.repeat(explained.sizes[None], 2, axis=0)
        with_it[k] = sizes
        spent = _times(explained, np.array([with_it, usual]))
        if more[habit] > 0.0 and likely >= priors.SURE and (best is None or spent[0] - spent[1] > best[0]):
            kind = kind_of(habit, sizes, pushes[k])
            row = np.where(np.arange(sizes.size) == habit, more[habit], sizes)
            best = float(spent[0] - spent[1]), Slip(kind, _done(row, habit, kind, pushes[k], share))
    return None if best is None or best[0] <= 0.0 else best[1]


def _rival(found: Explained, k: int, kind: FaultKind, pushes: Pushes) -> tuple[FaultKind | None, float]:
    """What else explains a place nearly as well without this habit, and how likely the habit itself is [-]."""
    own, other, named = math.inf, math.inf, None
    for rival in dict(found.rivals).get(k, ()):
        kinds = [kind_of(habit, rival.sizes, pushes) for habit in rival.habits]
        if kind in kinds:
            own = min(own, rival.cost)
        elif kinds and rival.cost < other:
            other, named = rival.cost, kinds[0]
    if not math.isfinite(own) or named is None:
        return None, 1.0
    likely = 1.0 / (1.0 + math.exp(min(0.5 * (own - other), 50.0)))
    return (named, likely) if likely < priors.SURE else (None, 1.0)


def _times(found: Explained, sizes: Array) -> Array:
    """Lap times with these habits (L, K, SIZE) [s]."""
    return _clock(found, found.laps(sizes))


def _clock(found: Explained, v: Array) -> Array:
    """Lap times at these speeds (N, L) [s]."""
    course = found.driven.course
    return np.asarray(interval_times(course.h[:, None], v, closed=course.closed).sum(axis=0))


def _stretches(track: Track, s: Array, v: Array, marks: Sequence[CornerMarks]) -> Array:
    """Nodes at which each corner's line decides the speed (C, N) [-]: between the fastest places before and after."""
    count, rows = len(marks), np.zeros((len(marks), s.size))
    cuts = []
    for k in range(count if track.closed else count - 1):
        after = (k + 1) % count
        end = marks[after].apex + (track.length if after <= k else 0.0)
        ahead = np.mod(s - marks[k].apex, track.length) if track.closed else s - marks[k].apex
        nodes = np.flatnonzero((ahead >= 0.0) & (ahead < end - marks[k].apex))
        cuts.append(float(s[nodes[v[nodes].argmax()]]))
    for k in range(count):
        if not track.closed:
            first, last = (cuts[k - 1] if k else -np.inf), (cuts[k] if k < count - 1 else np.inf)
            rows[k] = (s >= first) & (s < last)
        elif count == 1:
            rows[k] = 1.0
        else:
            since, until = np.mod(s - cuts[k - 1], track.length), np.mod(cuts[k] - cuts[k - 1], track.length)
            rows[k] = since < until
    return rows


def _lines(
    own: OwnLine,
    found: Explained,
    marks: tuple[CornerMarks, ...],
    grip: float,
    laps: Sequence[DrivenLap],
    usual: Sequence[DrivenLap],
) -> list[Finding]:
    """What the driver's line costs corner by corner.

    Both lines are driven by the same feet; a corner's line costs what is lost from the fastest place before the corner
    to the one after it, so corners add up to the lap.
    """
    d, target = own.departure, own.target
    noise = drawn_lines(own, usual)
    aim, line = (course_on(own, n, grip=grip, step=NODES) for n in (target, own.driven))
    courses = [aim, aim, line]
    courses += [course_on(own, n, step=NODES, ground=line.surface) for n in own.driven + noise]
    places = np.searchsorted(courses[0].s, found.driven.course.s[found.places])
    count = len(courses)
    sizes = np.repeat(found.sizes[None], count, axis=0)
    part, unsure = _of_the_line(found)
    sizes[:2, :, GRIP] -= part, part - unsure
    v = drive_laps(
        found.driven.model, courses, places, sizes,
        np.repeat(found.session[None], count, axis=0), entry=found.driven.entry,
    )  # fmt: skip
    h = np.array([course.h for course in courses]).T
    spent = interval_times(h, v, closed=found.driven.course.closed)
    where = _stretches(own.track, courses[0].s, v[:, [0, 2]].mean(axis=1), marks)
    times = where[:, : len(spent)] @ spent
    # Noise in a line makes it slower: what it adds to the recorded line it has added to the driver's already.
    best, doubted, driven = times[:, :3].T
    again = times[:, 3:] - driven[:, None]
    lost = driven - best - (again.mean(axis=1) if len(noise) else 0.0)
    unknown = np.hypot(again.std(axis=1) if len(noise) else 0.0, doubted - best)
    share = np.array([np.interp(own.s, courses[0].s, row) for row in where])
    bias = own.shift_sigma
    single = lap_offsets(own, laps)[0] - own.moved - target
    named = [_line_kind(own, mark) for mark in marks]
    findings = []
    for corners in _humps(d, named).values():
        j = max(corners, key=lambda corner: named[corner].off)
        stake = float(lost[corners].sum())
        # A shift of the whole line by what is unknown of its place costs about as its own size does.
        weight = share[corners].sum(axis=0)
        size = max(float(np.abs(d * weight).max()), 1e-3)
        moved = stake * min(bias / size, 1.0) * priors.PLACE_SHARE
        # The model errs in every corner by itself, as far as each has part in it.
        each = np.abs(lost[corners])
        model = priors.MODEL_TIME * math.sqrt(each.sum() ** 2 / max(float((each**2).sum()), 1e-12))
        sigma = math.hypot(priors.MODEL_SHARE * stake, max(model, priors.MODEL_TIME), moved, *unknown[corners])
        findings.append(
            Finding(
                kind=named[j].kind,
                corner=j,
                cost=Measured(stake, sigma),
                laps=stake * _like(single, d, weight),
                done=Done(Measured(named[j].off, math.hypot(0.05, 0.5 * bias)), "length"),
                other_apex=named[j].other_apex,
            )
        )
    return findings


def _of_the_line(found: Explained) -> tuple[Array, Array]:
    """How much of each corner's own grip stands for curvature that the recorded line does not show, and what that may
    be off by (K,) [-].

    Both are likely to be near none within their scales; what is seen of the sum is shared by their variances.
    """
    grip, bend = np.minimum(found.sizes[:, GRIP], 0.0), bend_at(found.driven, found.places)
    share = bend**2 / (bend**2 + priors.SCALE[GRIP] ** 2)
    return grip * share, np.where(grip < 0.0, np.sqrt(share) * priors.SCALE[GRIP], 0.0)


class _Off(NamedTuple):
    """What a corner's line is called, how far it is off there [m], and where: the node of the departure; and whether it
    is the other apex that is missed."""

    kind: FaultKind
    off: float
    node: int
    other_apex: bool = False


def _humps(d: Array, named: Sequence[_Off]) -> dict[int, list[int]]:
    """Corners by the hump of the departure (N,) that they are named for: one may reach into the next corner."""
    high, tops = np.abs(d), dict[int, list[int]]()
    for j, off in enumerate(named):
        top = off.node
        while True:
            upper = max((top - 1) % d.size, (top + 1) % d.size, key=lambda i: high[i])
            if high[upper] <= high[top] or d[upper] * d[top] < 0.0:
                break
            top = upper
        tops.setdefault(top, []).append(j)
    return tops


def _line_kind(own: OwnLine, mark: CornerMarks) -> _Off:
    """What a corner's line is called: by the largest way off.  Entry is up to the first of two apexes, exit from the
    second one on."""
    inside = 1.0 if mark.corner.left else -1.0
    first, last = mark.apexes[0], mark.apexes[-1]
    (before, coming), (after, leaving) = (
        _offsets(own, begin, end)
        for begin, end in ((mark.turn_in - SHOULDER, first), (last, mark.track_out + SHOULDER))
    )
    wrong = np.array([inside * coming, np.where(before == before[-1], -inside * coming, -np.inf), inside * leaving])
    missed = -inside * leaving[0]
    if first != last and missed > max(float(wrong.max()), 0.0):
        return _Off("apex_missed", float(missed), int(after[0]), last == mark.other_apex)
    part, most = divmod(int(np.argmax(wrong)), before.size)
    if wrong[part, most] > 0.0:
        node = int((after if part == 2 else before)[most])
        return _Off(LINES[part], float(wrong[part, most]), node, part == 1 and first == mark.other_apex)
    off = np.abs(np.append(coming, leaving))
    return _Off("line_other", float(off.max()), int(np.append(before, after)[off.argmax()]))


def _offsets(own: OwnLine, begin: float, end: float) -> tuple[Index, Array]:
    """Nodes from one unwrapped station to another, and departures there [m]."""
    s = np.linspace(begin, max(end, begin + 0.1), 25)
    step = float(own.s[1] - own.s[0])
    node = np.rint((s - own.s[0]) / step).astype(np.intp)
    node = node % own.s.size if own.track.closed else np.clip(node, 0, own.s.size - 1)
    return node, own.departure[node]


def _like(rows: Array, d: Array, weight: Array) -> Array:
    """How much of a departure (N,) rows of them have, where a weight lies (L,) [-]."""
    return np.asarray((rows * d * weight).sum(axis=1) / max(float((d * d * weight).sum()), 1e-9))
