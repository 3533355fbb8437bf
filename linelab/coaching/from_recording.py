"""A review from a recording: laps cut and estimated, the computed lap, and a coach's words; no output layer."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from os import PathLike
from pathlib import Path
from typing import Any

import numpy as np

from linelab.arrays import Table
from linelab.coaching.results import Review
from linelab.coaching.session import review_session
from linelab.coaching.targets import OWN, OtherLap
from linelab.diagnosis.kinds import TargetKind
from linelab.errors import InputError, LinelabError, RecordingError, check_kinds
from linelab.files.kart_file import load_kart
from linelab.files.recordings.load_recording import load_recording
from linelab.files.tracks.track_file import load_track
from linelab.fitted.fitted_kart import FittedKart
from linelab.fitted.kart_fit import fit_kart
from linelab.model.kart import Kart
from linelab.model.lap import Recording
from linelab.model.track import Track
from linelab.motion.channels import PositionBias, Sensors, stated_bias
from linelab.motion.estimate import DrivenLap
from linelab.motion.placing import estimate_placed_laps
from linelab.motion.sensors import read_sensors
from linelab.motion.track_from_laps import (
    ASSUMED_WIDTH,
    UNNAMED,
    LapCorridor,
    bias_on,
    corridor_from_laps,
    corridors_from_recordings,
)
from linelab.optimum.minimum_time import Solution, solve_min_time
from linelab.recorded.laps import RecordedLap, complete_laps, split_laps
from linelab.recorded.start_line import StartLine


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Ground:
    """Where a recording was driven: a track, the recording's laps on it, and what is known of the receiver."""

    track: Track
    laps: tuple[RecordedLap, ...]
    sensors: Sensors | None = None
    bias: PositionBias | None = None
    notes: tuple[str, ...] = ()


def find_ground(
    recording: Recording,
    track: Track | None,
    *,
    start_line: StartLine | None = None,
    assumed_width: float = ASSUMED_WIDTH,
    name: str = "",
    position_error: float | None = None,
) -> Ground:
    """Cut a recording into laps on a track, or on a corridor estimated from the laps where there is no track.

    Parameters
    ----------
    start_line : StartLine, optional
        Only for an estimated corridor; see
        :func:`linelab.motion.track_from_laps.recording_start_line`.
    assumed_width : float
        Of an estimated corridor [m].
    position_error : float, optional
        Known standard deviation of the receiver's slowly drifting position error per axis [m]; a consumer receiver's is
        assumed otherwise.

    Raises
    ------
    RecordingError, InputError, TrackError
    """
    if position_error is not None and not 0.0 <= position_error <= 50.0:
        raise InputError(f"{position_error:g} m is outside 0 to 50 m", where="position error")
    if track is not None:
        laps = split_laps(recording, track, **({} if position_error is None else {"bias": position_error}))
        samples = laps[0].samples
        sensors = read_sensors(samples)
        bias = None if position_error is None else stated_bias(position_error, sensors)
        if bias is None and track.survey.middle_sigma is not None:
            bias = bias_on(track, laps, sensors)
        return Ground(track=track, laps=laps, sensors=sensors, bias=bias, notes=(*samples.notes, *track.notes))
    title = name or UNNAMED
    found = corridor_from_laps(
        recording, start_line=start_line, assumed_width=assumed_width, name=title, position_error=position_error
    )
    return _own_ground(found, position_error)


def find_grounds(
    recordings: Sequence[Recording],
    *,
    start_line: tuple[tuple[float, float], tuple[float, float]] | None = None,
    assumed_width: float = ASSUMED_WIDTH,
    position_error: float | None = None,
    refused: Callable[[int, LinelabError], None] | None = None,
) -> list[Ground]:
    """Cut recordings into laps on tracks estimated from them: those of one place share one track, start line and
    corners.

    Parameters
    ----------
    recordings : sequence of Recording
    start_line : ((float, float), (float, float)), optional
        Left and right end in the recordings' own coordinates.
    assumed_width, position_error
        As for :func:`find_ground`.
    refused : callable, optional
        Called with the number of a recording that cannot be used, counted from 0, and with the reason; otherwise that
        is raised.

    Returns
    -------
    list of Ground
        One a recording that is not refused, in their order.

    Raises
    ------
    RecordingError, InputError, TrackError
    """
    grounds: dict[int, Ground] = {}
    for numbers, found in corridors_from_recordings(
        recordings, start_line=start_line, assumed_width=assumed_width, position_error=position_error, refused=refused
    ):
        if len(numbers) == 1:
            grounds[numbers[0]] = _own_ground(found, position_error)
        else:
            grounds |= {k: find_ground(recordings[k], found.track, position_error=position_error) for k in numbers}
    return [grounds[k] for k in sorted(grounds)]


