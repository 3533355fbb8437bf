"""Writing files so that an interruption leaves either the old file or the new one, never half of one."""

from __future__ import annotations

import errno
import os
import shutil
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from itertools import takewhile
from pathlib import Path

from linelab.ending import ending_signals
from linelab.errors import InputError

#: How the folders begin in which files are made before they are moved into place, and the locked file in them.
WORKSHOP, _LOCK = ".linelab", "at_work"


def check_writable(folder: Path, asked: Path | None = None) -> Path:
    """The folder itself or, where it is not there yet, the nearest one above it that is; ``asked`` is named in errors.

    Raises
    ------
    InputError
        There is a file in the way, or no right to write.
    """
    standing = folder
    while not standing.exists() and standing != standing.parent:
        standing = standing.parent
    if not standing.is_dir():
        raise InputError("this is a file, not a folder", where=str(standing), remedy="Name a folder for the results")
    if not os.access(standing, os.W_OK | os.X_OK):
        raise InputError("cannot write here (no right to)", where=str(asked or folder), remedy="Choose another folder")
    return standing


def cannot_write(target: Path, error: OSError) -> InputError:
    """The error for a place that turned out not to take files."""
    return InputError(
        f"cannot write here ({error.strerror or error})", where=str(target), remedy="Choose another folder"
    )


@contextmanager
def undisturbed() -> Iterator[None]:
    """Ctrl-C and its like wait until the block is over; moving several files into place must not stop half-way."""
    if threading.current_thread() is not threading.main_thread():  # only the main thread is interrupted
        yield
        return
    seen: list[int] = []
    before = {number: signal.signal(number, lambda number, _: seen.append(number)) for number in ending_signals()}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, signal.SIG_DFL if handler is None else handler)
        if seen:
            signal.raise_signal(seen[0])


if sys.platform == "win32":
    import msvcrt

    def _lock(handle: int) -> None:
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


@contextmanager
def workshop(place: Path, target: Path) -> Iterator[Path]:
    """Yield an empty folder inside ``place`` for what is to become ``target``, of this process alone; then remove both.

    A locked file in ``place`` says that somebody is at work.  A system lets go of its locks when a process ends,
    however it ends: what a killed one left is known by that, and the next to come clears it away.  On a disk that
    knows no locks nobody is kept out.  Folders missing on the way to ``place`` are made, and removed where they stay
    empty.

    Raises
    ------
    InputError
        Another process is at work there, or the folder cannot be made.
    """
    missing = list(takewhile(lambda folder: not folder.exists(), place.parents))
    work, handle = place / "work", None
    try:
        with undisturbed():
            try:
                handle = _opened(place)
                if handle is not None:
                    shutil.rmtree(work, ignore_errors=True)
                    work.mkdir()
            except OSError as error:
                raise cannot_write(target, error) from error
        if handle is None:
            raise InputError(
                "another linelab command is at work here",
                where=str(target),
                remedy="Wait until it has ended, or choose another place",
            )
        yield work
    finally:
        with undisturbed(), suppress(OSError):
            if handle is not None:
                _close(place, work, handle)
            for folder in missing:
                folder.rmdir()


def _opened(place: Path) -> int | None:
    """The open, locked file of a workshop; None where another process has it."""
    for attempt in range(100):
        try:
            place.mkdir(parents=True, exist_ok=True)
            handle = os.open(place / _LOCK, os.O_RDWR | os.O_CREAT)
        except (FileNotFoundError, FileExistsError):  # whoever was there has just removed it, or it is no folder
            if attempt < 99:
                continue
            raise
        try:
            _lock(handle)
        except OSError as error:
            if error.errno in (errno.EAGAIN, errno.EACCES, errno.EDEADLK):
                os.close(handle)
                return None
        with suppress(FileNotFoundError):
            if os.path.samestat(os.fstat(handle), os.stat(place / _LOCK)):
                return handle
        os.close(handle)  # of a file that was removed before it was locked
    return None


def _close(place: Path, work: Path, handle: int) -> None:
    """Clear a workshop away; whoever comes next must not find it before it is empty."""
    shutil.rmtree(work, ignore_errors=True)
    if os.name != "nt":
        (place / _LOCK).unlink()
    os.close(handle)
    if os.name == "nt":  # open files stay there; one that another process has opened by now stays, too
        (place / _LOCK).unlink()
    place.rmdir()


@contextmanager
def replacing(path: str | Path) -> Iterator[Path]:
    """Yield a temporary path on the same disk; move it over ``path`` when the block ends without an exception.

    Missing folders are made.  On any exception, an interruption included, the temporary file is removed and whatever
    stood at ``path`` before is untouched.

    Raises
    ------
    InputError
        The folder cannot be made or written to, or another process is writing this file.
    """
    target = Path(path)
    check_writable(target.parent, target)
    with workshop(target.with_name(f"{WORKSHOP}-{target.name[-50:]}"), target) as work:
        temporary = work / target.name
        yield temporary
        try:
            os.replace(temporary, target)
        except OSError as error:
            raise InputError(
                f"cannot replace this file ({error.strerror or error})",
                where=str(target),
                remedy="Close the program that has it open, or choose another folder",
            ) from error


def write_text(path: str | Path, text: str) -> None:
    """Write text (UTF-8, line ends as given) through :func:`replacing`.

    Raises
    ------
    InputError
        The folder cannot be made or written to.
    """
    with replacing(path) as temporary:
        temporary.write_bytes(text.encode("utf-8"))
