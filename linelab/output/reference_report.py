"""A computed lap in figures, one row a corner, as text and as data; written with its pictures into one folder."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import asdict
from os import PathLike
from typing import Any

from linelab.diagnosis.corner_figures import CornerRow, corner_marks
from linelab.files.lap_file import lap_csv
from linelab.files.text import csv_text
from linelab.files.writing import results_folder
from linelab.model.axles import too_tight
from linelab.model.grip_field import kerbs_allowed
from linelab.model.kart import Kart
from linelab.model.lap import Lap
from linelab.model.timed import timing_words
from linelab.model.track import Track, lap_ends
from linelab.optimum.minimum_time import Solution
from linelab.optimum.verify import Verification
from linelab.output.display import CAUTIONS, METRIC, Units, lap_time_words, number_text, rounded_parts
from linelab.output.lap_curves import gear_at, gears, up_shifts
from linelab.output.tables import text_table
from linelab.output.track_facts import day_words, patch_words
from linelab.study.the_day import off_groove_costs


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
    corners = corner_marks(track, lap, kart)
    for row, time in zip(corners, _times(corners, 3)):
        rows.append(
            [
                f"{row.label} {'left' if row.marks.corner.left else 'right'}",
                *_slowing_cells(row, units),
                f"{row.turn_in_speed / units.speed:.1f}",
                f"{row.min_speed / units.speed:.1f}",
                number_text(row.min_speed_place / units.length, 0, signed=True),
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


def two_apex_words(track: Track, lap: Lap, kart: Kart, units: Units = METRIC) -> list[str]:
    """The corners in which the line comes to the inside edge twice: where, and how fast."""
    words = []
    for row in corner_marks(track, lap, kart):
        if row.other_apex_station is None or row.other_apex_speed is None:
            continue
        places = [(row.apex_station, row.apex_speed), (row.other_apex_station, row.other_apex_speed)]
        first, second = places if row.marks.apex_names()[0] == "first apex" else places[::-1]
        words.append(
            f"Corner {row.label} has two apexes: the first at {units.length_text(first[0])} "
            f"({units.speed_text(first[1])}), the second at {units.length_text(second[0])} "
            f"({units.speed_text(second[1])})."
        )
    return [*words, '"After apex" counts from the slower of two apexes.'] if words else []


def gear_words(track: Track, lap: Lap, kart: Kart, units: Units = METRIC) -> list[str]:
    """The gear at each corner's marks and where to shift up, of a kart with more than one ratio; nothing of others."""
    chosen = gears(lap, kart)
    if chosen is None:
        return []
    rows = []
    for row in corner_marks(track, lap, kart):
        first = row.brake_station if row.brake_station is not None else row.lift_station
        places = (first, row.apex_station, row.track_out_station)
        cells = ["-" if place is None else str(gear_at(track, lap, chosen, place)) for place in places]
        rows.append([f"{row.label} {'left' if row.marks.corner.left else 'right'}", *cells])
    shifts = [
        f"to {shift.gear} at {units.length_text(shift.station)} ({units.speed_text(shift.speed, 0)})"
        for shift in up_shifts(lap, kart)
    ]
    return [
        text_table(["corner", "gear at\nbrake point", "\napex", "\ntrack-out"], rows),
        f"Shift up: {', '.join(shifts) or 'nowhere'}.",
        GEARS,
    ]


#: What the gears and shifts are.
GEARS = (
    "Gears are those that pull hardest at each speed. The lap loses no time for shifting: where two shifts lie close "
    "together, staying in one gear may be faster."
)


def table_words(track: Track, units: Units = METRIC) -> list[str]:
    """What the table's places and times mean."""
    words = [
        f"Places [{units.length_unit}] are distances {'round the lap' if track.closed else 'along the road'}, "
        f"{units.length_text(track.length)} in all."
    ]
    if track.corners:
        words.append(
            "A corner's time runs from half-way after the corner before to half-way to the next, so times are "
            "comparable between karts, grip levels and kerb settings. They add up to the lap time."
        )
        words.append('"lift": lift here; little or no brake. "-": the kart slows too gently for a mark, or not at all.')
    return words


