"""A folder of results: all of a run's files appear together at its end, or none of them.

Files are first written into a folder of their own on the same disk and then moved in, so an interrupted run changes
nothing.  A run again into the same folder replaces what the earlier run wrote, also what it does not write any more,
and never touches any other file there: a small list in the folder says which files are linelab's.
"""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from linelab.errors import InputError
from linelab.io.atomic import cannot_write, check_writable, undisturbed

#: The list of files that linelab wrote into a folder.
MANIFEST = "linelab_files.json"


@contextmanager
def results_folder(path: str | Path) -> Iterator[Path]:
    """Yield an empty folder to write into; move its files into ``path`` when the block ends without an exception.

    Only plain files directly in the yielded folder are moved.

    Raises
    ------
    InputError
        The folder cannot be made or written to; a file in it cannot be replaced, or is not linelab's to replace.
    """
    target = Path(path)
    # Inside the target where it exists: it may be a disk of its own in a folder that is not the user's.
    standing = check_writable(target)
    try:
        stage = Path(tempfile.mkdtemp(prefix=".linelab-", dir=standing))
    except OSError as error:
        raise cannot_write(target, error) from error
    try:
        yield stage
        with undisturbed():
            _move_in(stage, target)
    finally:
        shutil.rmtree(stage, ignore_errors=True)


def _move_in(stage: Path, target: Path) -> None:
    """Replace the earlier run's files by the new ones and note which they are."""
    fresh = sorted(item.name for item in stage.iterdir() if item.is_file())
    try:
        target.mkdir(parents=True, exist_ok=True)
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
    """Names of the files an earlier run wrote into a folder; empty when there is no readable list."""
    try:
        names = json.loads((target / MANIFEST).read_text(encoding="utf-8"))["files"]
        return [name for name in names if isinstance(name, str) and Path(name).name == name and name != MANIFEST]
    except (OSError, ValueError, KeyError, TypeError):
        return []
