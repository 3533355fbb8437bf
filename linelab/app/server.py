"""The app put together, and the server that listens on this machine only."""

from __future__ import annotations

import socket
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from starlette.applications import Starlette

from linelab.app.gate import ENTRANCE, Gate
from linelab.app.job_routes import job_routes
from linelab.app.jobs import Jobs
from linelab.app.kart_routes import kart_routes
from linelab.app.library import Library
from linelab.app.pages import missing, page_routes
from linelab.app.requests import Desk, Settings, explained, fault
from linelab.app.session_routes import session_routes
from linelab.app.track_routes import track_routes
from linelab.app.uploads import Uploads
from linelab.app.what_if_routes import what_if_routes
from linelab.errors import InputError, LinelabError

#: Where the app listens unless another port is asked for; the next free one is taken where this is in use.
PORT = 8310
#: This machine, and nothing else.
ADDRESS = "127.0.0.1"


def make_app(settings: Settings) -> Gate:
    """The app as an ASGI application behind its gate."""
    library = Library(settings.folder)
    library.prepare()
    uploads = Uploads(settings.folder, settings.largest_upload)

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        uploads.open()
        jobs = Jobs(settings.folder, limits=settings.limits)
        app.state.desk = Desk(settings=settings, library=library, uploads=uploads, jobs=jobs)
        yield
        await jobs.close()
        uploads.close()

    app = Starlette(
        routes=[
            *page_routes(),
            *session_routes(),
            *track_routes(),
            *kart_routes(),
            *what_if_routes(),
            *job_routes(),
        ],
        lifespan=lifespan,
        exception_handlers={404: missing, LinelabError: explained, Exception: fault},
    )
    return Gate(app, key=settings.key, port=settings.port)


def listening_socket(port: int | None) -> socket.socket:
    """A socket on this machine's own address; with no port asked for the usual one or, where it is in use, any.

    Raises
    ------
    InputError
        The port asked for cannot be had.
    """
    for wanted in (PORT, 0) if port is None else (port,):
        found = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            found.bind((ADDRESS, wanted))
        except OSError as error:
            found.close()
            reason = error.strerror
            continue
        found.listen(128)
        return found
    raise InputError(f"port {port} cannot be used ({reason})", where="--port", remedy="Leave --port out")


def entrance(settings: Settings) -> str:
    """The address to open."""
    return f"http://{ADDRESS}:{settings.port}{ENTRANCE}?key={settings.key}"


def serve(settings: Settings, listening: socket.socket, begun: Callable[[], None]) -> None:
    """Serve until the process is interrupted; ``begun`` is called when pages can be had."""
    import uvicorn

    class Server(uvicorn.Server):
        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            begun()

    config = uvicorn.Config(
        make_app(settings),
        log_level="warning",
        access_log=False,
        server_header=False,
        ws="none",
        timeout_keep_alive=30,
        timeout_graceful_shutdown=2,
        h11_max_incomplete_event_size=64 * 1024,
    )
    Server(config).run([listening])
