"""Two setups: outings with each on one track, the difference a lap and in each corner, and whether it is real."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from linelab.arrays import ByValue, Table, counted, set_field
from linelab.coaching.from_recording import Ground, find_ground, find_grounds, ground_laps, recording_of
from linelab.diagnosis.stretches import corner_stretches
from linelab.errors import InputError, RecordingError, check_kinds
from linelab.files.tracks.track_file import load_track
from linelab.measured import TO_95, Measured, plus_minus
from linelab.model.lap import Recording
from linelab.model.timed import timed_track
from linelab.model.track import Track, lap_ends
from linelab.motion.estimate import DrivenLap, track_heading
from linelab.motion.own_passes import measured_times, pass_covariance
from linelab.motion.pass_difference import beside_each_other, clear_among, interval, lateness
from linelab.study.setup_model import OUTING, OutingLaps, SetupEffects, setup_effects, sizes, spread_with
from linelab.units import Array

#: What a difference must be to matter, where nobody says, as a share of the lap time [-].
MATTERS = 1e-3
#: Further outings that are thought through at most, states they are worked out for, and the probability with which they
#: are to settle the question: common practice in planning trials.
MOST_OUTINGS, STATES, SETTLED = 12, 160, 0.8

Verdict = Literal["real", "none", "few"]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SetupLap(ByValue):
    """One lap: in which outing it was, with which setup ("A" or "B"), its number there, and its times [s]."""

    outing: int
    setup: str
    source: str
    number: int
    lap_time: Measured
    corners: tuple[float, ...]

    def row(self) -> dict[str, Any]:
        """The lap as a row of a table; corners in driving order."""
        time = {"lap_time_s": self.lap_time.value, "lap_time_s_sigma": self.lap_time.sigma}
        stretches = {f"stretch_{k + 1}_s": value for k, value in enumerate(self.corners)}
        name = {"outing": self.outing, "setup": self.setup, "recording": self.source, "lap": self.number}
        return {**name, **time, **stretches}


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SetupCorner(ByValue):
    """One corner.

    Parameters
    ----------
    number : int
    time : Measured
        B minus A [s].
    at_most : float
        No difference is bigger than this, 19 times in 20 [s].
    clear : bool
        Whether the difference is clear although so many corners were looked at.
    """

    number: int
    time: Measured
    at_most: float
    clear: bool

    def row(self) -> dict[str, Any]:
        """The corner as a row of a table."""
        time = {"time_s": self.time.value, "time_s_sigma": self.time.sigma}
        return {"corner": self.number, **time, "at_most_s": self.at_most, "clear": self.clear}


@dataclass(frozen=True, kw_only=True, slots=True)
class MoreLaps:
    """What would probably settle the question: so many laps in further outings, in this order ("AB").

    ``enough`` is False where even these would not.
    """

    laps: int
    order: str
    enough: bool


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SetupDifference(ByValue):
    """Two setups, B minus A.

    Parameters
    ----------
    lap_time : Measured
        Per lap [s].
    at_most : float
        No difference per lap is bigger than this, 19 times in 20 [s].
    faster : float
        Probability that B is the faster one [-].
    matters : float
        The smallest difference that matters [s].
    verdict : "real", "none" or "few"
        A real difference; none that matters; too few laps to say.
    words : str
        The verdict as a sentence or two.
    corners : tuple of SetupCorner
        In driving order.  Each is worked out by itself: they need not add up to ``lap_time``.
    laps : tuple of SetupLap
        In the order in which they were driven.
    order : str
        The setups of the outings in their order, such as "ABA".
    order_from : str
        "given", "dates" or "files".
    more : MoreLaps or None
        Where laps are too few: what would settle it.
    outing, scatter, correlation : (float, float, float)
        Standard deviation of what changes from one outing to the next, and of a lap about its outing's trend [s];
        correlation from one lap to the next, of what is carried over [-].  Of each the middle and the ends of the 95 %
        interval, in order.
    outing_before : float
        What was expected of the first one before the laps were seen [s].
    track : Track
    """

    lap_time: Measured
    at_most: float
    faster: float
    matters: float
    verdict: Verdict
    words: str
    corners: Table[SetupCorner]
    laps: Table[SetupLap]
    order: str
    order_from: str
    more: MoreLaps | None
    outing: tuple[float, float, float]
    scatter: tuple[float, float, float]
    correlation: tuple[float, float, float]
    outing_before: float
    track: Track

    def __post_init__(self) -> None:
        set_field(self, "corners", Table(self.corners))
        set_field(self, "laps", Table(self.laps))

    def __repr__(self) -> str:
        lap = self.lap_time
        return (
            f"SetupDifference: B minus A {lap.value:+.3f} {plus_minus(lap.sigma, 3)} s a lap, {self.order}, "
            f"{self.verdict!r}"
        )


def compare_setups(
    a: Sequence[Recording | str | Path],
    b: Sequence[Recording | str | Path],
    track: Track | str | Path | None = None,
    *,
    order: str | None = None,
    matters: float | None = None,
    outing_change: float = OUTING[0],
    position_error: float | None = None,
    progress: Callable[[str], None] = lambda text: None,
) -> SetupDifference:
    """Whether one setup, tyre or driver is faster than another: outings with A and with B on one track.

    Parameters
    ----------
    a, b : sequence of Recording or path
        One recording an outing, in the order in which they were driven.
    track : Track or path, optional
        Estimated from all recordings when not given.
    order : str, optional
        Setups of all outings in the order in which they were driven, such as "ABA"; otherwise by the recordings' dates,
        or, where one has none, all of A first.
    matters : float, optional
        The smallest difference per lap that matters [s]; a thousandth of the lap time when not given.
    outing_change : float
        What a lap time usually changes by from one outing to the next with nothing changed, as a share of it: the
        median of its standard deviation before these laps are seen [-].
    position_error : float, optional
        As for :func:`linelab.review`.
    progress : callable
        Called with a short text at each step.

    Returns
    -------
    SetupDifference
        B minus A.

    Raises
    ------
    InputError
        No recording of a setup, an order that does not fit the recordings, or arguments of another type.
    RecordingError
        A recording has no complete lap, or is of another place.

    References
    ----------
    :mod:`linelab.study.setup_model`.

    Examples
    --------
    >>> import linelab
    >>> track = linelab.load_track("ostrelle_sprint")
    >>> recording = linelab.load_recording("ostrelle_practice")
    >>> found = linelab.compare_setups([recording], [recording], track, position_error=0.25)
    >>> found.verdict
    'few'
    >>> abs(found.lap_time.value) < 0.05
    True
    """
    for name, given in (("a", a), ("b", b)):
        if isinstance(given, (str, PathLike)) or not isinstance(given, Sequence):
            kind = type(given).__name__
            raise InputError(
                f"{name} is a {kind}, not a list of recordings", where="compare_setups",
                remedy="Give a list of recordings; one comes from linelab.load_recording",
            )  # fmt: skip
        if not given:
            raise InputError(f"{name} holds no recording", where="compare_setups", remedy="Give at least one outing")
        for one in given:
            check_kinds("compare_setups", **{name: (one, (Recording, str, PathLike))})
    check_kinds("compare_setups", track=(track, (Track, str, PathLike, type(None))))
    check_kinds("compare_setups", matters=(matters, (float, int, type(None))), outing_change=(outing_change, float))
    if not 1e-5 <= outing_change <= 0.1 or (matters is not None and not matters > 0.0):
        raise InputError(
            "a smallest difference must be above 0, and outing_change a share from 0.00001 to 0.1",
            where="compare_setups", remedy="0.0025 is a quarter of a per cent",
        )  # fmt: skip
    progress("reading")
    read = [[recording_of(one) for one in given] for given in (a, b)]
    wanted, order_from = _order(read, order)
    queues = {"A": iter(read[0]), "B": iter(read[1])}
    recordings = [next(queues[setup]) for setup in wanted]
    grounds = _grounds(recordings, load_track(track) if isinstance(track, (str, PathLike)) else track, position_error)
    driven = []
    for recording, ground in zip(recordings, grounds):
        progress(f"estimating the laps of {recording.source}")
        driven.append(ground_laps(ground))
    progress("working out the difference")
    return _compared(recordings, grounds, driven, wanted, order_from, matters, outing_change)


def _order(read: Sequence[Sequence[Recording]], order: str | None) -> tuple[str, str]:
    """Setups of the outings in their order, and where that is from."""
    counts = {"A": len(read[0]), "B": len(read[1])}
    if order is not None:
        wanted = "".join(letter for letter in order.upper() if letter not in "-, ")
        if set(wanted) - set(counts) or any(wanted.count(letter) != count for letter, count in counts.items()):
            raise InputError(
                f"the order {order!r} does not fit {counted(counts['A'], 'recording')} of A and {counts['B']} of B",
                where="order", remedy="Name the setup of each outing once, such as ABA for two of A and one of B",
            )  # fmt: skip
        return wanted, "given"
    dates = [[one.start_utc for one in recordings] for recordings in read]
    dated = [(date, letter) for letter, given in zip("AB", dates) for date in given if date is not None]
    in_turn = all(list(given) == sorted(given, key=lambda date: date or 0.0) for given in dates)
    if len(dated) == sum(counts.values()) == len({date for date, _ in dated}) and in_turn:
        return "".join(letter for _, letter in sorted(dated)), "dates"
    return "A" * counts["A"] + "B" * counts["B"], "files"


def _grounds(recordings: Sequence[Recording], track: Track | None, position_error: float | None) -> list[Ground]:
    """The laps of all recordings on one track."""
    if track is not None:
        return [find_ground(recording, track, position_error=position_error) for recording in recordings]
    grounds = find_grounds(recordings, position_error=position_error)
    for recording, ground in zip(recordings, grounds):
        if ground.track is not grounds[0].track:
            raise RecordingError(
                f"{recording.source} and {recordings[0].source} are not of one track driven the same way round",
                where="compare_setups", remedy="Compare outings on one track",
            )  # fmt: skip
    return grounds


def _stretches(track: Track) -> tuple[tuple[int, ...], Array, NDArray[np.intp]]:
    """Numbers of the corners, the stations at which their stretches meet, and whose the parts between are."""
    begin, end = lap_ends(track)
    timed = {corner.number for corner in timed_track(track).corners}
    found = [stretch for stretch in corner_stretches(track) if stretch.corner in timed]
    if not found:
        return (), np.array([begin, end]), np.zeros(1, dtype=np.intp)
    starts = np.array([stretch.s_start for stretch in found])
    edges = np.unique(np.clip(np.concatenate([[begin, end], starts]), begin, end))
    # On a closed track what lies before the first of them belongs to the stretch that runs over the start line.
    by_start = np.argsort(starts)
    owners = by_start[np.searchsorted(starts[by_start], edges[:-1], side="right") - 1]
    return tuple(stretch.corner for stretch in found), edges, owners


def _compared(
    recordings: Sequence[Recording],
    grounds: Sequence[Ground],
    driven: Sequence[Sequence[DrivenLap]],
    order: str,
    order_from: str,
    matters: float | None,
    outing_change: float,
) -> SetupDifference:
    """The outings' laps through the model."""
    track = grounds[0].track
    corners, edges, owners = _stretches(track)
    ends = np.array(lap_ends(track))
    heading, whole = track_heading(track, edges), np.zeros(1, dtype=np.intp)
    moved = [beside_each_other(track, driven[0], laps) for laps in driven[1:]]
    # Half of the error between two recordings is each one's; the first one's is that of all others on average.
    sigmas = [float(np.mean([sigma for _, sigma in moved])), *(sigma for _, sigma in moved)]
    shifts = [np.zeros(2), *(shift for shift, _ in moved)]
    late = lateness([drive for one in driven for drive in one], edges, heading, owners)
    lap_heading = track_heading(track, ends)
    outings, rows = [], []
    for k, (recording, ground, laps, setup) in enumerate(zip(recordings, grounds, driven, order)):
        every = {lap.label: lap.number for lap in ground.laps}
        numbers = [every[drive.lap.label] for drive in laps]
        parts = measured_times(laps, edges, owners) + late @ shifts[k]
        lap = measured_times(laps, ends, whole)
        error = float(pass_covariance(laps, ends, lap_heading, whole)[0, 0])
        errors = np.diag(pass_covariance(laps, edges, heading, owners))
        shared = np.hypot(late[:, 0], late[:, 1]) * sigmas[k] / np.sqrt(2.0)
        shown = parts if corners else parts[:, :0]
        outings.append(
            OutingLaps(
                second=setup == "B", number=np.array(numbers, dtype=np.float64), times=np.hstack([lap, shown]),
                variance=np.concatenate([[error], errors])[: 1 + len(corners)],
                shared=np.concatenate([[0.0], shared])[: 1 + len(corners)],
            )
        )  # fmt: skip
        rows += [
            SetupLap(
                outing=k + 1, setup=setup, source=recording.source, number=number,
                lap_time=Measured(drive.lap.lap_time, drive.lap_time_sigma), corners=tuple(times.tolist()),
            )
            for number, drive, times in zip(numbers, laps, shown)
        ]  # fmt: skip
    found = setup_effects(outings, outing=outing_change)
    return _said(found, outings, corners, rows, order, order_from, matters, track)


