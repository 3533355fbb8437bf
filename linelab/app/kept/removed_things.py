"""What was removed: kept in a folder of its own until somebody empties it, and put back by a move.

``removed/<when>/<sessions, tracks or karts>/<what it was called>``: a move by hand puts it back as well.
"""

from __future__ import annotations

import os
import re
import secrets
import shutil
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from linelab.app.kept.revisions import alone_at
from linelab.errors import InputError, legible

#: What the folder of one removed thing is called, and the beginning of one that is being deleted.
_WORD, _GOING = re.compile(r"(\d{8}T\d{6})-[0-9a-f]{8}"), "going-"
#: Folders of the library to what one of their things is called.
_KINDS = {"sessions": "session", "tracks": "track", "karts": "kart"}


class RemovedThings:
    """The folder of what was removed.

    Parameters
    ----------
    library : Path
    """

    def __init__(self, library: Path) -> None:
        self._library, self.folder = library, library / "removed"

    def put(self, path: Path) -> str:
        """Move a session's folder, a track or a kart here; returns the word by which it is put back.

        Raises
        ------
        InputError
            It is not there any more, or cannot be moved.
        """
        word = f"{datetime.now(UTC):%Y%m%dT%H%M%S}-{secrets.token_hex(4)}"
        with alone_at(path):
            try:
                (self.folder / word / path.parent.name).mkdir(parents=True)
                path.rename(self.folder / word / path.parent.name / path.name)
            except OSError as error:
                raise InputError(
                    f"this cannot be removed ({error.strerror})", where=legible(path.name),
                    remedy="Close the program that has it open, or load the list again",
                ) from error  # fmt: skip
            finally:
                with suppress(OSError):  # of what was not moved
                    (self.folder / word / path.parent.name).rmdir()
                    (self.folder / word).rmdir()
        return word

    def all(self) -> list[dict[str, Any]]:
        """What was removed, the latest first: ``word``, ``kind``, ``name``, ``when`` (UTC)."""
        found = []
        for folder in self._words():
            for path in (path for kind in _KINDS for path in (folder / kind).glob("*")):
                when = datetime.strptime(folder.name[:15], "%Y%m%dT%H%M%S").replace(tzinfo=UTC)
                found.append(
                    {
                        "word": folder.name,
                        "kind": _KINDS[path.parent.name],
                        "name": legible(path.stem if path.is_file() else path.name),
                        "when": when.isoformat(),
                    }
                )
        return sorted(found, key=lambda item: item["word"], reverse=True)

    def restore(self, word: str) -> dict[str, str]:
        """Put something back; returns its ``kind`` and ``name``, another one where its name is in use by now.

        Raises
        ------
        InputError
            It is not there any more.
        """
        for folder in self._words():
            if folder.name == word:
                for kind, shown in _KINDS.items():
                    for path in (folder / kind).glob("*"):
                        name = self._move_back(path)
                        with suppress(OSError):
                            path.parent.rmdir()
                            folder.rmdir()
                        return {"kind": shown, "name": name}
        raise InputError(
            "this is not among what was removed any more", where=legible(word), remedy="Load the list again"
        )

    def _move_back(self, path: Path) -> str:
        home, (stem, dot, rest) = self._library / path.parent.name, path.name.partition(".")
        ending = dot + rest  # of a drawing ".drawing.json"
        if path.is_dir():
            stem, ending = path.name, ""
        # Both the making of sessions and the saving of files of this name are kept out until it is there.
        with alone_at(home / "new session"), alone_at(home / path.name):
            number, target = 1, home / path.name
            while target.exists():
                number += 1
                target = home / f"{stem[:74]}-{number}{ending}"
            try:
                home.mkdir(parents=True, exist_ok=True)
                path.rename(target)
            except OSError as error:
                raise InputError(
                    f"this cannot be put back ({error.strerror})",
                    where=legible(path.name),
                    remedy="Load the list again",
                ) from error
        return target.name.removesuffix(ending)

    def empty(self) -> int:
        """Delete what was removed, for good; returns how many things that were.

        Each is taken off the list before it is deleted: a kill on the way leaves nothing that looks whole and is not.
        """
        count = 0
        for folder in self._words():
            with suppress(OSError):
                going = folder.rename(folder.with_name(f"{_GOING}{folder.name}"))
                count += 1
                shutil.rmtree(going, ignore_errors=True)
        return count

    def clear_left(self) -> None:
        """Delete what a killed process was deleting."""
        for folder in self.folder.glob(f"{_GOING}*"):
            shutil.rmtree(folder, ignore_errors=True)

    def _words(self) -> list[Path]:
        try:
            with os.scandir(self.folder) as items:
                return sorted(Path(item.path) for item in items if _WORD.fullmatch(item.name))
        except OSError:
            return []
