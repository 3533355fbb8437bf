"""A track before it is driven: its sheet, and a walk through the computed lap from mark to mark.

What is said at a mark is what the track sheet says there; times and speeds are the computed lap's or, to begin with,
those of a line with room for a driver who scatters.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from linelab.app.library import Library
from linelab.app.tasks.understanding import named_track
from linelab.app.tasks.what_if import close_up_box
from linelab.files.kart_file import load_kart
from linelab.model.kart import Kart
from linelab.model.timed import time_at
from linelab.model.track import Track
from linelab.optimum.minimum_time import solve_min_time
from linelab.output.display import Units, units_named
from linelab.output.lap_curves import Pedal, gear_at, gears, pedal_codes
from linelab.output.margins.margin_report import one_in, two_of_three
from linelab.output.page.svg_map import PER_METRE, map_ground, target_path
from linelab.output.sheet.begin_marks import BeginCorner, Row, begin_corners, begin_summary, first_of, later_words
from linelab.output.sheet.corner_facts import MISS, SheetCorner, SheetMark, sheet_corners
from linelab.output.sheet.how_driven import Way
from linelab.output.sheet.sheet_words import (
    PACE,
    brake_words,
    caution_note,
    caution_words,
    flat_out,
    lowest_words,
    mark_words,
    pace_text,
    sight_words,
    slowing_words,
    summary_words,
)
from linelab.output.sheet.track_sheet import marks_caution, track_sheet
from linelab.output.track_facts import survey_sentence
from linelab.study.habit_costs import HabitCost, habit_costs
from linelab.study.scattering.margins import MarginLap, margin_lap
from linelab.units import Array

Step = Callable[[str], None]

#: The kart's place is given so often [s]; between two the page moves it evenly.
TICK = 0.05
#: The walk through a circuit begins so long before the first mark of corner 1 [s].
RUN_UP = 3.0
#: A corner's close-up shows this much of the lap before its first mark and after its last [m].
AROUND = 15.0
#: A mark is placed by something that can be seen if that is so near [m].
IN_SIGHT = 25.0
#: An edge is clipped from so near [m].
CLIPPED = 0.3
#: What the feet do, in words.
PEDALS = {Pedal.BRAKE: "on the brake", Pedal.COAST: "off both pedals", Pedal.DRIVE: "on the power"}


class Road(NamedTuple):
    """A computed lap on its track, with what may be asked along it."""

    way: Way
    kart: Kart
    gear: Any  #: gears at the nodes (N,), or none
    begins: float  #: when the walk begins [s]

    def time(self, station: float) -> float:
        """Time of the walk at a station, unwrapped [m] -> [s]."""
        track, lap = self.way.track, self.way.lap
        turns = station // track.length if track.closed else 0.0
        at = time_at(lap.line.s, lap.t, np.array([self.way.local(station)]))[0]
        passed = float(at) + turns * lap.lap_time - self.begins
        return passed % lap.lap_time if track.closed else passed


def make_sheet(folder: Path, given: dict[str, Any], step: Step) -> dict[str, Any]:
    """Write the track sheet into the library, where it replaces an earlier one of the same track and kart.

    Raises
    ------
    LinelabError
        The track or the kart cannot be used.
    """
    track, kart = _subject(folder, given)
    name = given["sheet"]
    target = folder / "sheets" / name
    target.parent.mkdir(parents=True, exist_ok=True)
    solution = solve_min_time(track, kart, progress=step)
    begin = margin_lap(track, kart, solution=solution, progress=step) if given["begin"] else None
    files = track_sheet(track, kart, target, solution=solution, units=given["units"], begin=begin, progress=step)
    return {"sheet": name, "files": files}


def walk_through(folder: Path, given: dict[str, Any], step: Step) -> dict[str, Any]:
    """The computed lap in small steps of time, and each corner's marks with what to do there.

    Raises
    ------
    LinelabError
        The track or the kart cannot be used.
    """
    track, kart = _subject(folder, given)
    units = units_named(given["units"])
    step("computing the fastest lap")
    solution = solve_min_time(track, kart, progress=step)
    costs: Sequence[HabitCost] = ()  # they are the computed lap's
    if not given["begin"]:
        costs = habit_costs(track, kart, solution, habit="apex_missed", sizes=(MISS,), progress=step)
    step("marks and words")
    rows: Sequence[Row] = sheet_corners(track, solution.lap, kart, costs)
    lap, room = solution.lap, None
    if given["begin"]:
        room = margin_lap(track, kart, solution=solution, progress=step)
        lap, rows = room.lap, begin_corners(track, kart, room, [*map(first_of, rows)])
    corners = [first_of(row) for row in rows]
    road = _from_its_beginning(Road(Way(track=track, lap=lap), kart, gears(lap, kart), float(lap.t[0])), corners)
    return {
        "track": track.name,
        "kart": kart.name,
        "closed": track.closed,
        "caution": marks_caution(solution.grip, begin=room is not None),
        "notes": [
            *([] if room is None else [_room_note(room, units)]),
            f"In brackets: paces of {pace_text(PACE, units)}.",
            *([caution_note(solution.grip)] if any(corner.caution for corner in corners) else []),
            survey_sentence(track.survey, units),
        ],
        "map": asdict(map_ground(track, units)),
        "line": target_path(lap),
        "speed_unit": units.speed_unit,
        "tick": TICK,
        **_moments(road, units),
        "corners": [_corner(road, row, units) for row in rows],
    }


def _subject(folder: Path, given: dict[str, Any]) -> tuple[Track, Kart]:
    library = Library(folder)
    return named_track(library, given["track"], given["reverse"]), load_kart(library.path("kart", given["kart"]))


def _from_its_beginning(road: Road, corners: Sequence[SheetCorner]) -> Road:
    """The road with the walk through a circuit begun shortly before corner 1, but after the last corner's last mark."""
    if not road.way.track.closed or not corners:
        return road
    first, last = corners[0].driven[0].along, corners[-1].driven[-1].along
    free = (road.time(first) - road.time(last)) % road.way.lap.lap_time
    run_up = min(RUN_UP, 0.98 * free)
    return road._replace(begins=(road.time(first) + road.begins - run_up) % road.way.lap.lap_time)


