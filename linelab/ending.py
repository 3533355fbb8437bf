"""What asks a program to end while it works: Ctrl-C, a kill, the terminal's window being closed."""

from __future__ import annotations

import signal


def ending_signals() -> list[int]:
    """The signals of this system that ask for an end, without those that whoever started the program has ignored."""
    known = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    return [number for number in known if signal.getsignal(number) is not signal.SIG_IGN]
