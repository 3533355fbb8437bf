"""A folder of results: all of a run's files appear together at its end, or none of them.

Files are first written into a folder of their own on the same disk and then moved in, so an interrupted run changes
nothing.  One run at a time: another that begins meanwhile is refused before it has computed anything.  A run again
into the same folder replaces what the earlier run wrote, also what it does not write any more, and never touches any
other file there: a small list in the folder says which files are linelab's.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path

from linelab.errors import InputError
from linelab.io.atomic import WORKSHOP, check_writable, undisturbed, workshop

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