def _moments(road: Road, units: Units) -> dict[str, Any]:
    """Where the kart is and what it does every TICK, from the walk's beginning to its end."""
    lap, track = road.way.lap, road.way.track
    clock = np.append(np.arange(0.0, lap.lap_time, TICK), lap.lap_time)
    t = road.begins + clock
    if track.closed:
        t = lap.t[0] + np.mod(t - lap.t[0], lap.lap_time)
    at = np.clip(np.searchsorted(lap.t, t, side="right") - 1, 0, lap.t.size - 1)
    pedals = pedal_codes(lap, road.kart)[at]

    def seen(values: Array) -> Array:
        return np.asarray(np.interp(t, lap.t, values))

    return {
        "t": np.round(clock, 3).tolist(),
        "x": np.rint(PER_METRE * seen(lap.line.x)).astype(int).tolist(),
        "y": np.rint(-PER_METRE * seen(lap.line.y)).astype(int).tolist(),
        "heading": np.round(np.degrees(seen(lap.line.psi)), 1).tolist(),
        "v": np.round(seen(lap.v) / units.speed, 1).tolist(),
        "gear": None if road.gear is None else road.gear[at].tolist(),
        "pedal": [PEDALS[Pedal(code)] for code in pedals.tolist()],
    }


def _room_note(room: MarginLap, units: Units) -> str:
    """For whom the marks to begin with are, and what "later" is."""
    return (
        "These marks leave room to the edges for a driver whose passes differ: "
        f"{two_of_three(room.scatter, units)}. Such a driver leaves the track on {one_in(room.chance)} laps. The room "
        f'costs {room.time_lost:.1f} s a lap. "Later" is where the computed lap has its mark: go on to it one corner '
        "at a time."
    )


