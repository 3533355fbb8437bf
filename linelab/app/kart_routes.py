"""Karts listed, opened, changed, fitted and removed; a driver's progress over a season."""

from __future__ import annotations

import json
import tomllib
from contextlib import suppress
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from linelab.app.gate import FILE_POLICY
from linelab.app.kept.revisions import NAME
from linelab.app.library import Library
from linelab.app.requests import begun, desk, file_sent, given, text_of
from linelab.errors import InputError, legible

#: The process that karts are checked and drawn in: it is kept between changes.
KEPT = "kart"
#: A kart file larger than this is something else [bytes].
LARGEST_KART = 100_000
#: A progress.json larger than this is something else [bytes].
LARGEST_PROGRESS = 20_000_000


def kart_routes() -> list[Route]:
    """Routes of karts and of progress."""
    return [
        Route("/api/kart-list", kart_list),
        Route("/api/karts/{name}/open", open_kart, methods=["POST"]),
        Route("/api/karts/{name}/remove", remove_kart, methods=["POST"]),
        Route("/api/kart/look", look, methods=["POST"]),
        Route("/api/kart/save", save, methods=["POST"]),
        Route("/api/kart/fit", fit, methods=["POST"]),
        Route("/api/season", begin_season, methods=["POST"]),
        Route("/api/seasons", seasons),
        Route("/seasons/{name}/{file}", season_file),
    ]


async def kart_list(request: Request) -> JSONResponse:
    """All karts with what their files say of them; own ones first, damaged ones with the reason."""
    library = desk(request).library
    found = [_about(library, name, path) for name, path in library.names("kart").items()]
    return JSONResponse(sorted(found, key=lambda kart: (kart["bundled"], kart["title"].lower())))


def _about(library: Library, name: str, path: Path) -> dict[str, Any]:
    about: dict[str, Any] = {"name": name, "bundled": library.is_bundled(path), "title": name, "says": "", "fault": ""}
    try:
        with path.open("rb") as file:
            table = tomllib.loads(file.read(LARGEST_KART).decode("utf-8-sig"))
    except (OSError, ValueError, RecursionError) as error:
        return about | {"fault": f"this file cannot be read ({legible(str(error))[:200]})"}
    for key, field in (("title", "name"), ("says", "description")):
        if isinstance(table.get(field), str) and table[field].strip():
            about[key] = legible(table[field])[:500]
    return about


async def open_kart(request: Request) -> JSONResponse:
    """Begin to read a kart for its page."""
    name = request.path_params["name"]
    desk(request).library.path("kart", name)
    return begun(request, "kart_open", {"kart": name, "units": _units(await given(request))}, keep=KEPT)


async def remove_kart(request: Request) -> JSONResponse:
    """Move an own kart to what was removed; the answer has the word that puts it back."""
    name = request.path_params["name"]
    return JSONResponse({"word": await run_in_threadpool(desk(request).library.remove, "kart", name)})


async def look(request: Request) -> JSONResponse:
    """Begin to check and draw a kart as it is being changed."""
    values = await given(request)
    return begun(request, "kart_look", {"table": _table(values), "units": _units(values)}, keep=KEPT)


async def save(request: Request) -> JSONResponse:
    """Begin to check and save a kart: over its own file from a revision on, or under a title as a new one."""
    values = await given(request)
    title = text_of(values, "title")
    if not title:
        raise InputError("a kart needs a name", where="name", remedy="Type one")
    asked = {
        "table": _table(values),
        "title": title,
        "revision": text_of(values, "revision"),
        "text": text_of(values, "text", most=LARGEST_KART),
    }
    return begun(request, "kart_save", asked, about=title, keep=KEPT)


async def fit(request: Request) -> JSONResponse:
    """Begin to fit a kart to a session."""
    values, library = await given(request), desk(request).library
    session, kart = text_of(values, "session"), text_of(values, "kart")
    library.session_folder(session)
    if kart:
        library.path("kart", kart)
    asked = {"session": session, "kart": kart, "units": _units(values)}
    return begun(request, "kart_fit", asked, about=session)


def _table(values: dict[str, Any]) -> dict[str, Any]:
    table = values.get("table")
    if not isinstance(table, dict):
        raise InputError("these are no fields of a kart", where="table", remedy="Load the page again")
    return table


def _units(values: dict[str, Any]) -> str:
    return "imperial" if values.get("units") == "imperial" else "metric"


async def begin_season(request: Request) -> JSONResponse:
    """Begin to put a driver's sessions in order."""
    values, library = await given(request), desk(request).library
    names = values.get("sessions")
    if not isinstance(names, list) or not names or not all(isinstance(name, str) for name in names):
        raise InputError("no session is chosen", where="sessions", remedy="Tick at least one")
    for name in names:
        library.session_folder(name)
    driver = text_of(values, "driver")
    asked = {
        "sessions": names,
        "driver": driver,
        "track": text_of(values, "track"),
        "reverse": values.get("reverse") is True,
    }
    return begun(request, "season", asked, about=driver)


async def seasons(request: Request) -> JSONResponse:
    """What was found earlier, the latest first; a folder whose progress.json cannot be read is left out."""
    found = []
    for path in (desk(request).library.folder / "progress").glob("*/progress.json"):
        with suppress(OSError, ValueError, RecursionError):
            if path.stat().st_size <= LARGEST_PROGRESS:
                about = {
                    "name": path.parent.name,
                    "when": path.stat().st_mtime,
                    "progress": json.loads(path.read_bytes()),
                }
                json.dumps(about, allow_nan=False).encode("utf-8")
                found.append(about)
    return JSONResponse(sorted(found, key=lambda item: -item["when"]))


async def season_file(request: Request) -> Response:
    """A picture or the figures of a driver's progress."""
    name, file = request.path_params["name"], request.path_params["file"]
    path = desk(request).library.folder / "progress" / name / file
    known = ("progress.json", "progress.png", "progress.svg")
    sound = NAME.fullmatch(name) is not None and file in known
    return file_sent(request, path if sound else None, f"{name}-{file}", policy=FILE_POLICY)