def _said(
    found: SetupEffects,
    outings: Sequence[OutingLaps],
    corners: Sequence[int],
    rows: Sequence[SetupLap],
    order: str,
    order_from: str,
    matters: float | None,
    track: Track,
) -> SetupDifference:
    """What the model's draws say."""
    least = MATTERS * float(found.scale[0]) if matters is None else float(matters)
    every = [interval(found.draws[:, k]) for k in range(found.draws.shape[1])]
    at_most = np.quantile(np.abs(found.draws), 0.95, axis=0)
    clear = clear_among(every[1:], found.draws[:, 1:])
    value, sigma = every[0].value or 0.0, every[0].sigma or 0.0
    verdict: Verdict = "real" if abs(value) > TO_95 * sigma else "none" if at_most[0] < least else "few"
    more = _more(found, outings, value, least) if verdict == "few" else None
    now, scale = sizes(found.states[:, 0], np.ones(len(found.states)), found.outing), float(found.scale[0])
    return SetupDifference(
        lap_time=every[0], at_most=float(at_most[0]), faster=float((found.draws[:, 0] < 0.0).mean()), matters=least,
        verdict=verdict, words=_words(verdict, every[0], float(at_most[0]), more),
        corners=Table(
            SetupCorner(number=number, time=every[k + 1], at_most=float(at_most[k + 1]), clear=clear[k])
            for k, number in enumerate(corners)
        ),
        laps=Table(rows), order=order, order_from=order_from, more=more, outing=_range(now.outing * scale),
        scatter=_range(np.hypot(now.carried, now.scatter) * scale), correlation=_range(now.correlation),
        outing_before=found.outing * scale, track=track,
    )  # fmt: skip


