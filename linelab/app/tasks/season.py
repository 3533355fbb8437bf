"""A driver's sessions on one track in order of date, written into the library as `linelab progress` writes them."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from linelab.app.kept.revisions import plain_name
from linelab.app.library import Library
from linelab.app.tasks.understanding import ESTIMATED, named_track, session_recording
from linelab.errors import LinelabError, RecordingError
from linelab.files.kart_file import load_kart
from linelab.files.session_list import SessionNote
from linelab.output.progress_report import save_progress
from linelab.study.progress import SessionGiven, progress_over

Step = Callable[[str], None]


def put_in_order(folder: Path, given: dict[str, Any], step: Step) -> dict[str, Any]:
    """Read the sessions named, put them side by side and save what was found.

    ``given`` has ``sessions`` (names), ``driver`` (for the results' name), ``track`` (a name of the library; empty
    where it is to be estimated from the laps) and ``reverse``.

    Returns
    -------
    dict
        ``name`` of the folder in "progress", and its files.

    Raises
    ------
    RecordingError
        No session can be used: each with its reason.
    InputError, TrackError
        The track.
    """
    library = Library(folder)
    known = given["track"] not in ("", ESTIMATED)
    track = named_track(library, given["track"], given["reverse"]) if known else None
    read: list[SessionGiven] = []
    skipped: list[tuple[str, str]] = []
    for name in given["sessions"]:
        try:
            read.append(_read(library, name, step))
        except LinelabError as error:
            skipped.append((name, str(error)))
    found = progress_over(read, track=track, skipped=skipped, step=step)
    if not found.venues:
        reasons = "; ".join(f"{name}: {reason}" for name, reason in found.skipped)
        raise RecordingError(
            f"no session can be used ({reasons or 'none was chosen'})", where="progress", remedy="Choose other sessions"
        )
    step("drawing")
    name = season_name(given["driver"], given["track"], given["reverse"])
    about = {key: given[key] for key in ("driver", "track", "reverse")}
    files = save_progress(found, library.folder / "progress" / name, pictures=("png", "svg"), about=about)
    return {"name": name, "files": files}


def season_name(driver: str, track: str, reverse: bool) -> str:
    """Name of the folder of a driver's progress on a track."""
    return plain_name("-".join(part for part in (driver, track, "reverse" if reverse else "") if part), "progress")


def _read(library: Library, name: str, step: Step) -> SessionGiven:
    """A session of the library, with what its file says of kart, weather and tyres."""
    step(f"reading {name}")
    session = library.session(name)
    day = session["day"]
    typed = datetime.fromisoformat(f"{day}T12:00:00+00:00") if day else datetime.fromtimestamp(0.0, UTC)
    return SessionGiven(
        source=name,
        recording=session_recording(library, session, step),
        when=typed.timestamp(),
        dated="given",
        note=SessionNote(
            kart=load_kart(library.path("kart", session["kart"])) if session["kart"] else None,
            weather=session["weather"],
            tyres=session["tyres"],
            note=session["notes"],
        ),
        position_error=session["position_error"],
    )
