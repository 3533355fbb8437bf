"""Names, revisions and saves that no other window or app overwrites unseen.

A save is made under a lock of the file, which systems drop when a process dies: the revision is compared and the file
replaced while nobody else can.  Others wait for that, since it is short.
"""

from __future__ import annotations

import hashlib
import os
import re
import unicodedata
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

from linelab.errors import InputError, LinelabError
from linelab.files.writing import bench_of, replacing, workshop

#: What names in the library look like; anything else in a request is refused.
NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,79}")
#: How long a save waits for another one of the same file [s].
PATIENCE = 5.0
#: Names that one system keeps for devices.
_DEVICES = {"con", "prn", "aux", "nul", *(f"{port}{digit}" for port in ("com", "lpt") for digit in range(1, 10))}


class StaleError(LinelabError):
    """Somebody else has saved since; ``revision`` is what stands there now."""

    def __init__(self, name: str, revision: str) -> None:
        super().__init__(
            "this was changed in another window since you opened it",
            where=name,
            remedy="Load it again, or save yours under another name",
        )
        self.revision = revision


def plain_name(title: str, instead: str) -> str:
    """A name for files from what a user typed: small letters, digits, dashes and underscores."""
    plain = unicodedata.normalize("NFKD", title).encode("ascii", "ignore").decode().lower()
    name = re.sub(r"[^a-z0-9_]+", "-", plain).strip("-_")[:80].rstrip("-_") or instead
    return f"{name}-1" if name in _DEVICES else name


def revision(content: bytes) -> str:
    """A short name of a file's content."""
    return hashlib.sha256(content).hexdigest()[:16]


def standing(path: Path) -> str:
    """Revision of a file; empty where there is none."""
    try:
        return revision(path.read_bytes())
    except FileNotFoundError:
        return ""


def refuse_stale(path: Path, name: str, began_from: str) -> None:
    """Raise StaleError where a file is not the one that a change began from; call it where nobody else can save."""
    found = standing(path)
    if found != began_from:
        raise StaleError(name, found)


def alone_at(target: Path) -> AbstractContextManager[Path]:
    """Work on a file or folder that nobody else changes meanwhile; gives an empty folder beside it.

    Raises
    ------
    InputError
        Somebody else works on it for longer than a save takes.
    """
    return workshop(bench_of(target), target, PATIENCE)


@contextmanager
def saving(path: Path, name: str, began_from: str) -> Iterator[Path]:
    """Yield a temporary path that replaces ``path``, which is still of the revision that the change began from.

    Raises
    ------
    StaleError, InputError
    """
    with replacing(path, PATIENCE) as temporary:
        refuse_stale(path, name, began_from)
        yield temporary


def write_through(path: Path, content: bytes) -> None:
    """Write a file down to the disk, so that a file renamed after it is whole even where the power goes."""
    with path.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def as_bytes(text: str, where: str) -> bytes:
    """A text as it is stored (UTF-8).

    Raises
    ------
    InputError
        It holds halves of characters.
    """
    try:
        return text.encode("utf-8")
    except UnicodeEncodeError as error:
        raise InputError("this text holds characters that no file can", where=where, remedy="Type it again") from error
