"""Many laps at once: fields of the kart and the grip varied over tracks and karts, on any executor.

Each lap is solved from one lap of its track and kart, that of the point in the middle of the plan, on the same mesh:
what the mesh is off by then cancels in differences.  Where that start fails or the mesh is too coarse for the lap, it
is solved from nothing.  A lap's figures thus hang on the plan alone: not on which process solved what before, nor on
whether the sweep was ended and went on.
"""

from __future__ import annotations

import json
import os
import pickle
import threading
import time
import zlib
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from contextlib import ExitStack, closing
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

from linelab.arrays import Table
from linelab.diagnosis.corner_figures import corner_marks
from linelab.errors import InputError, LinelabError, SolveError, check_kinds
from linelab.files.kart_file import kart_from
from linelab.model.kart import Kart
from linelab.model.track import Groove, Track
from linelab.optimum.minimum_time import Solution, accepted_error, solve_min_time
from linelab.study.sweeping.processes import new_processes
from linelab.study.sweeping.sweep_plan import (
    CornerResult,
    KartOrFile,
    Plan,
    Point,
    Several,
    SweptCase,
    Vary,
    kart_at,
    plan_of,
)
from linelab.study.sweeping.sweep_store import Outcome, opened
from linelab.study.the_day import dry_groove, groove_missing, on_the_day

#: Cases that are handed to an executor before the first of them is done, at most.
AHEAD = 1000


def sweep(
    track: Track | Several[Track],
    kart: KartOrFile | Several[KartOrFile],
    vary: Vary,
    *,
    grip: float | str = 1.0,
    tyres: str = "slicks",
    use_kerbs: bool = True,
    verify: bool = True,
    store: str | Path | None = None,
    executor: Executor | None = None,
    jobs: int | None = None,
    progress: Callable[[str], None] = lambda text: None,
) -> Table[SweptCase]:
    """Minimum-time laps of karts whose fields are varied, on one track or several.

    Parameters
    ----------
    track : Track, or list of Track
    kart : Kart, name of a file or of a bundled kart, or list of these
        A file's fields can all be varied; of a Kart, gearing only as ``engine.overall_ratios``.
    vary : mapping of str to list, or list of mappings
        Values by field, of which every combination is computed; or the combinations themselves, such as
        :func:`linelab.latin_hypercube` draws.  Fields are named as in a kart file ("mass_kg", "tyres.mu_lateral",
        "driver.grip_share"), in its units; ``grip`` is the factor on mu for the whole track, or "dry", "damp", "drying"
        or "wet" as for :func:`linelab.on_the_day`, and ``tyres`` then "slicks" or "wets".  Where a track draws no
        groove it lies along the dry lap of each kart as its file has it, whatever is varied.
    grip : float or str
        The factor [-] or the word where it is not varied.
    tyres : str
        With a word, where they are not varied.
    use_kerbs, verify : bool
        As for :func:`linelab.solve_min_time`.
    store : path, optional
        SQLite file that takes each result as it comes.  Where it holds some of this sweep's already, the sweep goes on.
    executor : concurrent.futures.Executor, optional
        Where laps are solved, such as a Dask client's ``get_executor()``; it is not shut down.  Threads of one process
        take turns.
    jobs : int, optional
        Without an executor: processes on this machine, as many as it has processors when left out.  A script that asks
        for more than one does so below ``if __name__ == "__main__":``.
    progress : callable
        Called with a short text after each lap: how many are done, how many failed, and the time left.

    Returns
    -------
    Table of SweptCase
        In the order of tracks, karts and points.  A lap that cannot be solved is in it with the reason.

    Raises
    ------
    KartError
        There is no such field, or a value is outside its range.
    InputError
        Nothing is varied; two tracks or karts have the same name; the file holds another sweep's results.
    SolveError
        A process that solves laps was killed.

    Examples
    --------
    >>> import linelab
    >>> track = linelab.load_track("tinmarsh_rental")
    >>> cases = linelab.sweep(track, "rental-four-stroke", {"mass_kg": [235.0, 245.0]}, jobs=1)
    >>> [case.outcome for case in cases]
    ['verified', 'verified']
    >>> cases[1].lap_time > cases[0].lap_time
    True
    """
    check_kinds("sweep", jobs=(jobs, (int, type(None))), executor=(executor, (Executor, type(None))))
    if jobs is not None and jobs < 1:
        raise InputError(f"{jobs} processes are none", where="jobs", remedy="Give 1 or more")
    plan = plan_of(track, kart, vary, grip=grip, tyres=tyres, use_kerbs=use_kerbs, verify=verify)
    with ExitStack() as stack:
        results = stack.enter_context(opened(store, plan))
        done = results.done()
        left = [number for number in range(1, plan.size + 1) if number not in done]
        failed, began = sum(case.outcome == "failed" for case in results.cases()), 0.0
        progress(_words(plan.size - len(left), plan.size, failed, None))
        coming = stack.enter_context(closing(_outcomes(plan, left, executor, jobs)))
        for count, (number, found) in enumerate(coming, start=1):
            results.add(number, found)
            failed += found.outcome == "failed"
            now = time.monotonic()
            if count == 1:  # before it processes were started, and solved what all others begin with
                began = now
            rest = (now - began) / (count - 1) * (len(left) - count) if count > 1 else None
            progress(_words(plan.size - len(left) + count, plan.size, failed, rest))
        return results.cases()


