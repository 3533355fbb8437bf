"""What-ifs live, and a track before it is driven: the sheet and the walk."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from linelab.app.library import Library
from linelab.app.requests import begun, desk, file_sent, given, text_of
from linelab.errors import InputError

#: Live answers are made one after the other in a process that stays.
KEPT = "what-if"
#: What a sheet's page may show, by the ending of its file.
SHEET_KINDS = {".pdf": "application/pdf", ".png": "image/png"}


def what_if_routes() -> list[Route]:
    """Routes of both places."""
    return [
        Route("/api/what-if/prepare", prepare, methods=["POST"]),
        Route("/api/what-if/answer", answer, methods=["POST"]),
        Route("/api/what-if/ready", ready, methods=["POST"]),
        Route("/api/before", walk, methods=["POST"]),
        Route("/api/before/sheet", sheet, methods=["POST"]),
        Route("/api/before/sheets/{name}", sheet_files),
        Route("/sheets/{name}/{file}", sheet_file),
    ]


async def prepare(request: Request) -> JSONResponse:
    """Begin to solve the computed lap of a track and a kart."""
    return await _kept(request, "prepare what-if")


async def answer(request: Request) -> JSONResponse:
    """Begin to solve a lap with something changed."""
    return await _kept(request, "answer what-if")


async def ready(request: Request) -> JSONResponse:
    """Begin to solve ahead what may be asked next."""
    return await _kept(request, "ready what-if")


async def _kept(request: Request, do: str) -> JSONResponse:
    values = await given(request)
    chosen = _chosen(desk(request).library, values)
    asked = values.get("set", {})
    return begun(request, do, chosen | {"set": asked}, about=_name(chosen), keep=KEPT)


async def walk(request: Request) -> JSONResponse:
    """Begin to work out the walk through a lap."""
    return await _once(request, "walk")


async def sheet(request: Request) -> JSONResponse:
    """Begin to make a track sheet."""
    return await _once(request, "sheet")


async def _once(request: Request, do: str) -> JSONResponse:
    values = await given(request)
    chosen = _chosen(desk(request).library, values) | {"begin": values.get("begin") is True}
    about = f"{_name(chosen)}, {chosen['units']}{', to begin with' if chosen['begin'] else ''}"
    return begun(request, do, chosen | {"sheet": _name(chosen)}, about=about, once=True)


def _chosen(library: Library, values: dict[str, Any]) -> dict[str, Any]:
    """The track, the kart and the units of a request; both are looked up.

    Raises
    ------
    InputError
        There is no such track or kart.
    """
    track, kart, units = (text_of(values, name) for name in ("track", "kart", "units"))
    library.path("track", track)
    library.path("kart", kart)
    if units not in ("metric", "imperial"):
        raise InputError(f"no such units: {units}", where="units", remedy="Choose metric or imperial")
    return {"track": track, "kart": kart, "units": units, "reverse": values.get("reverse") is True}


def _name(chosen: dict[str, Any]) -> str:
    """What a track's sheet for a kart is called."""
    turned, begin = "--reverse" if chosen["reverse"] else "", "--begin" if chosen.get("begin") else ""
    return f"{chosen['track']}{turned}--{chosen['kart']}{begin}"


async def sheet_files(request: Request) -> JSONResponse:
    """Names of the files of a sheet, none where it has not been made."""
    found = _sheet(request)
    return JSONResponse(sorted(found))


async def sheet_file(request: Request) -> Response:
    """A page or the PDF of a sheet."""
    name, file = request.path_params["name"], request.path_params["file"]
    path = _sheet(request).get(file)
    kind = None if path is None else SHEET_KINDS[path.suffix]
    return file_sent(request, path, f"{name}-{file}", media_type=kind)


def _sheet(request: Request) -> dict[str, Any]:
    """Files of a sheet by name; the sheet's own name is looked up among those there are."""
    sheets = {item.name: item for item in (desk(request).library.folder / "sheets").glob("*") if item.is_dir()}
    folder = sheets.get(request.path_params["name"])
    if folder is None:
        return {}
    return {item.name: item for item in folder.glob("*") if item.suffix in SHEET_KINDS and item.name[0] != "."}
