"""Requests read and errors answered: what all routes share."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, PlainTextResponse, Response

from linelab.app.jobs import Jobs, Limits
from linelab.app.library import Library, StaleError
from linelab.app.uploads import Uploads
from linelab.errors import InputError, LinelabError

#: Bytes that a request may have which is no upload.
LARGEST_REQUEST = 16 * 2**20


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How the app was started."""

    folder: Path
    key: str
    port: int
    largest_upload: int = 500 * 10**6
    limits: Limits = field(default_factory=Limits)


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """What routes work with."""

    settings: Settings
    library: Library
    uploads: Uploads
    jobs: Jobs


def desk(request: Request) -> Desk:
    """What the app works with."""
    found: Desk = request.app.state.desk
    return found


async def given(request: Request) -> dict[str, Any]:
    """The object (JSON) that a request carries.

    Raises
    ------
    InputError
        It carries something else, or too much.
    """
    content = bytearray()
    async for chunk in request.stream():
        content += chunk
        if len(content) > LARGEST_REQUEST:
            raise InputError("this request is too large", where="request", remedy="Save less at a time")
    try:
        found = json.loads(bytes(content) or b"{}")
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict):
        raise InputError("this is no JSON object", where="request", remedy="Load the page again")
    return found


def begun(
    request: Request, do: str, values: dict[str, Any], *, about: str = "", keep: str = "", once: bool = False
) -> JSONResponse:
    """The number of a piece of work that begins; see :meth:`linelab.app.jobs.Jobs.start`.

    ``once``: where it runs already, for a page that was loaded again or in another window, that is followed.
    """
    jobs = desk(request).jobs
    for job in jobs.all() if once else ():
        if (job.do, job.about) == (do, about) and not job.over:
            return JSONResponse({"job": job.number})
    return JSONResponse({"job": jobs.start(do, values, about=about, keep=keep).number})


def file_sent(
    request: Request, path: Path | None, name: str, *, policy: str = "", media_type: str | None = None
) -> Response:
    """A file, shown or, where the address ends in ``?save``, saved under a name; ``policy`` is what it may do there."""
    if path is None or not path.is_file():
        return PlainTextResponse("There is no such file.\n", status_code=404)
    headers = {"content-security-policy": policy} if policy else {}
    if "save" in request.query_params:
        headers["content-disposition"] = f'attachment; filename="{name}"'
    return FileResponse(path, headers=headers, media_type=media_type)


def text_of(values: dict[str, Any], name: str, *, most: int = 200) -> str:
    """A text that a request must carry (empty where it is missing), without blanks around it.

    Raises
    ------
    InputError
        It is something else, or too long.
    """
    value = values.get(name, "")
    if not isinstance(value, str) or len(value) > most:
        raise InputError(f"this takes at most {most} characters", where=name, remedy="Shorten it")
    return value.strip()


async def explained(_request: Request, error: Exception) -> JSONResponse:
    """An error made on purpose: what, where, and what to try."""
    assert isinstance(error, LinelabError)
    status = 409 if isinstance(error, StaleError) else 400
    body = {"what": error.what, "where": error.where, "remedy": error.remedy}
    if isinstance(error, StaleError):
        body["revision"] = error.revision
    return JSONResponse(body, status_code=status)


async def fault(_request: Request, _error: Exception) -> JSONResponse:
    """An error of linelab's own; the terminal shows it."""
    body = {"what": "linelab has a fault here; the terminal shows it", "where": "", "remedy": "Please report it"}
    return JSONResponse(body, status_code=500)