def _words(done: int, size: int, failed: int, rest: float | None) -> str:
    """How far a sweep has come; ``rest`` is the time left [s]."""
    words = f"{done} of {size} laps" + (f", {failed} failed" if failed else "")
    if rest is None or done == size:
        return words
    shown = f"{rest:.0f} s" if rest < 100.0 else f"{rest / 60.0:.0f} min" if rest < 6000.0 else f"{rest / 3600.0:.1f} h"
    return f"{words}, about {shown} left"


class Given(NamedTuple):
    """What the cases of a track and a kart in one sort of conditions share, as it is sent to a worker."""

    track: bytes
    kart: str
    middle: str
    middle_factor: float
    weather: str | None
    tyres: str
    use_kerbs: bool
    verify: bool


class Asked(NamedTuple):
    """One case: what it shares with others, its point, and the factor on mu."""

    given: Given
    point: Point
    factor: float


def _asked(plan: Plan) -> Callable[[int], Asked]:
    """Cases by their number."""
    packed = [zlib.compress(pickle.dumps(track), 1) for track in plan.tracks]
    karts = [json.dumps(kart) for kart in plan.karts]
    middles = {words: (json.dumps(point), plan.day(point).factor) for words, point in plan.middles().items()}

    def asked(number: int) -> Asked:
        case = plan.case(number)
        day = plan.day(plan.points[case.point])
        middle = middles[day[:2]]
        shared = Given(
            packed[case.track], karts[case.kart], *middle, day.weather, day.tyres, plan.use_kerbs, plan.verify
        )
        return Asked(shared, plan.points[case.point], day.factor)

    return asked


def _outcomes(
    plan: Plan, numbers: list[int], executor: Executor | None, jobs: int | None
) -> Generator[tuple[int, Outcome]]:
    """Numbers and what became of them, as they come."""
    asked = _asked(plan)
    processes = min(jobs or os.cpu_count() or 1, len(numbers))
    if executor is not None:
        yield from _spread(executor, numbers, asked)
    elif processes > 1:
        with new_processes(processes) as pool:
            yield from _spread(pool, numbers, asked)
    else:
        yield from ((number, solve_case(asked(number))) for number in numbers)


