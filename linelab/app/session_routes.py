"""Sessions: recordings dropped, understood, corrected, reviewed; the files of a review."""

from __future__ import annotations

from datetime import date

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from linelab.app.gate import FILE_POLICY
from linelab.app.library import FRESH, Kind
from linelab.app.requests import begun, desk, file_sent, given, text_of
from linelab.errors import InputError

#: The process that reads recordings is kept for a while: a correction is read again at once.
READING = "reading"


def session_routes() -> list[Route]:
    """Routes of sessions."""
    return [
        Route("/api/recordings", receive, methods=["POST"]),
        Route("/api/sessions", sessions),
        Route("/api/sessions", new_session, methods=["POST"]),
        Route("/api/sessions/{name}", session),
        Route("/api/sessions/{name}", change_session, methods=["PUT"]),
        Route("/api/sessions/{name}/understand", understand, methods=["POST"]),
        Route("/api/sessions/{name}/columns", columns, methods=["POST"]),
        Route("/api/sessions/{name}/review", review, methods=["POST"]),
        Route("/api/sessions/{name}/rename", rename, methods=["POST"]),
        Route("/api/sessions/{name}/remove", remove, methods=["POST"]),
        Route("/api/sessions/{name}/anew", start_anew, methods=["POST"]),
        Route("/api/library", overview),
        Route("/api/library/take-in", take_in, methods=["POST"]),
        Route("/api/removed/empty", empty_removed, methods=["POST"]),
        Route("/api/removed/{word}/restore", restore, methods=["POST"]),
        Route("/api/sessions/{name}/print", print_review, methods=["POST"]),
        Route("/api/demo", demo, methods=["POST"]),
        Route("/api/tracks", tracks),
        Route("/api/karts", karts),
        Route("/files/{name}/{file}", result),
    ]


async def receive(request: Request) -> JSONResponse:
    """A dropped file."""
    name = request.headers.get("x-file-name", "")
    word = await desk(request).uploads.receive(name, request.headers.get("content-length", ""), request.stream())
    return JSONResponse({"file": word})


async def sessions(request: Request) -> JSONResponse:
    """All sessions, the latest first."""
    return JSONResponse(desk(request).library.sessions())


async def new_session(request: Request) -> JSONResponse:
    """Files that have arrived become a session."""
    values, at = await given(request), desk(request)
    words = values.get("files")
    if not isinstance(words, list) or not words or not all(isinstance(word, str) for word in words):
        raise InputError("no file was dropped", where="recording", remedy="Drop a recording")
    arrived = [at.uploads.take(word) for word in words]
    day = date.today().isoformat()
    known = FRESH | {"day": day, "joined": len(arrived) > 1}
    title = f"{day}-{arrived[0][1].rsplit('.', 1)[0]}"
    name = await run_in_threadpool(at.library.new_session, title, known, arrived)
    return JSONResponse({"name": name})


async def session(request: Request) -> JSONResponse:
    """What is known of a session."""
    return JSONResponse(desk(request).library.session(request.path_params["name"]))


async def change_session(request: Request) -> JSONResponse:
    """Change what is known of a session."""
    values = await given(request)
    began_from = text_of(values, "revision")
    changes = {name: values[name] for name in FRESH if name in values}
    change = desk(request).library.change_session
    return JSONResponse(await run_in_threadpool(change, request.path_params["name"], changes, began_from=began_from))


async def overview(request: Request) -> JSONResponse:
    """All there is: sessions, damaged ones, recordings that are no session yet, and what was removed."""
    library = desk(request).library
    good, damaged = library.folders.all()
    return JSONResponse(
        {
            "sessions": good,
            "damaged": damaged,
            "offered": library.folders.offered(),
            "removed": library.bin.all(),
        }
    )


async def rename(request: Request) -> JSONResponse:
    """Give a session a title; the answer has its name from now on."""
    values, name = await given(request), request.path_params["name"]
    if _work_about(request, name):
        raise InputError("this session is being worked on", where=name, remedy="Wait until that is done, or cancel it")
    name = await run_in_threadpool(
        desk(request).library.folders.rename, name, text_of(values, "title"), began_from=text_of(values, "revision")
    )
    return JSONResponse({"name": name})


async def remove(request: Request) -> JSONResponse:
    """Move a session to what was removed; the answer has the word that puts it back."""
    name = request.path_params["name"]
    for number in _work_about(request, name):
        desk(request).jobs.cancel(number)
    return JSONResponse({"word": await run_in_threadpool(desk(request).library.remove_session, name)})


async def start_anew(request: Request) -> JSONResponse:
    """Give a damaged session a fresh session.json."""
    name = request.path_params["name"]
    await run_in_threadpool(desk(request).library.folders.start_anew, name)
    return JSONResponse({"name": name})


async def take_in(request: Request) -> JSONResponse:
    """Make a session of a recording that somebody put into the folder."""
    word = text_of(await given(request), "word", most=1000)
    return JSONResponse({"name": await run_in_threadpool(desk(request).library.folders.take_in, word)})


async def restore(request: Request) -> JSONResponse:
    """Put back what was removed."""
    return JSONResponse(await run_in_threadpool(desk(request).library.restore, request.path_params["word"]))


async def empty_removed(request: Request) -> JSONResponse:
    """Delete what was removed, for good."""
    return JSONResponse({"count": await run_in_threadpool(desk(request).library.bin.empty)})


def _work_about(request: Request, name: str) -> list[int]:
    """Numbers of the work on a session that is not over."""
    return [job.number for job in desk(request).jobs.all() if job.about == name and not job.over]


async def tracks(request: Request) -> JSONResponse:
    """Names of all tracks."""
    return _names(request, "track")


async def karts(request: Request) -> JSONResponse:
    """Names of all karts."""
    return _names(request, "kart")


def _names(request: Request, kind: Kind) -> JSONResponse:
    library = desk(request).library
    return JSONResponse(
        [{"name": name, "bundled": library.is_bundled(path)} for name, path in library.names(kind).items()]
    )


async def understand(request: Request) -> JSONResponse:
    """Begin to read a session's recordings: columns, laps, the track."""
    return _begin(request, "understand", keep=READING)


async def columns(request: Request) -> JSONResponse:
    """Begin to list a recording's columns."""
    return _begin(request, "columns", keep=READING)


async def review(request: Request) -> JSONResponse:
    """Begin the review of a session."""
    return _begin(request, "review")


async def print_review(request: Request) -> JSONResponse:
    """Begin the review of a session with its PDF."""
    return _begin(request, "print")


async def demo(request: Request) -> JSONResponse:
    """Begin to put the demo's session into the library and to review it."""
    return begun(request, "demo", {}, about="demo", once=True)


def _begin(request: Request, do: str, *, keep: str = "") -> JSONResponse:
    """Begin work on the session of a request."""
    name = request.path_params["name"]
    desk(request).library.session_folder(name)
    return begun(request, do, {"session": name}, about=name, keep=keep, once=True)


async def result(request: Request) -> Response:
    """A file of a session's results."""
    name, file = request.path_params["name"], request.path_params["file"]
    folder = desk(request).library.session_folder(name) / "review"
    known = {item.name: item for item in folder.glob("*") if item.name[0] != "."}
    return file_sent(request, known.get(file), f"{name}-{file}", policy=FILE_POLICY)