def _own_ground(found: LapCorridor, position_error: float | None) -> Ground:
    """The ground of the recording that a corridor was made from alone."""
    bias = found.bias if position_error is None else stated_bias(position_error, found.sensors)
    return Ground(track=found.track, laps=found.laps, sensors=found.sensors, bias=bias, notes=found.notes)


def lap_numbers(function: str, given: Any) -> tuple[int, ...]:
    """The numbers of laps somebody asks for; a single one may stand by itself.

    Raises
    ------
    InputError
        Something that is no whole number.
    """
    numbers = given if isinstance(given, Sequence) and not isinstance(given, str) else (given,)
    for number in numbers:
        if not isinstance(number, int | np.integer):
            raise InputError(
                f"{number!r} is no lap number", where=function, remedy="Give whole numbers, such as [4, 6]"
            )
    return tuple(int(number) for number in numbers)


def choose_laps(laps: Sequence[RecordedLap], wanted: Sequence[int] = ()) -> list[RecordedLap]:
    """The laps to review: those numbered in ``wanted``, or every complete one.

    A lap that was stopped, spun or held up tells of that and not of driving: beside complete ones it may be named, and
    :func:`review_recording` leaves it out with a note.

    Raises
    ------
    RecordingError
        No such lap, or none of them is complete.
    """
    by_number = {lap.number: lap for lap in laps if lap.status not in ("out", "in")}
    complete = complete_laps(tuple(laps))
    for number in wanted:
        if number not in by_number:
            known = ", ".join(str(lap.number) for lap in complete) or "none"
            raise RecordingError(f"there is no lap {number}", remedy=f"Choose among the complete laps: {known}")
    chosen = [by_number[number] for number in dict.fromkeys(wanted)] if wanted else list(complete)
    if any(lap.status == "complete" for lap in chosen):
        return chosen
    if wanted:
        raise RecordingError("; ".join(map(_described, chosen)), remedy="Choose a complete lap")
    raise RecordingError("; ".join(["no lap is complete", *(_described(lap) for lap in by_number.values())]))


def _described(lap: RecordedLap) -> str:
    """A lap that is not complete, and why."""
    return f"{lap.label}: {lap.reason or lap.status}"


def review_recording(
    recording: Recording,
    ground: Ground,
    kart: Kart,
    laps: Sequence[RecordedLap],
    *,
    against: TargetKind | None = None,
    other: str | OtherLap | None = None,
    grip: float = 1.0,
    reference: Solution | None = None,
    notes: Sequence[str] = (),
    progress: Callable[[str], None] = lambda text: None,
) -> Review:
    """Compare recorded laps with a target and work out what a coach would say.

    Parameters
    ----------
    ground : Ground
        From :func:`find_ground`.
    laps : sequence of RecordedLap
        From :func:`choose_laps`.
    against : TargetKind, optional
        What the laps are compared with; when not given the computed lap, or, where the edges were not surveyed or the
        kart file does not fit, the driver's best corners joined.
    other : str or OtherLap, optional
        For "other_lap": the label of one of the driver's own laps, or a lap of another recording.
    grip : float
        Factor on the kart's grip for the computed lap.
    reference : Solution, optional
        Solved already for this track and kart.
    notes : sequence of str
        What else belongs on the page.

    Raises
    ------
    SolveError, RecordingError, InputError
    """
    usable = complete_laps(tuple(laps))
    if not usable:
        raise InputError("no complete lap to review", where="laps", remedy="Choose at least one")
    solution = reference or solve_min_time(ground.track, kart, grip=grip, progress=progress)
    refused = {id(lap): lap.reason for lap in laps if lap.status != "complete"}
    sound = complete_laps(ground.laps)
    reviewed = {id(lap) for lap in usable}
    # The driver's own best may be a lap that is not among those chosen.
    own = against in OWN or isinstance(other, str) or (against is None and ground.track.survey.estimated)
    rest = [lap for lap in sound if id(lap) not in reviewed] if own else []
    estimated = estimate_placed_laps(
        ground.track,
        [*usable, *rest],
        among=sound,
        sensors=ground.sensors,
        bias=ground.bias,
        refused=lambda lap, error: refused.update({id(lap): str(error)}),
        progress=lambda done, total: progress(f"laps estimated: {done} of {total}"),
    )
    names = {lap.label for lap in usable}
    driven = [drive for drive in estimated if drive.lap.label in names]
    times = [drive.lap.lap_time for drive in driven]
    left = [lap.duration for lap in sound if id(lap) not in reviewed]
    found = review_session(
        ground.track,
        kart,
        driven,
        solution,
        target=against,
        other=other,
        others=[drive for drive in estimated if drive.lap.label not in names],
        quickest=min(times, default=0.0) <= min(left, default=np.inf),
        cleaning=(
            *recording.notes,
            *ground.notes,
            *(f"{lap.label} left out: {refused[id(lap)]}" for lap in (*laps, *rest) if id(lap) in refused),
            *notes,
        ),
        progress=progress,
    )
    recorded = _with_reasons(ground.laps, laps, refused)
    return replace(found, recording=recording, recorded=recorded, solution=solution)