def _spread(executor: Executor, numbers: Iterable[int], asked: Callable[[int], Asked]) -> Iterator[tuple[int, Outcome]]:
    """The same by an executor, which never has more than AHEAD before it."""
    waiting: dict[Future[Outcome], int] = {}
    coming = iter(numbers)
    try:
        while True:
            while len(waiting) < AHEAD and (number := next(coming, None)) is not None:
                waiting[executor.submit(solve_case, asked(number))] = number
            if not waiting:
                return
            for future in wait(waiting, return_when=FIRST_COMPLETED).done:
                yield waiting.pop(future), future.result()
    except LinelabError:
        raise
    except Exception as error:
        raise SolveError(
            f"a process that solves laps has ended ({type(error).__name__})",
            remedy="Run the same sweep again to go on, with fewer jobs if memory ran out. "
            "A script must call it below: if __name__ == '__main__'",
        ) from error
    finally:
        for future in waiting:
            future.cancel()


#: One lap at a time in a process: what is built once for a shape of problem is worked with in place.
_TURN = threading.Lock()


def solve_case(asked: Asked) -> Outcome:
    """The lap of a case; why there is none where it fails."""
    given = asked.given
    with _TURN:
        try:
            kart = kart_at(json.loads(given.kart), asked.point)
            track = _ground(given.track, given.kart, given.weather, given.tyres, given.use_kerbs)
            solution = _solution(asked, kart)
            corners = corner_marks(track, solution, kart)
        except LinelabError as error:
            return Outcome("failed", reason=error.one_line(), field=str(getattr(error, "field", "")))
        except Exception as error:  # one lap's fault must not cost the others
            reason = f"unexpected fault ({type(error).__name__}: {error}). Please report it with the case."
            return Outcome("failed", reason=reason)
    return Outcome(
        "not checked" if solution.verification is None else "verified",
        solution.lap_time,
        solution.time_error,
        tuple(CornerResult(row.marks.corner.number, row.time, row.min_speed) for row in corners),
    )


@lru_cache(maxsize=4)
def _track(packed: bytes) -> Track:
    track: Track = pickle.loads(zlib.decompress(packed))
    return track


@lru_cache(maxsize=4)
def _groove(packed: bytes, kart: str, use_kerbs: bool) -> Groove:
    """The groove along the dry lap of the kart as its file has it: the same for all that is varied."""
    table = json.loads(kart)
    return dry_groove(_track(packed), kart_from(table, table["name"]), use_kerbs=use_kerbs)


@lru_cache(maxsize=16)
def _ground(packed: bytes, kart: str, weather: str | None, tyres: str, use_kerbs: bool) -> Track:
    """The track in the conditions of a case."""
    track = _track(packed)
    if weather is None:
        return track
    if groove_missing(track, weather, tyres):
        track = replace(track, groove=_groove(packed, kart, use_kerbs))
    return on_the_day(track, kart_from(json.loads(kart), ""), weather, tyres, use_kerbs=use_kerbs)


@lru_cache(maxsize=16)
def _middle(given: Given) -> Solution | None:
    """The lap that others are solved from; None where it is not found."""
    point: Point = json.loads(given.middle)
    try:
        return _solved(Asked(given, point, given.middle_factor), kart_at(json.loads(given.kart), point))
    except LinelabError:
        return None


def _solution(asked: Asked, kart: Kart) -> Solution:
    """The lap of a case, from the middle's where that is accurate enough."""
    middle = _middle(asked.given)
    if middle is not None and asked.point == json.loads(asked.given.middle):
        return middle
    if middle is not None:
        try:
            found = _solved(asked, kart, middle)
        except LinelabError:  # another kind of problem, or too far away
            return _solved(asked, kart)
        if found.time_error <= max(accepted_error(found.lap.lap_time), middle.time_error):
            return found
    return _solved(asked, kart)


def _solved(asked: Asked, kart: Kart, warm: Solution | None = None) -> Solution:
    given = asked.given
    track = _ground(given.track, given.kart, given.weather, given.tyres, given.use_kerbs)
    return solve_min_time(
        track, kart, grip=asked.factor, use_kerbs=given.use_kerbs, verify=given.verify, warm=warm
    )  # fmt: skip
