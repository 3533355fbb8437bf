"""Writing files so that an interruption leaves either the old file or the new one, never half of one."""

from __future__ import annotations

import os
import signal
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from linelab.ending import ending_signals
from linelab.errors import InputError


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


@contextmanager
def replacing(path: str | Path) -> Iterator[Path]:
    """Yield a temporary path on the same disk; move it over ``path`` when the block ends without an exception.

    Missing folders are made at the end.  On any exception, an interruption included, the temporary file is removed and
    whatever stood at ``path`` before is untouched.

    Raises
    ------
    InputError
        The folder cannot be made or written to.
    """
    target = Path(path)
    beside = check_writable(target.parent, target)
    try:
        handle, name = tempfile.mkstemp(prefix=f".{target.stem}-", suffix=target.suffix, dir=beside)
    except OSError as error:
        raise cannot_write(target, error) from error
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        temporary.chmod(_usual_mode())
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            os.replace(temporary, target)
        except OSError as error:
            raise InputError(
                f"cannot replace this file ({error.strerror or error})",
                where=str(target),
                remedy="Close the program that has it open, or choose another folder",
            ) from error
    finally:
        temporary.unlink(missing_ok=True)


def _usual_mode() -> int:
    """Permissions a newly made file would have (a temporary file starts readable by its owner only)."""
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask


def write_text(path: str | Path, text: str) -> None:
    """Write text (UTF-8, line ends as given) through :func:`replacing`.

    Raises
    ------
    InputError
        The folder cannot be made or written to.
    """
    with replacing(path) as temporary:
        temporary.write_bytes(text.encode("utf-8"))