def ground_laps(ground: Ground) -> tuple[DrivenLap, ...]:
    """The complete laps of a recording that can be followed round the track, estimated.

    Raises
    ------
    RecordingError
        There is none.
    """
    refused: list[RecordingError] = []
    laps = estimate_placed_laps(
        ground.track, choose_laps(ground.laps), among=complete_laps(ground.laps), sensors=ground.sensors,
        bias=ground.bias, refused=lambda lap, why: refused.append(why),
    )  # fmt: skip
    if not laps:
        raise refused[0]
    return laps


def grounds_kart(grounds: Sequence[Ground], kart: Kart | None = None) -> FittedKart:
    """The kart that recordings show, fitted from ``kart`` or, without one, from the nearest bundled class.

    Raises
    ------
    RecordingError, InputError
        No complete lap, or none that can be followed round the track.
    """
    return fit_kart([lap for ground in grounds for lap in ground_laps(ground)], kart)


def fitted_notes(fitted: FittedKart) -> tuple[str, ...]:
    """What a review says of a kart that was fitted to its recording."""
    laps = "1 lap" if fitted.laps == 1 else f"{fitted.laps} laps"
    return (
        f"no kart file: a kart was fitted to {laps}, its mass and size assumed as those of {fitted.nearest!r}, the "
        "nearest bundled class",
        "the fitted kart has the grip and brakes that these laps show: it can have more",
    )


def _with_reasons(
    recorded: Sequence[RecordedLap], chosen: Sequence[RecordedLap], refused: Mapping[int, str]
) -> Table[RecordedLap]:
    """All laps, complete ones that are not reviewed with the reason; ``refused`` has those of laps by identity."""
    reasons = {id(lap): "not chosen" for lap in complete_laps(tuple(recorded))}
    reasons |= {id(lap): "" for lap in chosen} | dict(refused)
    return Table(replace(lap, reason=reasons.get(id(lap), "") or lap.reason) for lap in recorded)


def read_laps(
    recording: Recording | str | Path,
    track: Track,
    *,
    laps: int | Sequence[int] = (),
    position_error: float | None = None,
) -> Table[DrivenLap]:
    """Clean a recording, cut it into laps on a track, and estimate the line and speed of each.

    Parameters
    ----------
    recording : Recording or path
        A recording, its file, or the name of a bundled one.
    track : Track
    laps : int or sequence of int
        Numbers of the laps; every complete one when not given.
    position_error : float, optional
        Known standard deviation of the receiver's slowly drifting position error per axis [m]; a consumer receiver's is
        assumed otherwise.

    Returns
    -------
    tuple of DrivenLap
        Each with its standard deviations.  A lap that cannot be followed round the track is left out, unless it was
        asked for.  ``.to_dataframe()`` gives a row a lap.

    Raises
    ------
    RecordingError
        There is no such lap, or none that can be used; the recording is of another place.
    InputError
        Arguments of another type.

    References
    ----------
    Laps are placed on the track together, as in :mod:`linelab.motion.placing`.

    Examples
    --------
    >>> import linelab
    >>> track = linelab.load_track("ostrelle_sprint")
    >>> laps = linelab.read_laps("ostrelle_practice", track, laps=[3], position_error=0.25)
    >>> laps[0].lap.label, round(laps[0].lap.lap_time, 1)
    ('lap 3', 51.9)
    """
    check_kinds("read_laps", recording=(recording, (Recording, str, PathLike)), track=(track, Track))
    check_kinds("read_laps", position_error=(position_error, (float, int, type(None))))
    laps = lap_numbers("read_laps", laps)
    ground = find_ground(recording_of(recording), track, position_error=position_error)
    chosen = choose_laps(ground.laps, laps)
    lost: list[RecordingError] = []
    found = estimate_placed_laps(
        track, chosen if laps else complete_laps(tuple(chosen)), among=complete_laps(ground.laps),
        sensors=ground.sensors, bias=ground.bias, refused=None if laps else lambda lap, error: lost.append(error),
    )  # fmt: skip
    if not found:
        raise lost[0]
    return Table(found)


