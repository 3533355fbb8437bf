"""How Ctrl-C ends the program: on one line, with exit code 130, from the first moment and inside the solver too.

A kill, and closing the terminal, end a command in the same way, so that they too leave nothing half written.
"""

from __future__ import annotations

import os
import signal
import sys
from contextlib import ExitStack, suppress
from typing import TYPE_CHECKING, Any

from linelab.errors import ending_signals

if TYPE_CHECKING:
    from types import FrameType

#: What is said at Ctrl-C.
INTERRUPTED = "interrupted; nothing half done is left"


def answer_from_now_on() -> None:
    """Until a command runs, and after it has, Ctrl-C ends the process at once: loading it has nothing to clean up."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:  # not where a shell has it ignored
        signal.signal(signal.SIGINT, _leave)


def exit_code(number: int) -> int:
    """The exit code by which shells know a signal: 130 for Ctrl-C."""
    return 128 + number


def _leave(number: int, _frame: FrameType | None) -> None:
    """End the process, without what the interpreter would do and say on its way out."""
    with suppress(OSError):  # the terminal may have gone
        show_cursor = "\x1b[?25h\r\x1b[2K" if sys.stderr.isatty() else ""
        sys.stderr.write(f"{show_cursor}linelab: {INTERRUPTED}\n")
        sys.stderr.flush()
    os._exit(exit_code(number))


class Interruptions:
    """Ends the command at Ctrl-C and its like, also inside the solver; ``seen`` is the signal's number, 0 for none.

    CasADi turns the KeyboardInterrupt into a failed function evaluation, from which the interior-point method recovers
    and carries on.  No file is half written at that time, so the process ends there, once what it ``held`` (its folders
    for results) is let go.
    """

    def __init__(self) -> None:
        self.seen = 0
        self.held = ExitStack()
        self._before: dict[int, Any] = {}

    def __enter__(self) -> Interruptions:
        import threading

        self.seen = 0
        if threading.current_thread() is threading.main_thread():
            self._before = {number: signal.signal(number, self._handle) for number in ending_signals()}
        return self

    def __exit__(self, *_: object) -> None:
        self.held.close()
        for number, before in self._before.items():
            signal.signal(number, before)

    def _handle(self, number: int, frame: FrameType | None) -> None:
        self.seen = number
        if frame is not None and str(frame.f_globals.get("__name__", "")).startswith("casadi"):
            self.held.close()
            _leave(number, frame)
        raise KeyboardInterrupt

    def check(self) -> None:
        """Raise KeyboardInterrupt if the command is to end."""
        if self.seen:
            raise KeyboardInterrupt


#: Of the running command.
interruptions = Interruptions()
