"""Work of the app in processes of its own: started, followed, cancelled, limited in time and memory.

A broken file can at worst end its own process.  A process may be kept for further work of one kind (``keep``), so that
what it has loaded and solved serves the next request; it is let go when it has been idle for a while.
"""

from __future__ import annotations

import asyncio
import json
import os
import sys
from collections.abc import AsyncIterator
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import Any, Literal

from linelab.errors import InputError

#: A process that is kept is let go after so long without work [s].
IDLE = 60.0
#: A line of an answer is at most so long [bytes].
LONGEST_LINE = 64 * 2**20
#: Finished jobs that are remembered, so that a page loaded again finds its answer.
REMEMBERED = 40

State = Literal["waiting", "running", "done", "failed", "cancelled"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What one piece of work may take: time [s], memory [MB]."""

    seconds: float = 900.0
    megabytes: int = 6144


@dataclass(slots=True, kw_only=True, eq=False)
class Job:
    """One piece of work; ``events`` is all it has said so far, the last of them how it ended."""

    number: int
    do: str
    about: str
    keep: str
    state: State = "waiting"
    events: list[dict[str, Any]] = field(default_factory=list)
    changed: asyncio.Event = field(default_factory=asyncio.Event)
    task: asyncio.Task[None] | None = None

    def say(self, event: dict[str, Any]) -> None:
        self.events.append(event)
        self.changed.set()
        self.changed = asyncio.Event()

    @property
    def over(self) -> bool:
        return self.state in ("done", "failed", "cancelled")

    def summary(self) -> dict[str, Any]:
        """What a list of jobs shows."""
        steps = [event["step"] for event in self.events if "step" in event]
        return {
            "job": self.number,
            "do": self.do,
            "about": self.about,
            "state": self.state,
            "step": steps[-1] if steps else "",
        }


class Process:
    """One worker process; ``run`` does one request after another."""

    def __init__(self, library: Path, megabytes: int) -> None:
        self._command = (sys.executable, "-m", "linelab.app.worker", str(library), str(megabytes))
        self._process: asyncio.subprocess.Process | None = None

    async def run(self, do: str, given: dict[str, Any], job: Job) -> dict[str, Any]:
        """The last answer to a request; steps go to the job.

        Raises
        ------
        ConnectionError
            The process ended without an answer.
        """
        if self._process is None or self._process.returncode is not None:
            environment = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
            self._process = await asyncio.create_subprocess_exec(
                *self._command,
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                limit=LONGEST_LINE,
                env=environment,
            )
        process = self._process
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(json.dumps({"do": do, "with": given}).encode() + b"\n")
        await process.stdin.drain()
        while line := await process.stdout.readline():
            answer: dict[str, Any] = json.loads(line)
            if "step" not in answer:
                return answer
            job.say(answer)
        raise ConnectionError(f"exit code {await process.wait()}")

    async def end(self) -> None:
        """End the process at once; files are made aside and moved into place, so nothing is left half written."""
        if self._process is not None:
            with suppress(ProcessLookupError):
                self._process.kill()
            await self._process.wait()
            self._process = None


class Jobs:
    """All work of one app.

    Parameters
    ----------
    library : Path
        Folder that tasks read and write.
    limits : Limits
    at_once : int
        So many pieces of work run at a time; the others wait.
    """

    def __init__(self, library: Path, *, limits: Limits | None = None, at_once: int = 2) -> None:
        self._library, self._limits = library, limits or Limits()
        self._room = asyncio.Semaphore(at_once)
        self._numbers = count(1)
        self._jobs: dict[int, Job] = {}
        self._kept: dict[str, tuple[Process, asyncio.Lock]] = {}
        self._idle: dict[str, asyncio.TimerHandle] = {}

    def start(self, do: str, given: dict[str, Any], *, about: str = "", keep: str = "") -> Job:
        """Begin a piece of work; with ``keep`` in the process of that name, after what it still has to do.

        An earlier job of the same kind that has not begun is cancelled: its answer would come too late to matter.
        """
        for job in self._jobs.values():
            if keep and (job.keep, job.do, job.about, job.state) == (keep, do, about, "waiting"):
                self.cancel(job.number)
        job = Job(number=next(self._numbers), do=do, about=about, keep=keep)
        self._jobs[job.number] = job
        job.task = asyncio.create_task(self._work(job, given))
        for number in [number for number, known in self._jobs.items() if known.over][:-REMEMBERED]:
            del self._jobs[number]
        return job

    def job(self, number: int) -> Job:
        """A job by its number.

        Raises
        ------
        InputError
        """
        try:
            return self._jobs[number]
        except KeyError:
            raise InputError(
                "this work is not known any more", where=f"work {number}", remedy="Start it again"
            ) from None

    def all(self) -> list[Job]:
        """Jobs that are known, the latest first."""
        return sorted(self._jobs.values(), key=lambda job: -job.number)

    def cancel(self, number: int) -> None:
        """End a piece of work; one that is over stays as it is."""
        job = self.job(number)
        if not job.over and job.task is not None:
            job.state = "cancelled"
            job.task.cancel()
            job.say({"cancelled": True})

    async def follow(self, number: int) -> AsyncIterator[dict[str, Any]]:
        """All that a job says, from its beginning to its end."""
        job, seen = self.job(number), 0
        while True:
            changed = job.changed
            while seen < len(job.events):  # more may be said while one is handed on
                seen += 1
                yield job.events[seen - 1]
            if job.over:
                return
            await changed.wait()

    async def close(self) -> None:
        """End all work."""
        for job in self._jobs.values():
            self.cancel(job.number)
        tasks = [job.task for job in self._jobs.values() if job.task is not None]
        await asyncio.gather(*tasks, return_exceptions=True)
        for name in [*self._kept]:
            await self._let_go(name)

    async def _work(self, job: Job, given: dict[str, Any]) -> None:
        if job.keep:
            process, lock = self._kept.setdefault(
                job.keep, (Process(self._library, self._limits.megabytes), asyncio.Lock())
            )
            self._stay(job.keep)
            async with lock:
                await self._run(process, job, given)
            self._leave_later(job.keep)
        else:
            async with self._room:
                process = Process(self._library, self._limits.megabytes)
                try:
                    await self._run(process, job, given)
                finally:
                    await asyncio.shield(process.end())

    async def _run(self, process: Process, job: Job, given: dict[str, Any]) -> None:
        """Do a job in a process and say how it ended; a process whose work was broken off is ended."""
        if job.over:
            return
        job.state = "running"
        job.say({"begun": True})
        try:
            answer = await asyncio.wait_for(process.run(job.do, given, job), self._limits.seconds)
        except asyncio.CancelledError:
            await asyncio.shield(process.end())
            raise
        except TimeoutError:
            await process.end()
            answer = _failure(
                f"this took longer than {self._limits.seconds:g} s and was ended",
                "Use a shorter recording, or start the app with a larger --patience",
            )
        except (ConnectionError, ValueError, OSError) as error:
            await process.end()
            answer = _failure(
                f"the work ended without an answer ({error})",
                f"It may have needed more than {self._limits.megabytes} MB; nothing of yours is lost",
            )
        if not job.over:
            job.state = "done" if "done" in answer else "failed"
            job.say(answer)

    def _stay(self, name: str) -> None:
        if timer := self._idle.pop(name, None):
            timer.cancel()

    def _leave_later(self, name: str) -> None:
        self._stay(name)
        loop = asyncio.get_running_loop()
        self._idle[name] = loop.call_later(IDLE, lambda: loop.create_task(self._let_go(name)))

    async def _let_go(self, name: str) -> None:
        self._stay(name)
        if name in self._kept and not self._kept[name][1].locked():
            await self._kept.pop(name)[0].end()


def _failure(what: str, remedy: str) -> dict[str, Any]:
    return {"failed": {"what": what, "where": "", "remedy": remedy}}
