"""One process that computes for the app: requests in on standard input, steps and answers out on standard output.

Each request and each answer is one line of JSON.  A request is ``{"do": task, "with": {...}}``; the answers are any
number of ``{"step": text}`` and then one of ``{"done": value}`` or ``{"failed": {"what", "where", "remedy"}}``.

The process ends when its input does, so that it never outlives the app, however that ended; it takes no more memory
than it was given.
"""

from __future__ import annotations

import json
import os
import sys
import threading
import traceback
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from queue import SimpleQueue
from typing import Any, TextIO

from linelab.errors import LinelabError

#: Task to the function that does it: ``function(library_folder, given, step)`` returns what JSON can hold.
TASKS = {
    "understand": "linelab.app.tasks.understanding:understand",
    "columns": "linelab.app.tasks.understanding:columns",
    "review": "linelab.app.tasks.reviewing:review_session",
    "print": "linelab.app.tasks.reviewing:print_session",
    "kart_open": "linelab.app.tasks.kart_editing:open_kart",
    "kart_look": "linelab.app.tasks.kart_editing:look_at_kart",
    "kart_save": "linelab.app.tasks.kart_editing:save_kart",
    "kart_fit": "linelab.app.tasks.kart_fitting:fit_kart_to_session",
    "season": "linelab.app.tasks.season:put_in_order",
    "demo": "linelab.app.tasks.reviewing:demo_session",
    "list_tracks": "linelab.app.tasks.drawn.track_cards:list_tracks",
    "open_track": "linelab.app.tasks.drawn.track_drawing:open_track",
    "check_drawing": "linelab.app.tasks.drawn.track_drawing:check_drawing",
    "save_drawing": "linelab.app.tasks.drawn.track_drawing:save_drawing",
    "place_picture": "linelab.app.tasks.drawn.picture_placing:place_picture",
    "read_tiff": "linelab.app.tasks.drawn.picture_placing:read_tiff",
    "laps_beneath": "linelab.app.tasks.drawn.laps_beneath:laps_beneath",
    "fit_laps": "linelab.app.tasks.drawn.laps_beneath:fit_laps",
    "prepare what-if": "linelab.app.tasks.what_if:prepare_what_if",
    "answer what-if": "linelab.app.tasks.what_if:answer_what_if",
    "ready what-if": "linelab.app.tasks.what_if:ready_what_if",
    "walk": "linelab.app.tasks.walking:walk_through",
    "sheet": "linelab.app.tasks.walking:make_sheet",
}

#: A task: the library's folder, what is given, and what is called with each step.
Task = Callable[[Path, dict[str, Any], Callable[[str], None]], Any]


def task_named(name: str) -> Task:
    """The function of a task, loaded when it is first asked for."""
    module, function = TASKS[name].split(":")
    found: Task = getattr(import_module(module), function)
    return found


def answer(library: Path, request: dict[str, Any], say: Callable[[dict[str, Any]], None]) -> None:
    """Do one request; whatever goes wrong is an answer too."""
    try:
        task = task_named(request["do"])
        say({"done": task(library, request["with"], lambda text: say({"step": text}))})
    except LinelabError as error:
        say({"failed": {"what": error.what, "where": _without_folders(error.where), "remedy": error.remedy}})
    except MemoryError:
        say({"failed": {"what": "this needs more memory than the app may take", "where": "", "remedy": TOO_MUCH}})
    except Exception:
        traceback.print_exc()
        say({"failed": {"what": "linelab has a fault here; the terminal shows it", "where": "", "remedy": REPORT}})


TOO_MUCH = "Use a shorter recording, or start the app with a larger --memory"
REPORT = "Nothing of yours is lost; please report it with the file"


def _without_folders(where: str) -> str:
    """A place in a file without the folders on the way to it: people dropped a file, they know its name only."""
    head, comma, rest = where.partition(", line")
    return Path(head).name + comma + rest if os.sep in head else where


def limit_memory(megabytes: int) -> None:
    """The process gets no more than this; systems that know no such limit go without."""
    try:
        import resource
    except ImportError:  # pragma: no cover - Windows
        return
    size = megabytes * 2**20
    _, most = resource.getrlimit(resource.RLIMIT_AS)
    if most == resource.RLIM_INFINITY or size < most:
        resource.setrlimit(resource.RLIMIT_AS, (size, most))


def serve(library: Path, requests: TextIO, answers: TextIO) -> None:
    """Answer requests, one after another, until there are no more; then end the process."""
    waiting: SimpleQueue[dict[str, Any]] = SimpleQueue()

    def listen() -> None:
        for line in requests:
            waiting.put(json.loads(line))
        os._exit(0)  # nobody waits for an answer: the app has ended or wants this process to

    threading.Thread(target=listen, daemon=True).start()

    def say(message: dict[str, Any]) -> None:
        answers.write(json.dumps(message, allow_nan=False) + "\n")
        answers.flush()

    while True:
        answer(library, waiting.get(), say)


def main() -> None:
    """Arguments: the library's folder, the most memory [MB]."""
    library, megabytes = Path(sys.argv[1]), int(sys.argv[2])
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # what libraries print is no answer
    limit_memory(megabytes)
    serve(library, sys.stdin, answers)


if __name__ == "__main__":
    main()
