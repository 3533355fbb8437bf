"""Cleaning a recording: a step of its own that says, sample by sample, what it did.

Nothing is replaced by what it should have been.  Samples that cannot be used are left out with the reason; a clock
that was set back is moved on; a speed channel that does not fit the positions is set aside, as are single values of a
channel that no kart could show.  What is merely noisy stays.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from enum import IntEnum
from itertools import pairwise
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from linelab.arrays import ByValue, counted, freeze, set_field
from linelab.errors import check_kinds
from linelab.model.lap import Recording
from linelab.recorded.impossible_values import (
    arbitrary_values,
    doubt_of_speed,
    grid_step,
    held_positions,
    speed_ratio,
    teleports,
    told,
)
from linelab.recorded.robust_series import Path, robust_path
from linelab.units import Array

#: Samples that must lie behind the clock before it is taken for set back; fewer are stray samples.
_LASTING = 5
#: Put between the parts of a recording whose clock was set back [s]: longer than the longest gap a timed lap may hold,
#: because how long the break really lasted is not known.
SEAM = 3.0
#: More backward steps than this are disorder, in which no single set-back is seen.
_MOST_STEPS = 1000


class Cleaning(IntEnum):
    """What was done with a sample."""

    KEPT = 0
    NO_POSITION = 1  #: left out: no position
    NO_FIX = 2  #: left out: the receiver says it had no fix
    ZERO_POSITION = 3  #: left out: longitude and latitude both zero
    DUPLICATE = 4  #: left out: time and position of an earlier sample
    REPEATED_TIME = 5  #: left out: time of an earlier sample, another position
    BACK_IN_TIME = 6  #: left out: earlier than the sample before
    TELEPORT = 7  #: left out: too far from its neighbours to have been driven
    FROZEN = 8  #: left out: position held while the kart moved
    NO_TIME = 9  #: left out: a stray time far ahead of the samples after it, or thousands of years away
    OFF_PATH = 10  #: left out: its position lies off the path of those around it
    REORDERED = 11  #: kept, put in its place by time
    CLOCK_SHIFTED = 12  #: kept at a later time, because the clock had been set back


def runs_backwards(t: Array) -> bool:
    """True when the times (N,) [s] mostly fall from one sample to the next."""
    falls, rises = int((t[1:] < t[:-1]).sum()), int((t[1:] > t[:-1]).sum())
    return bool(falls > rises and falls > 1 and t[-1] < t[0])


def clock_jumps(t: Array, x: Array, y: Array) -> list[str]:
    """Sentences on gaps in which the kart can hardly have gone on driving: the clock leapt ahead, not the kart.

    Parameters
    ----------
    t, x, y : (N,) array
        Cleaned: increasing times [s] and positions [m].
    """
    if t.size < 4:
        return []
    steps, ways = np.diff(t), np.hypot(np.diff(x), np.diff(y))
    step = float(np.median(steps))
    gaps = np.flatnonzero(steps[1:-1] > max(20.0 * step, 1.0)) + 1
    slowest = np.minimum(ways[gaps - 1] / steps[gaps - 1], ways[gaps + 1] / steps[gaps + 1])
    # Driving before and after, and in between no farther than in a few steps; a lap driven in the gap ends elsewhere.
    leapt = gaps[(slowest > 5.0) & (ways[gaps] < 5.0 * step * slowest)]
    return [
        f"the clock leaps ahead by {steps[i]:.6g} s at {t[i]:.1f} s, in which the kart moves {ways[i]:.1f} m: "
        "no time across it can be trusted"
        for i in leapt[:10]
    ]


def settle_times(t: Array, x: Array, y: Array) -> tuple[NDArray[np.intp], Array, NDArray[np.int8], list[str]]:
    """Bring times into increasing order.

    Parameters
    ----------
    t : (M,) array
        [s].
    x, y : (M,) array
        Positions [m], without gaps.

    Returns
    -------
    order : (K,) array of int
        Samples that stay, in order of time.
    times : (K,) array
        Their times, increasing [s].
    codes : (M,) array of int
        :class:`Cleaning` codes.
    notes : list of str
        About the clock; the codes say what was left out.
    """
    codes = np.zeros(t.size, dtype=np.int8)
    out = np.array(t, dtype=np.float64)
    order = np.arange(t.size)
    notes: list[str] = []
    backward = np.flatnonzero(np.diff(out) < 0.0) + 1
    if backward.size:
        by_time = np.argsort(out, kind="stable")
        if _path_length(x, y, by_time) < _path_length(x, y, order) - 1.0:
            codes[out < np.maximum.accumulate(out)] = Cleaning.REORDERED
            order = by_time
            notes.append("samples were out of order in the file: sorted by time, which gives the shorter path")
        elif backward.size <= _MOST_STEPS:
            notes += _set_backs(out, x, y, backward, codes)
        else:
            notes.append(f"times go back {backward.size} times: the recording is out of order")
    _leave_out(order, out, x, y, codes)
    kept = order[(codes[order] == Cleaning.KEPT) | (codes[order] >= Cleaning.REORDERED)]
    return kept, out[kept], codes, notes


def _path_length(x: Array, y: Array, order: NDArray[np.intp]) -> float:
    """Length of the way through the positions in an order [m]."""
    return float(np.hypot(np.diff(x[order]), np.diff(y[order])).sum())


def _set_backs(out: Array, x: Array, y: Array, backward: NDArray[np.intp], codes: NDArray[np.int8]) -> list[str]:
    """Move on what follows a lasting set-back of the clock; changes ``out`` and ``codes``."""
    notes = []
    step = float(np.median(np.diff(out)[np.diff(out) > 0.0])) if (np.diff(out) > 0.0).any() else 0.0
    shift, latest = 0.0, float(out[0])
    bounds = [0, *map(int, backward), out.size]
    for a, b in pairwise(bounds):
        out[a:b] += shift
        behind = int(np.searchsorted(out[a:b], latest, side="right")) if a else 0
        lasting = behind >= _LASTING and latest - out[a] > max(3.0 * step, 0.1)
        if lasting and (stray := _strays(out, codes, a, behind)).size:
            codes[stray] = Cleaning.NO_TIME
            rest = out[:a][codes[:a] != Cleaning.NO_TIME]
            latest = float(rest.max()) if rest.size else -np.inf
        elif behind >= _LASTING and _seen_before(out, x, y, a, behind):
            codes[a : a + behind] = Cleaning.DUPLICATE
        elif lasting and _runs_on(out[a:b], behind, step):
            back = latest - float(out[a])
            notes.append(
                f"the clock is set back by {back:.6g} s at {latest:.1f} s: later samples were moved on, with a pause "
                f"of {SEAM:.0f} s so that no lap across it is timed"
            )
            out[a:b] += back + SEAM
            shift += back + SEAM
        if shift:
            part = codes[a:b]
            part[part == Cleaning.KEPT] = Cleaning.CLOCK_SHIFTED
        latest = max(latest, float(out[b - 1]))
    return notes


def _strays(out: Array, codes: NDArray[np.int8], a: int, behind: int) -> NDArray[np.intp]:
    """The few samples before ``a`` whose times run ahead of many that follow; none when they are more than a few."""
    window = np.arange(max(a - 2 * _LASTING, 0), a)
    ahead = window[(out[window] >= out[a]) & (codes[window] != Cleaning.NO_TIME)]
    few = ahead.size < _LASTING and (ahead.size == 0 or ahead[0] > window[0] or window[0] == 0)
    return np.asarray(ahead if few and ahead.size < behind else ahead[:0], dtype=np.intp)


def _seen_before(out: Array, x: Array, y: Array, a: int, behind: int) -> bool:
    """True when most of the samples behind the clock repeat earlier ones, time and place."""
    earlier = np.argsort(out[:a], kind="stable")
    at = np.minimum(np.searchsorted(out[:a][earlier], out[a : a + behind]), a - 1)
    same = earlier[at]
    part = slice(a, a + behind)
    return bool(((out[same] == out[part]) & (x[same] == x[part]) & (y[same] == y[part])).mean() > 0.5)


def _runs_on(times: Array, behind: int, step: float) -> bool:
    """True when times pass the old clock without a leap: set back, not a stray block."""
    return behind == times.size or float(times[behind] - times[behind - 1]) <= 3.0 * step + 1e-9


def _leave_out(order: NDArray[np.intp], out: Array, x: Array, y: Array, codes: NDArray[np.int8]) -> None:
    """Code the samples whose time does not advance."""
    free = order[(codes[order] != Cleaning.DUPLICATE) & (codes[order] != Cleaning.NO_TIME)]
    if free.size < 2:
        return
    times = out[free]
    before = np.maximum.accumulate(times)[:-1]
    repeated, earlier = times[1:] == before, times[1:] < before
    same = repeated & (np.diff(x[free]) == 0.0) & (np.diff(y[free]) == 0.0)
    codes[free[1:][repeated]] = Cleaning.REPEATED_TIME
    codes[free[1:][same]] = Cleaning.DUPLICATE
    codes[free[1:][earlier]] = Cleaning.BACK_IN_TIME


#: Mean radius of the Earth [m], good enough to judge leaps (IUGG mean radius, 6371.0088 km, from memory).
_EARTH = 6_371_009.0

#: Local metres and times beyond these are no place [m] and no time of a session [s].
_FARTHEST, _LONGEST = 1e8, 1e11

_WORDS = {
    Cleaning.NO_POSITION: "without a position left out",
    Cleaning.NO_FIX: "without a fix of the receiver left out",
    Cleaning.ZERO_POSITION: "at longitude and latitude zero left out",
    Cleaning.DUPLICATE: "that repeat an earlier one left out",
    Cleaning.REPEATED_TIME: "whose time does not advance left out",
    Cleaning.BACK_IN_TIME: "that go back in time left out",
    Cleaning.TELEPORT: "too far from their neighbours to have been driven left out",
    Cleaning.FROZEN: "with a position held while the kart moved left out",
    Cleaning.NO_TIME: "with an impossible time left out",
    Cleaning.OFF_PATH: "whose position lies off the path of those around it left out",
    Cleaning.REORDERED: "put in their place by time",
    Cleaning.CLOCK_SHIFTED: "moved on with the clock",
}


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class CleaningReport(ByValue):
    """What cleaning did to a recording of N samples.

    Parameters
    ----------
    codes : (N,) array of int
        :class:`linelab.recorded.cleaning.Cleaning` of each sample, in the order of the file.
    gaps : (M, 2) array
        Time of the last sample before and of the first one after each gap, by the cleaned clock [s].
    missing : int
        Samples that would have filled the gaps at the usual step.
    turned_round : bool
        The recording ran backwards in time and was turned round.
    speed_ratio : float or None
        Speed channel over speed of the positions [-]; None where it is not known.
    speed_set_aside : bool
        The speed channel does not fit the positions and is not in the cleaned recording.
    values_set_aside : mapping of str to int
        Values by channel that no kart could show; they are NaN in the cleaned recording.
    sentences : tuple of str
        The same for people.
    """

    codes: NDArray[np.int8]
    gaps: Array
    missing: int
    turned_round: bool
    speed_ratio: float | None
    speed_set_aside: bool
    values_set_aside: Mapping[str, int]
    sentences: tuple[str, ...]

    def __post_init__(self) -> None:
        for name, kind in (("codes", np.int8), ("gaps", np.float64)):
            value = np.array(getattr(self, name), dtype=kind)
            value.flags.writeable = False
            set_field(self, name, value)
        set_field(self, "values_set_aside", MappingProxyType(dict(self.values_set_aside)))

    def __repr__(self) -> str:
        said = f": {'; '.join(self.sentences)}" if self.sentences else ""
        return f"CleaningReport, {self.kept} of {counted(self.codes.size, 'sample')} kept{said}"

    @property
    def counts(self) -> Mapping[Cleaning, int]:
        """Number of samples by what was done with them; kinds that do not occur are left out."""
        numbers = np.bincount(self.codes, minlength=len(Cleaning))
        return MappingProxyType({code: int(numbers[code]) for code in Cleaning if numbers[code]})

    @property
    def kept(self) -> int:
        """Number of samples in the cleaned recording."""
        return sum(n for code, n in self.counts.items() if code is Cleaning.KEPT or code >= Cleaning.REORDERED)


def clean_recording(recording: Recording) -> tuple[Recording, CleaningReport]:
    """Leave out what cannot be used and say so.

    Parameters
    ----------
    recording : Recording
        N samples.

    Returns
    -------
    cleaned : Recording
        K <= N samples with positions and increasing times; K may be 0.  Its notes are those of the recording.
    report : CleaningReport
        What was done with each sample; ``sentences`` says it in words.

    Raises
    ------
    InputError
        ``recording`` is of another type.

    References
    ----------
    Single values are judged as in :mod:`linelab.recorded.robust_series`.

    Examples
    --------
    >>> import linelab
    >>> cleaned, report = linelab.clean_recording(linelab.load_recording("ostrelle_practice"))
    >>> report
    CleaningReport, 5565 of 5565 samples kept
    """
    check_kinds("clean_recording", recording=(recording, Recording))
    turned = runs_backwards(recording.t)
    index = np.arange(recording.t.size)[:: -1 if turned else 1]
    notes = ["the recording runs backwards in time: reversed"] if turned else []
    codes = _place_codes(recording, notes)
    index = index[codes[index] == Cleaning.KEPT]
    x, y = rough_metres(recording, index)
    order, t, time_codes, time_notes = settle_times(recording.t[index], x, y)
    codes[index] = time_codes
    index, x, y = index[order], x[order], y[order]
    leaps, leap_note = teleports(t, x, y)
    codes[index[leaps]] = Cleaning.TELEPORT
    index, t, x, y = index[~leaps], t[~leaps], x[~leaps], y[~leaps]
    speed = np.full(index.size, np.nan) if recording.speed is None else recording.speed[index]
    held = held_positions(t, x, y, speed) if t.size else np.zeros(0, dtype=bool)
    codes[index[held]] = Cleaning.FROZEN
    index, t, x, y = index[~held], t[~held], x[~held], y[~held]
    path = _path(t, x, y, judged=not leap_note)
    codes[index[path.arbitrary]] = Cleaning.OFF_PATH
    kept = ~path.arbitrary
    index, t, x, y, path = index[kept], t[kept], x[kept], y[kept], path.part(kept)
    pick = _picking(index, recording.t.size)
    channels = {name: pick(values) for name, values in recording.channels.items()}
    told_speed = None if recording.speed is None else pick(recording.speed)
    ratio = None if told_speed is None else speed_ratio(t, x, y, told_speed)
    doubt = doubt_of_speed(ratio) if ratio is not None else ""
    if told_speed is not None and not doubt:
        channels["speed"] = told_speed
    arbitrary = arbitrary_values(t, path, channels) if t.size else {}
    gaps, missing = _gaps(t)
    notes += [
        *time_notes,
        *_count_notes(codes),
        *told(channels, arbitrary),
        *filter(None, (leap_note, doubt)),
        *_gap_notes(gaps, missing),
        *clock_jumps(t, x, y),
    ]
    if (codes == Cleaning.REPEATED_TIME).sum() > 0.3 * codes.size:
        notes.append("times look rounded: export them with fractions of a second")
    report = CleaningReport(
        codes=codes, gaps=gaps, missing=missing, turned_round=turned, speed_ratio=ratio, speed_set_aside=bool(doubt),
        values_set_aside={name: int(which.sum()) for name, which in arbitrary.items()}, sentences=tuple(notes),
    )  # fmt: skip
    for name, which in arbitrary.items():
        channels[name] = freeze(np.where(which, np.nan, channels[name]))
    return _subset(recording, t, pick, channels), report


def _path(t: Array, x: Array, y: Array, *, judged: bool) -> Path:
    """The path through cleaned positions; none of them arbitrary unless ``judged``."""
    if t.size < 2:
        return Path(np.column_stack([x, y]), np.zeros((t.size, 2)), np.zeros(t.size, dtype=bool))
    path = robust_path(t, x, y, max(grid_step(x), grid_step(y)))
    return path if judged else path._replace(arbitrary=np.zeros(t.size, dtype=bool))


def _place_codes(recording: Recording, notes: list[str]) -> NDArray[np.int8]:
    """Codes (N,) of samples without a usable position or time."""
    codes = np.zeros(recording.t.size, dtype=np.int8)
    if recording.x is not None and recording.y is not None:
        placed = (np.abs(recording.x) < _FARTHEST) & (np.abs(recording.y) < _FARTHEST)
        moves = bool(placed.any() and np.ptp(recording.x[placed]) + np.ptp(recording.y[placed]) > 50.0)
    else:
        assert recording.lon is not None  # a Recording has one pair or the other
        assert recording.lat is not None
        placed = np.isfinite(recording.lon) & np.isfinite(recording.lat)
        zero = placed & (recording.lon == 0.0) & (recording.lat == 0.0)
        codes[zero] = Cleaning.ZERO_POSITION
        real = placed & ~zero
        moves = bool(real.any() and np.ptp(recording.lat[real]) + np.ptp(recording.lon[real]) > 5e-4)
    fix = recording.channels.get("fix")
    if fix is not None:
        lost = fix <= 0.0
        if lost[placed].all() and moves:
            notes.append("the fix column says 'none' throughout although positions move: not used")
        else:
            codes[lost & placed] = Cleaning.NO_FIX
    codes[~placed] = Cleaning.NO_POSITION
    if recording.t.size:
        middle = float(np.quantile(recording.t, 0.5, method="lower"))
        codes[(recording.t < middle - _LONGEST) | (recording.t > middle + _LONGEST)] = Cleaning.NO_TIME
    return codes


def rough_metres(recording: Recording, index: NDArray[np.intp]) -> tuple[Array, Array]:
    """Positions of some samples in metres, good to a percent within a few kilometres; equal stays equal."""
    if recording.x is not None and recording.y is not None:
        return recording.x[index], recording.y[index]
    assert recording.lon is not None  # a Recording has one pair or the other
    assert recording.lat is not None
    lon, lat = recording.lon[index], recording.lat[index]
    if lon.size == 0:
        return lon, lat
    east = np.mod(lon - lon[0] + 180.0, 360.0) - 180.0
    scale = np.radians(_EARTH)
    return scale * np.cos(np.radians(np.median(lat))) * east, scale * (lat - lat[0])


def _gaps(t: Array) -> tuple[Array, int]:
    """Gaps (M, 2) [s] and how many samples they miss."""
    if t.size < 3:
        return np.empty((0, 2)), 0
    steps = np.diff(t)
    step = float(np.median(steps))
    at = np.flatnonzero(steps > 1.6 * step)
    missing = np.rint(steps[at] / step) - 1.0
    return np.column_stack([t[at], t[at + 1]]), int(min(float(missing.sum()), 1e15))


def _gap_notes(gaps: Array, missing: int) -> list[str]:
    """A sentence on dropped samples and the longest gap."""
    if gaps.shape[0] == 0:
        return []
    spans = gaps[:, 1] - gaps[:, 0]
    longest = int(np.argmax(spans))
    where = f"the longest of {spans[longest]:.6g} s at {gaps[longest, 0]:.1f} s"
    return [f"{counted(missing, 'sample')} missing in {counted(gaps.shape[0], 'gap')}, {where}"]


def _count_notes(codes: NDArray[np.int8]) -> list[str]:
    """One sentence a kind, the times kept unchanged left unsaid."""
    counts = np.bincount(codes, minlength=len(Cleaning))
    return [f"{counted(int(counts[code]), 'sample')} {words}" for code, words in _WORDS.items() if counts[code]]


def _picking(index: NDArray[np.intp], size: int) -> Callable[[Array], Array]:
    """What takes the samples at ``index`` out of ``size`` values; all of them in order are shared, not copied."""
    whole = index.size == size and bool((index == np.arange(size)).all())
    return lambda values: values if whole else freeze(values[index])


def _subset(recording: Recording, t: Array, pick: Callable[[Array], Array], channels: Mapping[str, Array]) -> Recording:
    """Picked samples at new times with their channels, the speed among them."""

    def picked(values: Array | None) -> Array | None:
        return None if values is None else pick(values)

    return replace(
        recording,
        t=freeze(t),
        lon=picked(recording.lon),
        lat=picked(recording.lat),
        x=picked(recording.x),
        y=picked(recording.y),
        speed=channels.get("speed"),
        channels={name: values for name, values in channels.items() if name != "speed"},
    )
