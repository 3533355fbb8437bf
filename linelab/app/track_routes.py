"""Tracks listed and drawn: drawings kept as they grow, their pictures, and what is worked out from them."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from linelab.app.library import Library
from linelab.app.requests import begun, desk, given, text_of
from linelab.errors import InputError

#: First bytes of a picture to its ending; a TIFF is made a PNG, for browsers show none.
PICTURES = ((b"\x89PNG\r\n\x1a\n", "png"), (b"\xff\xd8\xff", "jpg"), (b"RIFF", "webp"))
TIFFS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
MEDIA = {"png": "image/png", "jpg": "image/jpeg", "webp": "image/webp"}

#: A drawing with nothing in it.
BLANK: dict[str, Any] = {
    "name": "", "closed": True, "origin": None, "head": {}, "shapes": [], "picture": None, "laps": None, "saved_as": "",
}  # fmt: skip


def track_routes() -> list[Route]:
    """Routes of tracks and drawings."""
    one = "/api/drawings/{name}"
    return [
        Route("/api/tracks/cards", cards, methods=["POST"]),
        Route("/api/drawings", new_drawing, methods=["POST"]),
        Route("/api/drawings/of", drawing_of_track, methods=["POST"]),
        Route(one, drawing),
        Route(one, keep_drawing, methods=["PUT"]),
        Route(f"{one}/remove", remove_drawing, methods=["POST"]),
        Route("/api/tracks/{name}/remove", remove_track, methods=["POST"]),
        Route(f"{one}/copy", copy_drawing, methods=["POST"]),
        Route(f"{one}/picture", picture),
        Route(f"{one}/picture", keep_picture, methods=["PUT"]),
        Route(f"{one}/check", check, methods=["POST"]),
        Route(f"{one}/save", save, methods=["POST"]),
        Route(f"{one}/place", place, methods=["POST"]),
        Route(f"{one}/laps", laps, methods=["POST"]),
        Route(f"{one}/fit", fit, methods=["POST"]),
    ]


async def cards(request: Request) -> JSONResponse:
    """Begin to list tracks and drawings with their outlines."""
    return begun(request, "list_tracks", await given(request), keep="track-list")


async def new_drawing(request: Request) -> JSONResponse:
    """An empty drawing under a name made from its title, or one that a page sends to have it kept apart."""
    values, library = await given(request), desk(request).library
    title = text_of(values, "title") or "New track"
    name = library.free_track_name(title)
    content = values.get("drawing") or {}
    library.save("drawing", name, _text({**BLANK, **content, "name": title, "saved_as": ""}))
    return JSONResponse({"name": name})


async def drawing_of_track(request: Request) -> JSONResponse:
    """Begin to make a drawing of a track file; with ``again``, anew where one has been begun."""
    values, at = await given(request), desk(request)
    name = text_of(values, "track")
    if name in at.library.names("drawing") and not values.get("again"):
        return JSONResponse({"name": name})
    return begun(request, "open_track", {"track": name, "again": bool(values.get("again"))}, about=name)


async def drawing(request: Request) -> JSONResponse:
    """A drawing, its revision, and the revision of the track file as it stands now."""
    library, name = desk(request).library, request.path_params["name"]
    stored = library.read("drawing", name)
    track = library.names("track").get(name)
    own = track is not None and not library.is_bundled(track)
    try:
        found = json.loads(stored.text)
    except ValueError as error:
        raise InputError(
            f"the drawing's file cannot be read ({error})", where=name, remedy="Mend or remove it"
        ) from error
    return JSONResponse(
        {
            "drawing": found,
            "revision": stored.revision,
            "track_revision": library.read("track", name).revision if own else "",
            "picture": (file := _picture(library, name)) is not None and file.name,
        }
    )


async def keep_drawing(request: Request) -> JSONResponse:
    """Keep a drawing as it is, finished or not."""
    values, library, name = await given(request), desk(request).library, request.path_params["name"]
    library.path("drawing", name)
    kept = library.save("drawing", name, _text(values.get("drawing")), began_from=text_of(values, "revision"))
    return JSONResponse({"revision": kept.revision})


async def remove_drawing(request: Request) -> JSONResponse:
    """Move a drawing to what was removed; the answer has the word that puts it back.  Its picture and track stay."""
    return JSONResponse({"word": desk(request).library.remove("drawing", request.path_params["name"])})


async def remove_track(request: Request) -> JSONResponse:
    """Move an own track to what was removed; the answer has the word that puts it back.  Its drawing stays."""
    return JSONResponse({"word": desk(request).library.remove("track", request.path_params["name"])})


async def copy_drawing(request: Request) -> JSONResponse:
    """A drawing and its picture under another name; the copy belongs to no saved track yet."""
    values, library, name = await given(request), desk(request).library, request.path_params["name"]
    known = values.get("drawing") or json.loads(library.read("drawing", name).text)
    title = text_of(values, "title") or f"{known.get('name') or name} (copy)"
    new = library.free_track_name(title)
    library.save("drawing", new, _text({**known, "name": title, "saved_as": ""}))
    if (file := _picture(library, name)) is not None:
        shutil.copyfile(file, file.with_name(new + file.name.removeprefix(name)))
    return JSONResponse({"name": new})


async def picture(request: Request) -> Response:
    """The picture under a drawing."""
    file = _picture(desk(request).library, request.path_params["name"])
    if file is None:
        return Response("There is no picture.\n", status_code=404, media_type="text/plain")
    return FileResponse(file, media_type=MEDIA[file.suffix[1:]])


async def keep_picture(request: Request) -> JSONResponse:
    """Keep a dropped picture beside its drawing; a TIFF is begun to be read."""
    at, name = desk(request), request.path_params["name"]
    beside = at.library.path("drawing", name)
    title = request.headers.get("x-file-name", "")
    word = await at.uploads.receive(title, request.headers.get("content-length", ""), request.stream())
    file, title = at.uploads.take(word)
    with file.open("rb") as opened:
        first = opened.read(12)
    if first[:4] in TIFFS:
        return begun(request, "read_tiff", {"name": name, "file": str(file), "title": title}, about=name)
    ending = next((ending for begin, ending in PICTURES if first.startswith(begin)), "")
    if not ending or (ending == "webp" and first[8:] != b"WEBP"):
        file.unlink(missing_ok=True)
        raise InputError("this is no picture that can be shown", where=title, remedy="Use PNG, JPEG, WebP or TIFF")
    target = beside.with_name(f"{name}.picture.{ending}")
    if (earlier := _picture(at.library, name)) is not None and earlier != target:
        earlier.unlink()
    shutil.move(file, target)
    return JSONResponse({"file": target.name})


async def check(request: Request) -> JSONResponse:
    """Begin to check a drawing; only the latest that waits is looked at."""
    return await _about(request, "check_drawing", keep="track")


async def save(request: Request) -> JSONResponse:
    """Begin to save a drawing as a track file."""
    return await _about(request, "save_drawing")


async def place(request: Request) -> JSONResponse:
    """Begin to place a picture."""
    return await _about(request, "place_picture")


async def laps(request: Request) -> JSONResponse:
    """Begin to put a session's laps under a drawing."""
    return await _about(request, "laps_beneath")


async def fit(request: Request) -> JSONResponse:
    """Begin to fit laps between the edges."""
    return await _about(request, "fit_laps")


async def _about(request: Request, do: str, *, keep: str = "") -> JSONResponse:
    """Begin work on the drawing of a request."""
    name = request.path_params["name"]
    desk(request).library.path("drawing", name)
    return begun(request, do, {**await given(request), "name": name}, about=name, keep=keep)


def _text(drawing: Any) -> str:
    """A drawing as its file's text.

    Raises
    ------
    InputError
        It is no drawing; what it holds is looked at when it is checked.
    """
    if not isinstance(drawing, dict) or not isinstance(drawing.get("shapes"), list):
        raise InputError("this is no drawing of a track", where="drawing", remedy="Load the page again")
    return json.dumps({key: drawing.get(key, BLANK[key]) for key in BLANK}, ensure_ascii=False) + "\n"


def _picture(library: Library, name: str) -> Path | None:
    """The picture beside a drawing of the library."""
    beside = library.path("drawing", name)
    found = (beside.with_name(f"{name}.picture.{ending}") for ending in MEDIA)
    return next((path for path in found if path.is_file()), None)
