"""A review from a recording to a folder of results: laps, reference lap, comparison, tables and pictures."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from linelab.comparison.compare import Comparison, compare
from linelab.comparison.corridor_laps import ASSUMED_WIDTH, corridor_from_laps
from linelab.comparison.estimate import PositionBias, estimate_laps, stated_bias
from linelab.comparison.laps import RecordedLap, complete_laps, split_laps
from linelab.comparison.samples import own_plane
from linelab.comparison.sensors import Sensors, read_sensors
from linelab.comparison.start_line import StartLine, start_line_at
from linelab.errors import InputError, RecordingError
from linelab.io.outputs import results_folder
from linelab.kart import Kart
from linelab.lap import Recording
from linelab.report.display import METRIC, Units
from linelab.report.exports import save_corners_csv, save_nodes_csv, save_review_json
from linelab.report.reference_facts import lap_csv
from linelab.solve.mintime import Solution, solve_min_time
from linelab.track import Track


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Review:
    """A recording held against the reference lap.

    Parameters
    ----------
    recording : Recording
    track : Track
    kart : Kart
    laps : tuple of RecordedLap
        All of the recording, with their status.
    reference : Solution
    comparisons : tuple of Comparison
        One a reviewed lap.
    notes : tuple of str
        What had to be assumed or left out.
    """

    recording: Recording
    track: Track
    kart: Kart
    laps: tuple[RecordedLap, ...]
    reference: Solution
    comparisons: tuple[Comparison, ...]
    notes: tuple[str, ...] = ()


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
        Only for an estimated corridor; see :func:`recording_start_line`.
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
        return Ground(track=track, laps=laps, sensors=sensors, bias=bias, notes=(*samples.notes, *track.notes))
    title = name or "circuit from laps"
    found = corridor_from_laps(recording, start_line=start_line, assumed_width=assumed_width, name=title)
    bias = found.bias if position_error is None else stated_bias(position_error, found.sensors)
    return Ground(track=found.track, laps=found.laps, sensors=found.sensors, bias=bias, notes=found.notes)


def recording_start_line(recording: Recording, left: tuple[float, float], right: tuple[float, float]) -> StartLine:
    """A start line in the recording's own plane, from its ends in the recording's own coordinates.

    Longitude and latitude [deg], or x and y [m] for a recording in local metres.

    Raises
    ------
    InputError
        The line is too short or too long.
    """
    if recording.lon is not None:
        return start_line_at(own_plane(recording), left, right)
    import numpy as np

    return StartLine(left=np.array(left), right=np.array(right))


def choose_laps(laps: Sequence[RecordedLap], wanted: Sequence[int] = (), *, every: bool = False) -> list[RecordedLap]:
    """The laps to review: those numbered in ``wanted``, every complete one, or the fastest complete one.

    Raises
    ------
    RecordingError
        No such lap, or it cannot be reviewed.
    """
    complete = complete_laps(tuple(laps))
    if wanted:
        by_number = {lap.number: lap for lap in laps if lap.status in ("complete", "aborted")}
        for number in wanted:
            if number not in by_number:
                known = ", ".join(str(key) for key in by_number) or "none"
                raise RecordingError(f"there is no complete lap {number}", remedy=f"Choose among the laps {known}")
        return [by_number[number] for number in wanted]
    if not complete:
        raise RecordingError("no lap is complete", remedy="Name an aborted lap to review it all the same")
    return list(complete) if every else [min(complete, key=lambda lap: lap.duration)]


def review_recording(
    recording: Recording,
    ground: Ground,
    kart: Kart,
    laps: Sequence[RecordedLap],
    *,
    grip: float = 1.0,
    reference: Solution | None = None,
    progress: Callable[[str], None] = lambda text: None,
) -> Review:
    """Compare recorded laps with the reference lap of a kart on the same track.

    Parameters
    ----------
    ground : Ground
        From :func:`find_ground`.
    laps : sequence of RecordedLap
        From :func:`choose_laps`.
    grip : float
        Factor on the kart's grip for the reference lap.
    reference : Solution, optional
        Solved already for this track and kart.

    Raises
    ------
    SolveError, RecordingError, InputError
    """
    if not laps:
        raise InputError("no lap to review", where="laps", remedy="Choose at least one")
    solution = reference or solve_min_time(ground.track, kart, grip=grip, progress=progress)
    comparisons = []
    for driven in estimate_laps(ground.track, laps, sensors=ground.sensors, bias=ground.bias):
        progress(f"comparing {driven.lap.label}")
        comparisons.append(compare(ground.track, solution.lap, driven, kart))
    return Review(
        recording=recording,
        track=ground.track,
        kart=kart,
        laps=ground.laps,
        reference=solution,
        comparisons=tuple(comparisons),
        notes=(*recording.notes, *ground.notes),
    )


def save_review(
    folder: str | Path,
    review: Review,
    units: Units = METRIC,
    *,
    pictures: bool = True,
    settings: dict[str, object] | None = None,
    progress: Callable[[str], None] = lambda text: None,
) -> list[str]:
    """Write review.json, corners.csv, nodes.csv and the pictures of every reviewed lap, and the reference lap's nodes.

    With several laps each file's name starts with the lap's.

    Returns
    -------
    list of str
        Names of the files.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    chosen = {
        "recording": review.recording.source,
        "kart": review.kart.name,
        "grip_factor": review.reference.grip,
        "reference_lap_time_error_s": review.reference.time_error,
        "recording_notes": list(review.notes),
        **(settings or {}),
    }
    several = len(review.comparisons) > 1
    with results_folder(folder) as stage:
        (stage / "reference_lap.csv").write_text(lap_csv(review.reference.lap), encoding="utf-8")
        for comparison in review.comparisons:
            prefix = f"{comparison.driven.lap.label.replace(' ', '_')}_" if several else ""
            save_review_json(comparison, stage / f"{prefix}review.json", settings=chosen)
            save_corners_csv(comparison, stage / f"{prefix}corners.csv")
            save_nodes_csv(comparison, stage / f"{prefix}nodes.csv")
            if pictures:
                from linelab.report.figures import save_review_pictures

                save_review_pictures(
                    stage, review.track, comparison, review.kart, units, prefix=prefix, progress=progress
                )
        return sorted(item.name for item in stage.iterdir())
