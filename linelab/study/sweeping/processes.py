"""A pool of processes that end with the one that asked for them, and leave Ctrl-C to it."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager, suppress
from multiprocessing.connection import Connection


@contextmanager
def new_processes(count: int) -> Iterator[Executor]:
    """A pool of new processes, which end with this one, however it ends.

    Each waits for the end of a pipe whose other side only this process has.  Ctrl-C is this process's to answer.
    """
    context = multiprocessing.get_context("spawn")
    held, other = context.Pipe(duplex=False)
    before = os.environ.get("OPENBLAS_NUM_THREADS")
    pool = ProcessPoolExecutor(count, mp_context=context, initializer=_follow, initargs=(held,))
    finished = False
    try:
        # Linear algebra here is a great many small products, for which threads cost more than they bring.
        os.environ["OPENBLAS_NUM_THREADS"] = "1"
        with _deaf():
            for _ in range(count):
                pool.submit(int)
        yield pool
        finished = True
    finally:
        if not finished:  # what is being solved is of no use any more
            other.close()
        pool.shutdown(cancel_futures=True)
        for end in (held, other):
            end.close()
        if before is None:
            del os.environ["OPENBLAS_NUM_THREADS"]
        else:
            os.environ["OPENBLAS_NUM_THREADS"] = before


@contextmanager
def _deaf() -> Iterator[None]:
    """Processes that begin here ignore Ctrl-C from their first moment."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _follow(held: Connection) -> None:
    """End this process when the other side of the pipe is gone."""

    def watch() -> None:
        with suppress(OSError):
            held.poll(None)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()