def recording_of(given: Recording | str | Path) -> Recording:
    """A recording as it is, or read from its file."""
    return given if isinstance(given, Recording) else load_recording(given)


def review(
    recording: Recording | str | Path,
    kart: Kart | str | Path | None = None,
    track: Track | str | Path | None = None,
    *,
    laps: int | Sequence[int] = (),
    against: TargetKind | None = None,
    other_lap: int | None = None,
    grip: float = 1.0,
    position_error: float | None = None,
) -> Review:
    """Review a recording as the command does, without writing anything.

    Parameters
    ----------
    recording : Recording, str or Path
        A recording, or its file.
    kart : Kart, str or Path, optional
        A kart, the name of a bundled one, or its file; one fitted to the recording when not given.
    track : Track, str or Path, optional
        A track, the name of a bundled one, or its file; a corridor estimated from the laps when not given.
    laps : int or sequence of int
        Numbers of the laps to review; every complete one when not given.
    against : str, optional
        "computed", "shown_grip", "own_best" or "own_parts"; when not given the computed lap, or, where the edges were
        not surveyed or the kart file does not fit, the driver's best corners joined.
    other_lap : int, optional
        Number of the lap of this recording that the others are compared with, instead of ``against``.
    grip : float
        Factor on the kart's grip [-].
    position_error : float, optional
        Known standard deviation of the receiver's slowly drifting position error per axis [m].

    Returns
    -------
    Review
        The laps, corners, priorities and strengths.

    Raises
    ------
    RecordingError
        No complete lap, none that can be followed round the track, or a recording of another place.
    TrackError
        As :func:`linelab.load_track`.
    KartError
        As :func:`linelab.load_kart`.
    SolveError
        As :func:`linelab.solve_min_time`.
    InputError
        Arguments out of range or of another type.

    Examples
    --------
    >>> import linelab
    >>> track, kart = linelab.load_track("ostrelle_sprint"), linelab.load_kart("senior-single-speed")
    >>> found = linelab.review("ostrelle_practice", kart, track, laps=(4, 6), position_error=0.25)
    >>> [lap.label for lap in found.laps]
    ['lap 4', 'lap 6']
    >>> all(card.at_stake.value > 0.0 for card in found.priorities)
    True
    >>> beside = linelab.review("ostrelle_practice", kart, track, laps=(4, 6), other_lap=3, position_error=0.25)
    >>> beside.target.title
    'your lap 3'
    """
    path = (str, PathLike)
    check_kinds("review", recording=(recording, (Recording, *path)))
    check_kinds("review", kart=(kart, (Kart, *path, type(None))), track=(track, (Track, *path, type(None))))
    check_kinds("review", position_error=(position_error, (float, int, type(None))), grip=(grip, (float, int)))
    numbers = lap_numbers("review", laps)
    if against is not None and (other_lap is not None or against == "other_lap"):
        raise InputError(
            'against="other_lap" needs the number of that lap'
            if other_lap is None
            else "against and other_lap each say what the laps are compared with",
            where="review",
            remedy="Give other_lap=7 alone, or another against without it",
        )
    given = recording_of(recording)
    ground = find_ground(
        given,
        track if track is None or isinstance(track, Track) else load_track(track),
        name=Path(given.source).stem,
        position_error=position_error,
    )
    notes: tuple[str, ...] = ()
    if kart is None:
        fitted = grounds_kart([ground])
        kart, notes = fitted.kart, fitted_notes(fitted)
    wanted = kart if isinstance(kart, Kart) else load_kart(kart)
    beside = None if other_lap is None else choose_laps(ground.laps, lap_numbers("review", other_lap))[0].label
    return review_recording(
        given, ground, wanted, choose_laps(ground.laps, numbers), against=against if beside is None else "other_lap",
        other=beside, grip=grip, notes=notes,
    )  # fmt: skip
