"""A computed lap written out: figures, lap and pictures into one folder.

The computed lap in figures: one row a corner, as a table for the terminal and as plain data for files.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from os import PathLike
from typing import Any

import numpy as np

from linelab.diagnosis.marks import CornerMarks, find_marks
from linelab.diagnosis.stretches import Stretch, corner_stretches
from linelab.files.lap_file import lap_csv
from linelab.files.text import csv_text
from linelab.files.writing import results_folder
from linelab.model.kart import Kart
from linelab.model.lap import Lap
from linelab.model.timed import time_at, timing_words
from linelab.model.track import Track, lap_ends
from linelab.optimum.minimum_time import Solution
from linelab.optimum.verify import Verification
from linelab.output.display import CAUTIONS, METRIC, Units, lap_time_words, rounded_parts
from linelab.output.tables import text_table
from linelab.output.track_facts import patch_words


@dataclass(frozen=True, kw_only=True, slots=True)
class CornerRow:
    """One corner of the computed lap; stations [m] within the lap, speeds [m/s], times [s].

    ``time`` is that in the corner's ``stretch``, which the track alone decides.  The brake figures are
    None where the lap does not brake for the corner, the lift's where it does not slow for it by lifting alone.
    """

    marks: CornerMarks
    brake_station: float | None
    brake_speed: float | None
    lift_station: float | None
    lift_speed: float | None
    turn_in_station: float
    turn_in_speed: float
    apex_station: float
    apex_speed: float
    min_speed: float
    min_speed_place: float  #: relative to the apex, positive after it [m]
    drive_station: float
    track_out_station: float
    track_out_speed: float
    stretch: Stretch
    time: float

    @property
    def label(self) -> str:
        """Number and name of the corner."""
        return self.marks.corner.label


def corner_rows(track: Track, lap: Lap, kart: Kart) -> tuple[CornerRow, ...]:
    """Figures of every corner of a kart's lap on its track, in driving order."""
    return tuple(_row(track, lap, *pair) for pair in zip(find_marks(track, lap, kart), corner_stretches(track)))


def _time_in(lap: Lap, stretch: Stretch) -> float:
    """Time a lap spends in a stretch, which may run over the start line [s]."""
    wrapped = lap.line.closed and stretch.s_end <= stretch.s_start
    ends = np.clip([stretch.s_start, stretch.s_end], lap.line.s[0], lap.line.s[-1])
    start, stop = (float(t) for t in time_at(lap.line.s, lap.t, ends))
    return stop - start + (lap.lap_time if wrapped else 0.0)


def _row(track: Track, lap: Lap, mark: CornerMarks, stretch: Stretch) -> CornerRow:
    def local(station: float) -> float:
        return station % track.length if track.closed else station

    def speed(station: float) -> float:
        return float(np.interp(local(station), lap.line.s, lap.v))

    return CornerRow(
        marks=mark,
        brake_station=local(mark.brake_point) if mark.brakes else None,
        brake_speed=speed(mark.brake_point) if mark.brakes else None,
        lift_station=local(mark.slows_from) if mark.lifts else None,
        lift_speed=speed(mark.slows_from) if mark.lifts else None,
        turn_in_station=local(mark.turn_in),
        turn_in_speed=speed(mark.turn_in),
        apex_station=local(mark.apex),
        apex_speed=speed(mark.apex),
        min_speed=speed(mark.minimum_speed),
        min_speed_place=mark.minimum_speed - mark.apex,
        drive_station=local(mark.drive_point),
        track_out_station=local(mark.track_out),
        track_out_speed=speed(mark.track_out),
        stretch=stretch,
        time=_time_in(lap, stretch),
    )


def reference_table(track: Track, lap: Lap, kart: Kart, units: Units = METRIC) -> str:
    """The corners of a computed lap as a text table."""
    speed, length = f"[{units.speed_unit}]", f"[{units.length_unit}]"
    headers = [
        "corner",
        f"brake point\n{length}",
        f"speed there\n{speed}",
        f"turn-in\n{speed}",
        f"minimum\n{speed}",
        f"after apex\n{length}",
        f"drive point\n{length}",
        f"track-out\n{speed}",
        "time\n[s]",
    ]
    rows = []
    corners = corner_rows(track, lap, kart)
    for row, time in zip(corners, _times(corners, 3)):
        rows.append(
            [
                f"{row.label} {'left' if row.marks.corner.left else 'right'}",
                *_slowing_cells(row, units),
                f"{row.turn_in_speed / units.speed:.1f}",
                f"{row.min_speed / units.speed:.1f}",
                f"{row.min_speed_place / units.length:+.0f}",
                f"{row.drive_station / units.length:.0f}",
                f"{row.track_out_speed / units.speed:.1f}",
                f"{time:.3f}",
            ]
        )
    return text_table(headers, rows) if rows else "This track has no corners."


