"""Values that cannot be: leaps no kart can drive, positions held while it moved, a speed in the wrong unit."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import permutations
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.files.recordings.channel_units import UNITS
from linelab.recorded.robust_series import BUSY, LEAST, Chosen, Path, judge_series, repeats, robust_scatter
from linelab.units import Array

#: Faster than this between two samples [m/s], beyond some room for the receiver's own error [m], is no driving.
_FASTEST, _ROOM = 100.0, 10.0
#: So many stretches back a way through the positions may have left out what lies between.
_BACK = 6
#: Share of such steps beyond which it is the units that are wrong, not single positions.
_MOST_LEAPS = 0.2
#: A position is held, not rounded, when the next one lies farther than this [m] and three steps of its own rounding.
_HELD_LEAP = 0.3
#: Positions within this share of a step lie on a grid.
_ON_GRID = 0.05
#: Slower than this [m/s] a position may well stay the same.
_MOVING = 2.0
#: The speed channel is in doubt when it is this far off the speed of the positions; so near a ratio of units is told.
_DOUBT, _MATCH = 0.15, 0.03


def teleports(t: Array, x: Array, y: Array) -> tuple[NDArray[np.bool_], str]:
    """Samples that could not be reached from the others.

    Of all ways through the stretches between leaps, each driven on to from the one before, the one that keeps most
    samples is trusted; of a stretch where the receiver settled elsewhere what time puts within reach counts.

    Parameters
    ----------
    t : (N,) array
        Increasing [s].
    x, y : (N,) array
        [m].

    Returns
    -------
    out : (N,) array of bool
        True where a sample must go.
    note : str
        A sentence when the leaps are too many for single faults; nothing is marked then.
    """
    none = np.zeros(t.size, dtype=bool)
    if t.size < 3:
        return none, ""
    leap = np.hypot(np.diff(x), np.diff(y)) > _FASTEST * np.diff(t) + _ROOM
    cuts = np.flatnonzero(leap) + 1
    if cuts.size == 0:
        return none, ""
    if cuts.size > max(_MOST_LEAPS * t.size, 10):
        return none, (
            f"{cuts.size} of {t.size - 1} steps are faster than {_FASTEST:.0f} m/s: "
            "check the units of time and positions"
        )
    first = np.concatenate([[0], cuts])
    last = np.concatenate([cuts, [t.size]]) - 1
    most, began = np.zeros(first.size, dtype=int), np.zeros(first.size, dtype=int)
    before = np.full(first.size, -1)
    for j, (a, b) in enumerate(zip(map(int, first), map(int, last + 1))):
        most[j], began[j] = b - a, a
        # From one of the stretches just before, or from the best way so far where those are all astray.
        for i in {*range(max(j - _BACK, 0), j), int(np.argmax(most[:j])) if j else 0} - {j}:
            k = int(last[i])
            within = np.hypot(x[a:b] - x[k], y[a:b] - y[k]) <= _FASTEST * (t[a:b] - t[k]) + _ROOM
            reached = a + int(np.argmax(within))
            if within[reached - a] and most[i] + b - reached > most[j]:
                most[j], began[j], before[j] = most[i] + b - reached, reached, i
    out = ~none
    run = int(np.argmax(most))
    while run >= 0:
        out[began[run] : last[run] + 1] = False
        run = int(before[run])
    return out, ""


def held_positions(t: Array, x: Array, y: Array, speed: Array) -> NDArray[np.bool_]:
    """Samples that repeat the position before although the kart moved.

    Parameters
    ----------
    t : (N,) array
        Increasing [s].
    x, y : (N,) array
        [m].
    speed : (N,) array
        Speed channel [m/s]; NaN where there is none.

    Returns
    -------
    (N,) array of bool
    """
    out = np.zeros(t.size, dtype=bool)
    same = (np.diff(x) == 0.0) & (np.diff(y) == 0.0)
    if not same.any():
        return out
    first = np.flatnonzero(np.concatenate([[True], ~same]))
    after = np.minimum(np.append(first[1:], t.size), t.size - 1)
    count = np.diff(np.append(first, t.size))
    leap, lasted = np.hypot(x[after] - x[first], y[after] - y[first]), np.maximum(t[after] - t[first], 1e-9)
    said = np.minimum(np.maximum.reduceat(np.nan_to_num(speed, nan=-1.0), first), 1e6)
    driven = (leap / lasted > _MOVING) & ((said < 0.0) | (said > 0.5 * _MOVING))
    moving = driven & (leap > _HELD_LEAP + 3.0 * max(_rounding(x), _rounding(y)))
    usual = float(np.median(count[driven])) if driven.any() else 1.0
    if usual > 1.0 and np.count_nonzero(count[driven] == usual) > 0.8 * np.count_nonzero(driven):
        moving = driven  # rows come faster than the receiver's positions, however coarse these are
    # The last position of all is followed by none: there only the speed channel can tell.
    moving[-1] = bool(said[-1] > _MOVING and said[-1] * lasted[-1] > _HELD_LEAP + 3.0 * _rounding(x))
    if moving.size > 1 and count[-1] <= count[-2]:
        moving[-1] |= moving[-2]
    held = np.repeat(moving & (count > 1), count)
    out[held] = True
    out[first] = False
    return out


def _rounding(values: Array) -> float:
    """Smallest step that occurs, which is the rounding of a coarse receiver [m]."""
    steps = np.abs(np.diff(values))
    steps = steps[steps > 1e-6]
    return float(np.percentile(steps, 1.0)) if steps.size else 0.0


def grid_step(values: Array) -> float:
    """Step of the grid on which positions (N,) lie, as those with too few decimals do; 0 where there is none [m]."""
    step = _rounding(values)
    if step <= 0.0:
        return 0.0
    cells = (values - values[0]) / step
    return step if float(np.quantile(np.abs(cells - np.round(cells)), 0.95)) < _ON_GRID else 0.0


def speed_ratio(t: Array, x: Array, y: Array, speed: Array) -> float | None:
    """Median ratio of the speed channel to the speed of the positions over about a second; None where too little moves.

    All arrays (N,): time [s], positions [m], speed channel [m/s].
    """
    if t.size < 20:
        return None
    step = float(np.median(np.diff(t)))
    if step > 2.0:
        return None
    reach = max(round(1.0 / step), 1)
    spans, ways = t[reach:] - t[:-reach], np.hypot(x[reach:] - x[:-reach], y[reach:] - y[:-reach])
    said = 0.5 * (speed[reach:] + speed[:-reach])
    good = (spans < 1.5 * max(reach * step, step)) & (ways > 3.0 * spans) & (ways > 3.0) & np.isfinite(said)
    if good.sum() < 10:
        return None
    return float(np.median(said[good] * spans[good] / ways[good]))


def doubt_of_speed(ratio: float) -> str:
    """Sentence on a speed channel that does not fit the positions; empty where it does."""
    if abs(ratio - 1.0) <= _DOUBT:
        return ""
    table = UNITS["speed"]
    pairs = [(abs(ratio / (table[taken] / table[true]) - 1.0), true, taken) for true, taken in permutations(table, 2)]
    off, true, taken = min(pairs)
    found = f"the speed channel reads {ratio:.3g} times the speed of the positions"
    if off > _MATCH:
        return f"{found}. No mistaken unit explains that: it is not used; check the channel"
    return (
        f"{found}, as {true} read as {taken} would: it is not used; "
        f"state its unit (--unit speed={true}, in Python units={{'speed': '{true}'}})"
    )


#: Slower than the one neither the direction of travel is judged nor a value that stays the same, nor does a motion turn
#: more readily than at the other [m/s].
_JUDGED, _SLOW = 3.0, 5.0
#: What another source says of a channel is wrong for about this long at a time [s].
_LASTING = 0.5


class _Kind(NamedTuple):
    """A channel: its name in a sentence, its least noise, and how far arbitrary values lie off, in its own unit."""

    words: str
    finest: float
    wide: float


_KINDS = {
    "speed": _Kind("speeds", 0.06, 20.0),  # m/s
    "course": _Kind("courses", 0.003, 1.5),  # rad
    "ax": _Kind("forward accelerations", 0.05, 20.0),  # m/s²
    "ay": _Kind("sideways accelerations", 0.05, 20.0),  # m/s²
    "yaw_rate": _Kind("yaw rates", 0.005, 2.0),  # rad/s
}


def arbitrary_values(t: Array, path: Path, channels: Mapping[str, Array]) -> dict[str, Chosen]:
    """Which values of each channel are set aside.

    The speed is held against the path's, the course against the path's direction, and what an inertial sensor shows,
    whose mounting is not known yet, against its own middle; each also against the values around it.  A value that
    is held while the kart moves is no measurement either.

    Parameters
    ----------
    t : (N,) array
        Increasing [s].
    path : Path
        Through the positions.
    channels : mapping of str to (N,) array
        By name, "speed" among them, with gaps as NaN; other names than those above are not judged.

    Returns
    -------
    dict of str to (N,) array of bool
        Of channels that have any to be set aside.
    """
    if t.size < LEAST:
        return {}
    v = np.hypot(path.velocity[:, 0], path.velocity[:, 1])
    turning = BUSY / np.maximum(v, _SLOW) ** 2
    found: dict[str, Chosen] = {}
    for name, kind in _KINDS.items():
        values = channels.get(name)
        if values is None or np.isfinite(values).sum() < LEAST:
            continue
        held = repeats(values) & (v > _JUDGED)
        order, density, around = 1, BUSY if name != "yaw_rate" else turning, None
        if name == "speed":
            order, around = 2, v
        elif name == "course":
            order, density = 2, turning
            heading = 0.5 * np.pi - np.arctan2(path.velocity[:, 1], path.velocity[:, 0])
            values = np.where(v > _JUDGED, np.angle(np.exp(1j * (values - heading))), np.nan)
        arbitrary = _arbitrary(t, values, held, around, order, density, kind)
        if arbitrary.any():
            found[name] = arbitrary
    return found


def _arbitrary(
    t: Array, values: Array, held: Chosen, around: Array | None, order: int, density: Array | float, kind: _Kind
) -> Chosen:
    """Which values (N,) of a channel are arbitrary; ``around`` is what another source says, its own middle if None.

    Those ``held`` since an earlier one say nothing of their own: they go where the rest is farther from their run than
    channel and source usually are from each other.
    """
    sigma = robust_scatter(t, values)
    off = values - (0.0 if around is None else around)
    if not np.isfinite(sigma) or np.isfinite(off).sum() < LEAST:
        return np.zeros(t.size, dtype=np.bool_)
    middle = float(np.nanmedian(off))
    apart = 1.4826 * float(np.nanmedian(np.abs(off - middle)))
    sigma = max(sigma, kind.finest)
    prior = np.full(t.size, middle) if around is None else around
    judged = judge_series(
        t, np.where(held, np.nan, values)[:, None], sigma, order=order, density=density, wide=kind.wide,
        prior=(prior[:, None], max(apart, sigma)), lasting=max(_LASTING / float(np.median(np.diff(t))), 1.0),
    )  # fmt: skip
    run = np.cumsum(~held)
    gaps = np.where(held, np.clip(values - judged.fit[:, 0], -1e100, 1e100), 0.0) / np.hypot(sigma, apart)
    mean = np.bincount(run, gaps**2) / np.maximum(np.bincount(run, held), 1.0)
    return judged.arbitrary | (held & (mean[run] > 1.0))


def told(channels: Mapping[str, Array], arbitrary: Mapping[str, Chosen]) -> list[str]:
    """A sentence for each channel of which values are set aside."""
    return [
        f"{int(which.sum())} of {int(np.isfinite(channels[name]).sum())} {_KINDS[name].words} set aside: "
        "no kart could have shown them there"
        for name, which in arbitrary.items()
    ]