def conditions(track: Track, solution: Solution, use_kerbs: bool) -> list[str]:
    """What the lap was computed for, in sentences, where that is not the kart file's grip with every kerb."""
    words = day_words(track)
    if solution.grip != 1.0:
        words.append(f"Grip: {solution.grip:.0%} of the kart file's.")
    if track.grip_zones:
        words.append(patch_words([zone.factor for zone in track.grip_zones]))
    return words if use_kerbs or not track.kerbs or not kerbs_allowed(track) else [*words, "No kerb is used."]


def groove_words(
    track: Track, kart: Kart, solution: Solution, units: Units = METRIC, *, use_kerbs: bool = True
) -> list[str]:
    """What it costs in each corner to run half a kart's width outside a groove that is the best place of the road."""
    day, groove = track.conditions, track.groove
    if groove is None or (groove.grip <= groove.beside if day is None else day.groove <= day.asphalt):
        return []
    costs = off_groove_costs(track, kart, solution, use_kerbs=use_kerbs)
    told = [
        f"corner {cost.corner} {cost.time_lost:.3f} s ({cost.by_grip:.3f})"
        if cost.time_lost is not None and cost.by_grip is not None
        else f"corner {cost.corner}: {cost.reason}"
        for cost in costs
    ]
    if not told:
        return []
    off = units.length_text(costs[0].off, 2)
    return [
        f"Half a kart's width ({off}) outside the groove at the apex costs (in brackets: by the lower grip alone): "
        f"{', '.join(told)}."
    ]


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
        *_steering_words(kart, lap, units),
    ]
    if check is None:
        words.append("Not checked independently.")
    else:
        words.append(
            f"Checked between its nodes: at most {check.edge_excess * 1e3:.0f} mm over an edge, "
            f"{check.grip_excess:.1%} over the grip and {check.engine_excess:.1%} over the engine; re-integrated, it "
            f"closes to {check.position_defect * 1e3:.0f} mm and {abs(check.time_defect) * 1e3:.1f} ms; "
            f"{_rival_words(solution, check)}."
        )
    return words


def _steering_words(kart: Kart, lap: Lap, units: Units) -> list[str]:
    """Where the kart's front wheels do not turn as far as the lap asks; nothing where they do, or no limit is known."""
    if (place := too_tight(kart, lap.line)) is None:
        return []
    return [
        f"The front wheels do not turn far enough for this lap: at {units.length_text(place.station)} its radius is "
        f"{units.length_text(place.radius, 1)}, and this kart turns on {units.length_text(place.least, 1)} at least. "
        "The real lap is slower there. Check axles.max_steer_degrees and wheelbase_m."
    ]


def computed_to(solution: Solution) -> float:
    """How far the lap time may be off [s]: as the mesh says, or as far as a second method is from it, if that is more;
    half a millisecond at least."""
    check = solution.verification
    apart = 0.0 if check is None or check.unlimited_time is not None else check.solver_time - solution.lap.lap_time
    return max(solution.time_error, abs(apart), 0.0005)


def _rival_words(solution: Solution, check: Verification) -> str:
    """How far the lap time is from another method's."""
    if check.unlimited_time is not None:
        return f"without the driver's limited rates the same line takes {lap_time_words(check.unlimited_time)}"
    apart = 1e3 * (check.solver_time - solution.lap.lap_time)
    return f"an independent speed profile on the same line differs by {apart:+.1f} ms"


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
        "stations": "distances round the lap, along the track's reference line, length_m long",
        "corner_times": "from half-way after the corner before to half-way to the next, by the track alone",
        "grip_factor": solution.grip,
        "conditions": None if track.conditions is None else asdict(track.conditions),
        "kerbs_allowed": use_kerbs and kerbs_allowed(track),
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
        "corners": [row.row() for row in corner_marks(track, lap, kart)],
    }


def corners_csv(track: Track, lap: Lap, kart: Kart) -> str:
    """The corners of a lap as CSV, one row a corner, SI units, the unit in every column's name."""
    corners = corner_marks(track, lap, kart)
    rows = [row.row() | {"time_s": time} for row, time in zip(corners, _times(corners, 4))]
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