def _corner(road: Road, row: Row, units: Units) -> dict[str, Any]:
    """One corner: what to know, its close-up, and its marks in the order they are passed."""
    corner = first_of(row)
    marks = corner.marks
    found = [(mark.along, _mark(road, corner, mark, units) | _later(row, mark, units)) for mark in corner.driven]
    if corner.slows is not None and not flat_out(corner):
        slowest = f"{lowest_words(corner, units)}."
        found.append(
            (marks.minimum_speed, _place(road, marks.minimum_speed, "slowest", "Slowest point", slowest, units))
        )
        if marks.drive_point < marks.track_out:
            again = "Back on the power, as much as the tyres take."
            found.append((marks.drive_point, _place(road, marks.drive_point, "drive", "Drive point", again, units)))
    found.sort(key=lambda each: each[0])
    first, last = found[0][0], max(found[-1][0], marks.track_out)
    before = [] if corner.brake is not None else [" ".join(brake_words(corner, units)), *caution_words(corner, units)]
    return {
        "number": corner.number,
        "label": marks.corner.label,
        "hand": "left" if marks.corner.left else "right",
        "begins": road.time(first),
        "box": close_up_box(road.way.track, road.way.lap, first - AROUND, last + AROUND),
        "about": begin_summary(row, units, PACE) if isinstance(row, BeginCorner) else summary_words(corner, units),
        "before": [_sentence(text) for text in before],
        "marks": [step for _, step in found],
    }


def _later(row: Row, mark: SheetMark, units: Units) -> dict[str, str]:
    """Where the computed lap has the mark."""
    words = later_words(row, mark, units, PACE) if isinstance(row, BeginCorner) else ""
    return {"later": _sentence(words) if words else ""}


def _mark(road: Road, corner: SheetCorner, mark: SheetMark, units: Units) -> dict[str, Any]:
    """A mark of the sheet: its name, what to do there, and where it is."""
    names = {"turn in": "turn-in", "track out": "track-out", "brake": "brake point", "lift": "lift point"}
    name = names.get(mark.name, mark.name)
    kind = mark.name if mark.name in ("brake", "lift") else name.split()[-1]
    step = _place(road, mark.along, kind, f"{name[0].upper()}{name[1:]}", _do(corner, mark, units), units)
    where = mark_words(mark, units)
    if mark.kerb is None and abs(mark.sight.distance) <= IN_SIGHT:
        where += [text for text in [sight_words(mark.sight, units)] if text not in where]
    caution = caution_words(corner, units) if mark is corner.brake else []
    return step | {"where": _sentence("; ".join(where)), "caution": "; ".join(_sentence(text) for text in caution)}


def _do(corner: SheetCorner, mark: SheetMark, units: Units) -> str:
    """What to do at a mark."""
    if mark is corner.brake:
        return {
            "brake": "Brake.",
            "part power": "Ease off to part power.",
            "lift, light brake": "Lift, with a little brake.",
        }.get(slowing_words(corner), "Lift, no brake.")
    gap = next(((side, gap) for each, side, gap in corner.gaps if each is mark), None)
    edge = "" if gap is None else _edge_words(*gap, units)
    if mark.name == "turn in":
        return f"Turn in to the {'left' if corner.marks.corner.left else 'right'}{edge}."
    if mark.name == "track out":
        return f"Let the kart run out{edge}."
    return f"{'Clip' if gap is not None and gap[1] < CLIPPED else 'Pass'} the inside{edge}."


def _edge_words(side: str, gap: float, units: Units) -> str:
    """ ", your side 0.1 m from the left edge"."""
    away = units.length_text(abs(gap), 1)
    if away.startswith("0.0 "):
        return f", your side at the {side} edge"
    return f", your side {away} {'over' if gap < 0.0 else 'from'} the {side} edge"


def _place(road: Road, station: float, kind: str, name: str, do: str, units: Units) -> dict[str, Any]:
    """A place along the walk."""
    way = road.way
    return {
        "kind": kind,
        "name": name,
        "do": do,
        "where": "",
        "caution": "",
        "later": "",
        "t": road.time(station),
        "x": round(PER_METRE * way.value(way.line.x, station)),
        "y": -round(PER_METRE * way.value(way.line.y, station)),
        "speed": units.speed_text(way.value(way.lap.v, station), 0),
        "gear": None if road.gear is None else gear_at(way.track, way.lap, road.gear, station),
    }


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:].rstrip(',')}."
