"""The review of a session of the library, written into the session's folder as the command writes it."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

from linelab.app.library import FRESH, Library
from linelab.app.tasks.understanding import session_ground, session_recording
from linelab.coaching.from_recording import choose_laps, fitted_notes, grounds_kart, review_recording
from linelab.errors import InputError
from linelab.files.bundled import DEMO_KART, DEMO_POSITION_ERROR, DEMO_RECORDING, DEMO_TRACK, bundled_recordings
from linelab.files.kart_file import load_kart
from linelab.files.writing import write_text
from linelab.output.display import units_named
from linelab.output.page.content import Beside
from linelab.output.review_report import beside_other, save_review
from linelab.study.other_sessions import other_driver

Step = Callable[[str], None]


def review_session(folder: Path, given: dict[str, Any], step: Step) -> dict[str, Any]:
    """Review a session and write page, JSON and tables; returns what was written.

    Raises
    ------
    LinelabError
        The recording, track or kart cannot be used; nothing is written then.
    """
    library = Library(folder)
    session = library.session(given["session"])
    recording = session_recording(library, session, step)
    track_name, ground = session_ground(library, session, recording, step)
    laps = choose_laps(ground.laps, session["laps"])
    notes: tuple[str, ...] = ()
    if session["kart"]:
        kart = load_kart(library.path("kart", session["kart"]))
    else:
        step("fitting the kart")
        fitted = grounds_kart([ground])
        kart, notes = fitted.kart, fitted_notes(fitted)
    mate = None
    if session["beside"]:
        other = library.session(session["beside"])
        step(f"reviewing {other['name']}")
        theirs = session_recording(library, other, step)
        _, their_ground = session_ground(library, other | {"track": track_name}, theirs, step)
        if not track_name or their_ground.track != ground.track:
            raise InputError(
                "the two sessions are not on one known track",
                where=other["name"],
                remedy="Draw or choose the track for both, then review again",
            )
        name = session["beside_name"] or other["driver"] or other["name"]
        mate = other_driver(theirs, their_ground, kart, name, progress=step)
    against = session["against"] or None
    own_lap = None
    if session["against_lap"] is not None:
        against, own_lap = "other_lap", choose_laps(ground.laps, [session["against_lap"]])[0].label
    step("computing the fastest lap")
    result = review_recording(
        recording,
        ground,
        kart,
        laps,
        against="other_lap" if mate is not None and against is None else against,
        other=mate.lap if mate is not None and against is None else own_lap,
        reference=None if mate is None else mate.review.solution,
        notes=notes,
        progress=step,
    )
    held: Beside | None = None if mate is None else beside_other(mate.review, result, mate.name)
    files = save_review(
        result,
        library.session_folder(session["name"]) / "review",
        units_named(session["shown_units"]),
        print_file=bool(given.get("print")),
        beside=held,
        driver=session["driver"],
        notes=session["notes"],
        progress=step,
    )
    best = result.laps[result.best]
    found = {
        "title": result.track.name,
        "track": track_name,
        "estimated": result.track.survey.estimated,
        "laps": len(result.laps),
        "best": best.lap_time.value,
        "best_sigma": best.lap_time.sigma,
        "verdict": result.verdict,
        "work_on": [card.title for card in result.priorities],
    }
    text = json.dumps(found, ensure_ascii=False, indent=1)
    write_text(library.session_folder(session["name"]) / "found.json", text)
    return {"session": session["name"], "files": files}


def print_session(folder: Path, given: dict[str, Any], step: Step) -> dict[str, Any]:
    """The review of a session with its PDF."""
    return review_session(folder, given | {"print": True}, step)


def demo_session(folder: Path, given: dict[str, Any], step: Step) -> dict[str, Any]:
    """Put the demo's session into the library, once, and review it."""
    library = Library(folder)
    name = next((item["name"] for item in library.sessions() if item.get("demo")), "")
    if not name:
        source = bundled_recordings()[DEMO_RECORDING]
        known = FRESH | {
            "day": date.today().isoformat(),
            "demo": True,
            "driver": "Invented driver of the demo",
            "track": DEMO_TRACK,
            "kart": DEMO_KART,
            "position_error": DEMO_POSITION_ERROR,
        }
        name = library.new_session("demo", known, [(source, source.name)], copy=True)
    return review_session(folder, {"session": name}, step)
