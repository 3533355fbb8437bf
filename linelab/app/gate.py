"""Who may talk to the app: this machine's browser with this start's key, from the app's own pages.

A page of the web can make a browser send requests to 127.0.0.1.  It cannot choose the Host header (an own name that
points here shows in it), cannot hide its Origin on requests that change something, does not know the key, and gets no
cookie sent along (SameSite=Strict).  Each of these alone stops it; all are checked.
"""

from __future__ import annotations

import hashlib
import hmac
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

#: Names of this machine that a browser may have typed.
HOSTS = ("127.0.0.1", "localhost")
#: Header with the key on requests that change something or follow work.
KEY_HEADER = "x-linelab-key"
#: Where the address that the terminal shows leads; it hands the browser its cookie.
ENTRANCE = "/enter"
#: Requests that change nothing.
_READING = ("GET", "HEAD")

#: Nothing from another origin, no inline script or style, no page of the app in somebody else's frame.
PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; connect-src 'self'; "
    "frame-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'self'"
)
#: For files made by linelab that hold their own style and script: shown without the app's rights, like a stranger's.
FILE_POLICY = (
    "sandbox allow-scripts allow-downloads allow-modals; default-src 'none'; script-src 'unsafe-inline'; "
    "style-src 'unsafe-inline'; img-src data: blob:; base-uri 'none'; form-action 'none'; frame-ancestors 'self'"
)


class Gate:
    """Middleware (ASGI) that refuses what does not come from the app's own pages.

    Parameters
    ----------
    app : ASGIApp
    key : str
        This start's secret.
    port : int
        Where the server listens.
    """

    def __init__(self, app: ASGIApp, *, key: str, port: int) -> None:
        self._app, self._key, self._cookie = app, key, f"linelab-{port}"
        # Browsers send cookies to every port of a machine: what another program here is sent must not be the key.
        self._pass = hashlib.sha256(b"cookie" + key.encode()).hexdigest()
        self._hosts = {f"{name}:{port}" for name in HOSTS} | ({*HOSTS} if port == 80 else set())
        self._origins = {f"http://{host}" for host in self._hosts}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":  # the app has no web sockets
            await send({"type": "websocket.close", "code": 1008})
            return

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                _protect(MutableHeaders(scope=message))
            await send(message)

        headers = Headers(scope=scope)
        if headers.get("host", "") not in self._hosts:
            await _refuse(421, "This is not the app's address.")(scope, receive, guarded)
        elif scope["path"] == ENTRANCE:
            await self._enter(scope)(scope, receive, guarded)
        elif fault := self._fault(scope["method"], scope["path"], headers):
            await _refuse(403, fault)(scope, receive, guarded)
        else:
            await self._app(scope, receive, guarded)

    def _fault(self, method: str, path: str, headers: Headers) -> str:
        """Why a request is refused; empty where it is not."""
        origin = headers.get("origin")
        if origin is not None and origin not in self._origins:
            return "This request comes from a page of another origin."
        if path.startswith("/static/") and method in _READING:  # the app's own style and scripts: nothing of the user's
            return ""
        if not _equal(_cookie(headers.get("cookie", ""), self._cookie), self._pass):
            return "Open the address that 'linelab app' shows in the terminal: this page belongs to no running app."
        if method not in _READING:
            if origin is None:
                return "This request does not say which page it comes from."
            if not _equal(headers.get(KEY_HEADER, ""), self._key):
                return "This page belongs to an earlier start of the app: load it again."
        return ""

    def _enter(self, scope: Scope) -> PlainTextResponse | RedirectResponse:
        """Hand the browser its cookie where the address has the key."""
        given = parse_qs(scope["query_string"].decode("latin-1")).get("key", [""])[0]
        if scope["method"] not in _READING or not _equal(given, self._key):
            return _refuse(403, "Open the address that 'linelab app' shows in the terminal, with its key.")
        found = RedirectResponse("/", status_code=303)
        found.set_cookie(self._cookie, self._pass, httponly=True, samesite="strict", path="/")
        return found


def _equal(given: str, secret: str) -> bool:
    """Whether a secret was given; takes as long either way."""
    return hmac.compare_digest(given.encode("utf-8", "replace"), secret.encode())


def _cookie(header: str, name: str) -> str:
    try:
        found = SimpleCookie(header).get(name)
    except CookieError:
        return ""
    return "" if found is None else found.value


def _refuse(status: int, why: str) -> PlainTextResponse:
    return PlainTextResponse(why + "\n", status_code=status)


def _protect(headers: MutableHeaders) -> None:
    """What every answer carries; a route that has a policy of its own keeps it."""
    headers.setdefault("content-security-policy", PAGE_POLICY)
    headers.setdefault("cache-control", "no-store")
    headers["x-content-type-options"] = "nosniff"
    headers["referrer-policy"] = "no-referrer"
    headers["cross-origin-opener-policy"] = "same-origin"
    headers["cross-origin-resource-policy"] = "same-origin"
    headers["x-frame-options"] = "SAMEORIGIN"