def _times(corners: Sequence[CornerRow], digits: int) -> list[float]:
    """Times in the corners, rounded so that they add up to the lap time as it is shown [s]."""
    times = [row.time for row in corners]
    return rounded_parts(sum(times), times, digits)[1]


def _slowing_cells(row: CornerRow, units: Units) -> tuple[str, str]:
    """Where and from what speed the lap brakes for a corner, or lifts for it."""
    if row.brake_station is not None and row.brake_speed is not None:
        return f"{row.brake_station / units.length:.0f}", f"{row.brake_speed / units.speed:.1f}"
    if row.lift_station is not None and row.lift_speed is not None:
        return f"lift {row.lift_station / units.length:.0f}", f"{row.lift_speed / units.speed:.1f}"
    return "-", "-"


def table_words(track: Track, units: Units = METRIC) -> list[str]:
    """What the table's stations and times are measured along and between."""
    words = [
        f"Stations ({units.length_unit}) are along the track's reference line, {units.length_text(track.length)} long."
    ]
    if track.corners:
        words.append(
            "A corner's time is from half-way to the corner before to half-way to the next, by the track alone: it "
            "compares between karts, grips and kerbs, and adds up to the lap time."
        )
        words.append(
            '"lift": the kart slows from there by less power, with a touch of brake at most; "-": it slows '
            "too gently for a mark, or not at all."
        )
    return words


def conditions(track: Track, solution: Solution, use_kerbs: bool) -> list[str]:
    """What the lap was computed for, in sentences, where that is not the kart file's grip with every kerb."""
    words = [] if solution.grip == 1.0 else [f"Grip: {solution.grip:.0%} of the kart file's."]
    if track.grip_zones:
        words.append(patch_words([zone.factor for zone in track.grip_zones]))
    return words if use_kerbs or not track.kerbs else [*words, "No kerb is used."]


def reference_words(
    track: Track, kart: Kart, solution: Solution, units: Units = METRIC, *, use_kerbs: bool = True
) -> list[str]:
    """The computed lap in sentences: its time, its speeds, and how it was checked; ``use_kerbs`` as it was solved."""
    lap, check = solution.lap, solution.verification
    timed = timing_words(track)
    words = [
        f"Computed lap of {track.name} with {kart.name}: {lap_time_words(solution.lap_time)}, "
        f"accurate to {computed_to(solution):.3f} s.",
        *([f"That is {timed}; the whole road takes {lap_time_words(lap.lap_time)}."] if timed else []),
        f"{units.length_text(lap.line.length)} driven, {units.speed_text(lap.v.min())} to "
        f"{units.speed_text(lap.v.max())}.",
        *conditions(track, solution, use_kerbs),
    ]
    if check is None:
        words.append("Not checked independently.")
    else:
        words.append(
            f"Checked between its nodes: at most {check.edge_excess * 1e3:.0f} mm over an edge, "
            f"{check.grip_excess:.1%} over the grip and {check.engine_excess:.1%} over the engine; driven again by its "
            f"curvature and speed it ends {check.position_defect * 1e3:.0f} mm and "
            f"{abs(check.time_defect) * 1e3:.1f} ms away; {_rival_words(solution, check)}."
        )
    return words


def computed_to(solution: Solution) -> float:
    """How far the lap time may be off [s]: as the mesh says, or as far as a second method is from it, if that is more;
    half a millisecond at least."""
    check = solution.verification
    apart = 0.0 if check is None or check.unlimited_time is not None else check.solver_time - solution.lap.lap_time
    return max(solution.time_error, abs(apart), 0.0005)


def _rival_words(solution: Solution, check: Verification) -> str:
    """How the lap time stands beside that of another method."""
    if check.unlimited_time is not None:
        return f"without the driver's rates that line takes {lap_time_words(check.unlimited_time)}"
    return f"a second method takes {1e3 * (check.solver_time - solution.lap.lap_time):+.1f} ms on that line"


