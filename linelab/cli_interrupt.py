"""How Ctrl-C ends the program: on one line, with exit code 130, from the first moment and inside the solver too."""

from __future__ import annotations

import os
import signal
import sys
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from types import FrameType

#: What is said at Ctrl-C, and the exit code that shells expect of it.
INTERRUPTED = "interrupted; nothing half done is left"
EXIT_CODE = 130


def answer_from_now_on() -> None:
    """Until a command runs, and after it has, Ctrl-C ends the process at once: loading it has nothing to clean up."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:  # not where a shell has it ignored
        signal.signal(signal.SIGINT, _leave)


def _leave(_number: int, _frame: FrameType | None) -> None:
    """End the process, without what the interpreter would do and say on its way out."""
    show_cursor = "\x1b[?25h\r\x1b[2K" if sys.stderr.isatty() else ""
    sys.stderr.write(f"{show_cursor}linelab: {INTERRUPTED}\n")
    sys.stderr.flush()
    os._exit(EXIT_CODE)


class Interruptions:
    """Ends the command at Ctrl-C, also inside the solver.

    CasADi turns the KeyboardInterrupt into a failed function evaluation, from which the interior-point method recovers
    and carries on.  Nothing has been written at that time, so the process simply ends there.
    """

    def __init__(self) -> None:
        self.seen = False

    def __enter__(self) -> Interruptions:
        import threading

        self.seen = False
        self._before: Any = None
        ours = threading.current_thread() is threading.main_thread()
        if ours and signal.getsignal(signal.SIGINT) is not signal.SIG_IGN:
            self._before = signal.signal(signal.SIGINT, self._handle)
        return self

    def __exit__(self, *_: object) -> None:
        if self._before is not None:
            signal.signal(signal.SIGINT, self._before)

    def _handle(self, number: int, frame: FrameType | None) -> None:
        self.seen = True
        if frame is not None and str(frame.f_globals.get("__name__", "")).startswith("casadi"):
            _leave(number, frame)
        raise KeyboardInterrupt

    def check(self) -> None:
        """Raise KeyboardInterrupt if Ctrl-C was pressed."""
        if self.seen:
            raise KeyboardInterrupt


#: Of the running command.
interruptions = Interruptions()
