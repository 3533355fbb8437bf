"""Two setups: outings with each on one track, the difference a lap and in each corner, and whether it is real."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from os import PathLike
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from linelab.arrays import counted
from linelab.coaching.from_recording import Ground, find_ground, find_grounds, ground_laps, recording_of
from linelab.diagnosis.stretches import corner_stretches
from linelab.errors import InputError, RecordingError, check_kinds
from linelab.files.tracks.track_file import load_track
from linelab.measured import Measured
from linelab.model.lap import Recording
from linelab.model.timed import timed_track
from linelab.model.track import Track, lap_ends
from linelab.motion.estimate import DrivenLap, track_heading
from linelab.motion.own_passes import measured_times, pass_covariance
from linelab.motion.pass_difference import beside_each_other, lateness
from linelab.study.setups.setup_model import OutingLaps, setup_effects
from linelab.study.setups.setup_verdict import SetupDifference, SetupLap, judge_setups
from linelab.units import Array


def compare_setups(
    a: Sequence[Recording | str | Path],
    b: Sequence[Recording | str | Path],
    track: Track | str | Path | None = None,
    *,
    order: str | None = None,
    matters: float | None = None,
    outing_change: float | None = None,
    position_error: float | None = None,
    progress: Callable[[str], None] = lambda text: None,
) -> SetupDifference:
    """Whether one setup, tyre or driver is faster than another: outings with A and with B on one track.

    Parameters
    ----------
    a, b : sequence of Recording or path
        One recording an outing, in the order in which they were driven; where all have dates these say.
    track : Track or path, optional
        Estimated from all recordings when not given.
    order : str, optional
        Setups of all outings in the order in which they were driven, such as "ABA"; otherwise by the recordings' dates,
        or, where one has none, all of A first.
    matters : float, optional
        The smallest difference per lap that matters [s]; a thousandth of the lap time when not given.
    outing_change : float, optional
        What a lap time changes by from one outing to the next with nothing changed, where you know it: standard
        deviation, as a share of the lap time [-].  Otherwise the outings themselves have to show it, which one of each
        setup cannot.
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
    :mod:`linelab.study.setups.setup_model`.

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
    check_kinds("compare_setups", matters=(matters, (float, int, type(None))))
    check_kinds("compare_setups", outing_change=(outing_change, (float, type(None))))
    stated = 1e-3 if outing_change is None else outing_change
    if not 1e-5 <= stated <= 0.1 or (matters is not None and not matters > 0.0):
        raise InputError(
            "a smallest difference must be above 0, and outing_change a share from 0.00001 to 0.1",
            where="compare_setups", remedy="0.0025 is a quarter of a per cent",
        )  # fmt: skip
    progress("reading")
    read = [[recording_of(one) for one in given] for given in (a, b)]
    ground = load_track(track) if isinstance(track, (str, PathLike)) else track
    grounds = _grounds([*read[0], *read[1]], ground, position_error)
    size = len(read[0])
    return compare_cut(
        list(zip(read[0], grounds[:size])), list(zip(read[1], grounds[size:])), order=order, matters=matters,
        outing_change=outing_change, progress=progress,
    )  # fmt: skip


def compare_cut(
    a: Sequence[tuple[Recording, Ground]],
    b: Sequence[tuple[Recording, Ground]],
    *,
    order: str | None = None,
    matters: float | None = None,
    outing_change: float | None = None,
    progress: Callable[[str], None] = lambda text: None,
) -> SetupDifference:
    """The same of recordings whose laps are cut already.

    Parameters
    ----------
    a, b : sequence of (Recording, Ground)
        Outings and where they were driven, all on one track.
    order, matters, outing_change, progress
        As for :func:`compare_setups`.

    Raises
    ------
    InputError, RecordingError
        As there.
    """
    a, b = _by_date(a, b)
    wanted, order_from = _order([[recording for recording, _ in one] for one in (a, b)], order)
    queues = {"A": iter(a), "B": iter(b)}
    outings = [next(queues[setup]) for setup in wanted]
    recordings, grounds = [recording for recording, _ in outings], [ground for _, ground in outings]
    for recording, ground in outings:
        if ground.track is not grounds[0].track:
            raise RecordingError(
                f"{recording.source} and {recordings[0].source} are not of one track driven the same way round",
                where="compare_setups", remedy="Compare outings on one track",
            )  # fmt: skip
    driven = []
    for recording, ground in outings:
        progress(f"estimating the laps of {recording.source}")
        driven.append(ground_laps(ground))
    progress("working out the difference")
    return _compared(recordings, grounds, driven, (wanted, order_from), matters, outing_change)


def _by_date(*setups: Sequence[tuple[Recording, Ground]]) -> list[Sequence[tuple[Recording, Ground]]]:
    """Each setup's outings in the order of their dates, or as they are where one has no date of its own."""
    dates = [recording.start_utc for outings in setups for recording, _ in outings]
    if None in dates or len(set(dates)) < len(dates):
        return list(setups)
    return [sorted(outings, key=lambda outing: outing[0].start_utc or 0.0) for outings in setups]


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
    if len(dated) == sum(counts.values()) == len({date for date, _ in dated}):
        return "".join(letter for _, letter in sorted(dated)), "dates"
    return "A" * counts["A"] + "B" * counts["B"], "files"


def _grounds(recordings: Sequence[Recording], track: Track | None, position_error: float | None) -> list[Ground]:
    """The laps of all recordings on one track."""
    if track is not None:
        return [find_ground(recording, track, position_error=position_error) for recording in recordings]
    return find_grounds(recordings, position_error=position_error)


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
    order: tuple[str, str],
    matters: float | None,
    outing_change: float | None,
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
    for k, (recording, ground, laps, setup) in enumerate(zip(recordings, grounds, driven, order[0])):
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
                outing=k + 1, setup=setup, source=Path(recording.source).name, number=number,
                lap_time=Measured(drive.lap.lap_time, drive.lap_time_sigma), corners=tuple(times.tolist()),
            )
            for number, drive, times in zip(numbers, laps, shown)
        ]  # fmt: skip
    found = setup_effects(outings, outing=outing_change)
    return judge_setups(found, outings, corners, rows, order, matters, track)