def reference_data(track: Track, kart: Kart, solution: Solution, *, use_kerbs: bool = True) -> dict[str, Any]:
    """The computed lap's figures as plain data for JSON, SI units, the unit in every name.

    Lap time and corner times are between the timing lines; what was checked is the whole road of an open track.
    """
    lap, check = solution.lap, solution.verification
    begin, end = lap_ends(track)
    return {
        "what": "computed lap",
        "cautions": CAUTIONS,
        "track": {
            "name": track.name,
            "length_m": track.length,
            "edges": track.survey.kind,
            "assumed_width_m": track.survey.assumed_width,
            "note": track.survey.note,
        },
        "kart": {"name": kart.name, "mass_kg": kart.mass, "mu_lateral": kart.mu_lateral},
        "stations": "along the track's reference line, length_m long",
        "corner_times": "from half-way to the corner before to half-way to the next, by the track alone",
        "grip_factor": solution.grip,
        "kerbs_allowed": use_kerbs,
        "lap_time_s": solution.lap_time,
        "lap_time_error_s": solution.time_error,
        "timed_from_m": begin,
        "timed_to_m": end,
        "whole_road_time_s": lap.lap_time,
        "path_length_m": lap.line.length,
        "checked": None
        if check is None
        else {
            "simulated_lap_time_s": check.simulated_time,
            "edge_excess_m": check.edge_excess,
            "grip_excess_share": check.grip_excess,
            "engine_excess_share": check.engine_excess,
            "speed_defect_mps": check.speed_defect,
            "position_defect_m": check.position_defect,
            "optimiser_lap_time_s": check.solver_time,
        },
        "corners": [_row_data(row) for row in corner_rows(track, lap, kart)],
    }


def _row_data(row: CornerRow) -> dict[str, Any]:
    return {
        "number": row.marks.corner.number,
        "name": row.marks.corner.name,
        "turns": "left" if row.marks.corner.left else "right",
        "brake_point_m": row.brake_station,
        "brake_point_speed_mps": row.brake_speed,
        "lift_point_m": row.lift_station,
        "lift_point_speed_mps": row.lift_speed,
        "turn_in_m": row.turn_in_station,
        "turn_in_speed_mps": row.turn_in_speed,
        "apex_m": row.apex_station,
        "apex_speed_mps": row.apex_speed,
        "minimum_speed_mps": row.min_speed,
        "minimum_speed_after_apex_m": row.min_speed_place,
        "drive_point_m": row.drive_station,
        "track_out_m": row.track_out_station,
        "track_out_speed_mps": row.track_out_speed,
        "stretch_start_m": row.stretch.s_start,
        "stretch_end_m": row.stretch.s_end,
        "time_s": row.time,
    }


def corners_csv(track: Track, lap: Lap, kart: Kart) -> str:
    """The corners of a lap as CSV, one row a corner, SI units, the unit in every column's name."""
    corners = corner_rows(track, lap, kart)
    rows = [_row_data(row) | {"time_s": time} for row, time in zip(corners, _times(corners, 4))]
    shown = [[f"{v:.4f}" if isinstance(v, float) else "" if v is None else v for v in row.values()] for row in rows]
    return csv_text([list(rows[0]) if rows else ["number"], *shown], line_end="\n")


def save_reference(
    folder: str | PathLike[str],
    track: Track,
    kart: Kart,
    solution: Solution,
    units: Units = METRIC,
    *,
    pictures: bool = True,
    corners: Sequence[int] = (),
    formats: Sequence[str] = (),
    use_kerbs: bool = True,
    progress: Callable[[str], None] = lambda text: None,
) -> list[str]:
    """Write reference_lap.json, reference_lap.csv (one row a node), reference_corners.csv and the pictures.

    Parameters
    ----------
    folder : path
        Replaced as a whole at the end; see :func:`linelab.files.writing.results_folder`.
    corners : sequence of int
        Numbers of the corners that get a close-up.
    formats : sequence of str
        Further formats of the line and its marks; see :func:`linelab.output.lap_files.save_lines`.
    use_kerbs : bool
        As in the solution.

    Returns
    -------
    list of str
        Names of the files.

    Raises
    ------
    InputError
        The folder cannot be written, or a format does not suit the track.
    """
    with results_folder(folder) as stage:
        text = json.dumps(
            reference_data(track, kart, solution, use_kerbs=use_kerbs), indent=1, ensure_ascii=False, allow_nan=False
        )
        (stage / "reference_lap.json").write_text(text + "\n", encoding="utf-8")
        (stage / "reference_lap.csv").write_text(lap_csv(solution.lap, digits=8), encoding="utf-8")
        (stage / "reference_corners.csv").write_text(corners_csv(track, solution.lap, kart), encoding="utf-8")
        if formats:
            from linelab.output.lap_files import save_lines

            save_lines(stage, formats, track, solution.lap, kart)
        if pictures:
            from linelab.output.draw.pictures import save_reference_pictures

            notes = " ".join(conditions(track, solution, use_kerbs))
            save_reference_pictures(
                stage, track, solution.lap, kart, units, corners=corners, notes=notes, progress=progress
            )
        return sorted(item.name for item in stage.iterdir())
