"""Writing files so that an interruption leaves either the old file or the new one, never half of one.

A run's files appear in its folder together at its end, or none of them.  Files are first written into a folder of their
own on the same disk and then moved in, so an interrupted run changes nothing.  One run at a time: another that begins
meanwhile is refused before it has computed anything.  A run again into the same folder replaces what the earlier run
wrote, also what it does not write any more, and never touches any other file there: a small list in the folder says
which files are linelab's.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import signal
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass
from itertools import takewhile
from pathlib import Path

from linelab.errors import InputError, ending_signals

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


#: How long to wait before looking again whether a place is free [s].
LOOK_AGAIN = 0.01


@contextmanager
def workshop(place: Path, target: Path, patience: float = 0.0) -> Iterator[Path]:
    """Yield an empty folder inside ``place`` for what is to become ``target``, of this process alone; then remove both.

    A locked file in ``place`` says that somebody is at work.  A system lets go of its locks when a process ends,
    however it ends: what a killed one left is known by that, and the next to come clears it away.  On a disk that
    knows no locks nobody is kept out.  Folders missing on the way to ``place`` are made, and removed where they stay
    empty.  Somebody else's work is waited for as long as ``patience`` [s].

    Raises
    ------
    InputError
        Another process is at work there, or the folder cannot be made.
    """
    missing = list(takewhile(lambda folder: not folder.exists(), place.parents))
    work, handle, end = place / "work", None, time.monotonic() + patience
    try:
        while True:
            with undisturbed():
                try:
                    handle = _opened(place)
                    if handle is not None:
                        shutil.rmtree(work, ignore_errors=True)
                        work.mkdir()
                except OSError as error:
                    raise cannot_write(target, error) from error
            if handle is not None or time.monotonic() >= end:
                break
            time.sleep(LOOK_AGAIN)
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


def bench_of(target: Path) -> Path:
    """The place beside a file or folder where its next content is made; whoever works there has it for itself."""
    return target.with_name(f"{WORKSHOP}-{target.name[-50:]}")


def clear_left(folder: Path) -> None:
    """Clear away what killed processes left half made in a folder; whoever is at work there is left alone."""
    for place in folder.glob(f"{WORKSHOP}*"):
        if place.is_dir():
            with suppress(InputError), workshop(place, place):
                pass


@contextmanager
def replacing(path: str | Path, patience: float = 0.0) -> Iterator[Path]:
    """Yield a temporary path on the same disk; move it over ``path`` when the block ends without an exception.

    Missing folders are made.  On any exception, an interruption included, the temporary file is removed and whatever
    stood at ``path`` before is untouched.  Nobody else replaces the file while the block runs; another who does so is
    waited for as long as ``patience`` [s].

    Raises
    ------
    InputError
        The folder cannot be made or written to, or another process is writing this file.
    """
    target = Path(path)
    check_writable(target.parent, target)
    with workshop(bench_of(target), target, patience) as work:
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


#: The list of files that linelab wrote into a folder.
MANIFEST = "linelab_files.json"


@dataclass(frozen=True, slots=True)
class ResultsFolder(os.PathLike[str]):
    """A folder of results that this process alone may write into, and the empty folder its files are made in."""

    path: Path
    stage: Path

    def __fspath__(self) -> str:
        return str(self.path)


@contextmanager
def claimed_folder(path: str | Path) -> Iterator[ResultsFolder]:
    """Keep other processes from writing results into a folder until the block ends.

    Raises
    ------
    InputError
        The folder cannot be made or written to, or another process is at work there.
    """
    target = Path(path)
    check_writable(target)
    # Inside the target: it may be a disk of its own in a folder that is not the user's.
    with workshop(target / WORKSHOP, target) as stage:
        yield ResultsFolder(target, stage)


@contextmanager
def results_folder(path: str | os.PathLike[str]) -> Iterator[Path]:
    """Yield an empty folder to write into; move its files into ``path`` when the block ends without an exception.

    Only plain files directly in the yielded folder are moved.  A folder that is claimed already is given as that claim.

    Raises
    ------
    InputError
        The folder cannot be made or written to, or another process is at work there; a file in it cannot be replaced,
        or is not linelab's to replace.
    """
    with nullcontext(path) if isinstance(path, ResultsFolder) else claimed_folder(Path(path)) as folder:
        yield folder.stage
        with undisturbed():
            _move_in(folder.stage, folder.path)


def _move_in(stage: Path, target: Path) -> None:
    """Replace the earlier run's files by the new ones and note which they are."""
    fresh = sorted(item.name for item in stage.iterdir() if item.is_file())
    try:
        earlier = written_before(target)
        _require_own(target, fresh, earlier)
        stale = [name for name in earlier if name not in fresh]
        # Listed before they are moved: a kill between two moves must not orphan a file of ours.
        listing = stage / MANIFEST
        listing.write_text(json.dumps({"files": sorted({*fresh, *stale})}, indent=1), encoding="utf-8")
        os.replace(listing, target / MANIFEST)
        for name in fresh:
            os.replace(stage / name, target / name)
        for name in stale:
            (target / name).unlink(missing_ok=True)
        listing.write_text(json.dumps({"files": fresh}, indent=1), encoding="utf-8")
        os.replace(listing, target / MANIFEST)
    except OSError as error:
        raise InputError(
            f"cannot replace a file here ({error.strerror or error})",
            where=str(error.filename2 or error.filename or target),
            remedy="Close the program that has it open, or choose another folder",
        ) from error


def _require_own(target: Path, fresh: list[str], earlier: list[str]) -> None:
    """Raise InputError where a file of the user's own bears the name of a new one."""
    others = [name for name in fresh if name not in earlier and os.path.lexists(target / name)]
    if others:
        raise InputError(
            f"{', '.join(others)} {'is' if len(others) == 1 else 'are'} here already, and not from an earlier run",
            where=str(target),
            remedy="Move or rename it, or choose another folder" if len(others) == 1 else "Choose another folder",
        )


def written_before(target: Path) -> list[str]:
    """Names of the files an earlier run wrote into a folder; empty when there is no readable list.

    A name counts where a file of that name stands in the folder itself: a list may come from anywhere, and must neither
    reach out of the folder nor fail when files have been moved.
    """
    try:
        names = json.loads((target / MANIFEST).read_text(encoding="utf-8"))["files"]
        present = {item.name for item in target.iterdir() if item.is_file() or item.is_symlink()} - {MANIFEST}
        return [name for name in names if isinstance(name, str) and name in present]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return []