def _range(draws: Array) -> tuple[float, float, float]:
    """Ends and middle of what is equally likely."""
    low, middle, high = np.quantile(draws, [0.025, 0.5, 0.975]).tolist()
    return low, middle, high


def _more(found: SetupEffects, outings: Sequence[OutingLaps], value: float, least: float) -> MoreLaps:
    """How many more laps would probably settle it, as further outings are worked out by the same model.

    Each drawn state foretells how far the difference will have moved and how well it will be known.
    """
    from scipy.special import ndtr

    states = np.linspace(0, len(found.states) - 1, STATES).astype(np.intp)
    second, numbers = [one.second for one in outings], [one.number for one in outings]
    variance = float(np.mean([one.variance[0] for one in outings]))
    each = round(float(np.median([number.size for number in numbers])))
    before = spread_with(found, second, numbers, variance, states)
    added = ""
    for _ in range(MOST_OUTINGS):
        second.append(sum(second) * 2 < len(second) or (sum(second) * 2 == len(second) and not second[-1]))
        numbers.append(np.arange(1.0, each + 1.0))
        added += "B" if second[-1] else "A"
        after = spread_with(found, second, numbers, variance, states)
        moves = np.sqrt(np.maximum(before**2 - after**2, 1e-12))
        beyond = ndtr((value - TO_95 * after) / moves) + ndtr((-value - TO_95 * after) / moves)
        room = np.maximum(least - TO_95 * after, 0.0)
        within = ndtr((room - value) / moves) - ndtr((-room - value) / moves)
        if float((beyond + within).mean()) >= SETTLED:
            return MoreLaps(laps=each * len(added), order=added, enough=True)
    return MoreLaps(laps=each * len(added), order=added, enough=False)


def _words(verdict: Verdict, lap: Measured, at_most: float, more: MoreLaps | None) -> str:
    """The verdict as a sentence or two."""
    value = lap.value or 0.0
    known = f"{abs(value):.2f} {plus_minus(lap.sigma, 2)} s a lap"
    if verdict == "real":
        return f"A real difference: {'B' if value < 0.0 else 'A'} is faster by {known}."
    if verdict == "none":
        return f"No difference bigger than {at_most:.3f} s a lap."
    said = f"Too few laps to tell: B minus A is {value:+.2f} {plus_minus(lap.sigma, 2)} s a lap."
    if more is None:
        return said
    count = len(more.order)
    if not more.enough:
        return f"{said} Even {more.laps} more laps, {count} outings of {more.laps // count}, may not settle it."
    outings = "one more outing with" if count == 1 else f"{count} more outings in the order"
    return f"{said} About {more.laps} more would settle it: {outings} {'-'.join(more.order)}."
