"""Work followed, listed and cancelled."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator

from starlette.requests import Request
from starlette.responses import JSONResponse, StreamingResponse
from starlette.routing import Route

from linelab.app.requests import desk

#: A line is sent at least so often while somebody waits, so that a lost connection is noticed [s].
SIGN_OF_LIFE = 10.0


def job_routes() -> list[Route]:
    """Routes of work that has been started elsewhere."""
    return [
        Route("/api/jobs", all_jobs),
        Route("/api/jobs/{number:int}/follow", follow, methods=["POST"]),
        Route("/api/jobs/{number:int}/cancel", cancel, methods=["POST"]),
    ]


async def all_jobs(request: Request) -> JSONResponse:
    """What is being worked on, and what was lately."""
    return JSONResponse([job.summary() for job in desk(request).jobs.all()])


async def cancel(request: Request) -> JSONResponse:
    """End a piece of work."""
    desk(request).jobs.cancel(request.path_params["number"])
    return JSONResponse({})


async def follow(request: Request) -> StreamingResponse:
    """What a piece of work says, a line of JSON each, from its beginning to its end; empty lines are signs of life."""
    events = desk(request).jobs.follow(request.path_params["number"])
    first = await anext(events)  # a number that is not known is an error of this request

    async def lines() -> AsyncIterator[str]:
        yield json.dumps(first) + "\n"
        while True:
            coming = asyncio.ensure_future(anext(events))
            while not (await asyncio.wait({coming}, timeout=SIGN_OF_LIFE))[0]:
                yield "\n"
            try:
                yield json.dumps(coming.result()) + "\n"
            except StopAsyncIteration:
                return

    return StreamingResponse(lines(), media_type="application/x-ndjson")
