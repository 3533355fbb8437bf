"""The app's pages and their style and scripts."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from mimetypes import guess_type

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from linelab.app.requests import desk

#: Path of a page to its template and its name in the list of places.
PAGES = {
    "/": ("sessions.html", "sessions"),
    "/session/{name}": ("session.html", "sessions"),
    "/tracks": ("tracks.html", "tracks"),
    "/draw/{name}": ("draw_track.html", "tracks"),
    "/progress": ("season.html", "progress"),
    "/karts": ("karts.html", "karts"),
    "/kart/{name}": ("kart.html", "karts"),
    "/what-if": ("what_if.html", "what-if"),
    "/before": ("before.html", "before"),
}

#: The list of places at the top of each page: address, word, and the name by which pages say where they are.
PLACES = (
    ("/", "Sessions", "sessions"),
    ("/progress", "Progress", "progress"),
    ("/tracks", "Tracks", "tracks"),
    ("/karts", "Karts", "karts"),
    ("/what-if", "What if", "what-if"),
    ("/before", "New track", "before"),
)


def page_routes() -> list[Route]:
    """Routes of all pages, and of what they load."""
    return [*(_page(path, *about) for path, about in PAGES.items()), Route("/static/{name}", static)]


def _page(path: str, template: str, place: str) -> Route:
    async def shown(request: Request) -> HTMLResponse:
        return _filled(request, template, place)

    return Route(path, shown)


async def missing(request: Request, error: Exception) -> Response:
    """What is answered where nothing lies: a page with the way on to whoever looks, a line to whatever asks."""
    if "text/html" in request.headers.get("accept", ""):
        return _filled(request, "missing.html", "", 404)
    return Response("There is nothing at this address.\n", status_code=404, media_type="text/plain")


def _filled(request: Request, template: str, place: str, status: int = 200) -> HTMLResponse:
    settings = desk(request).settings
    about = {"key": settings.key, "place": place, "places": PLACES, "folder": str(settings.folder)}
    return HTMLResponse(_environment().get_template(template).render(about), status)


@cache
def _environment() -> Environment:
    return Environment(loader=PackageLoader("linelab", "data/app"), autoescape=True, undefined=StrictUndefined)


async def static(request: Request) -> Response:
    """A style sheet or script of the app; nothing else is served from here."""
    name = request.path_params["name"]
    known = {item.name: item for item in (files("linelab") / "data" / "app").iterdir()}
    if name not in known or not name.endswith((".css", ".js", ".svg")):
        return Response("There is no such file.\n", status_code=404, media_type="text/plain")
    kind = "text/javascript" if name.endswith(".js") else guess_type(name)[0]
    return Response(known[name].read_bytes(), media_type=kind)
