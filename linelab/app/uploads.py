"""Files that a browser sends: streamed to a folder of their own, with a cap on their size."""

from __future__ import annotations

import secrets
from collections.abc import AsyncIterator
from contextlib import ExitStack, suppress
from pathlib import Path
from urllib.parse import unquote

from linelab.errors import InputError, on_one_line
from linelab.files.writing import workshop

#: Folder in the library for what is arriving, with one for each app that runs on it.
ARRIVING = ".arriving"
#: Longest name of a dropped file that is kept [characters].
LONGEST_NAME = 120


class Uploads:
    """What has been dropped and is not yet a session.

    Parameters
    ----------
    library : Path
    most : int
        Bytes a file may have.
    """

    def __init__(self, library: Path, most: int) -> None:
        self._all, self._folder, self._most = library / ARRIVING, library / ARRIVING, most
        self._names: dict[str, str] = {}
        self._held = ExitStack()

    def open(self) -> None:
        """Take a folder for this app, and drop what apps left that have ended; one that still runs keeps its own."""
        for place in [*self._all.glob("*")]:
            with suppress(InputError, OSError):
                if place.is_file():
                    place.unlink()
                else:
                    with workshop(place, place):
                        pass
        place = self._all / secrets.token_hex(6)
        self._folder = self._held.enter_context(workshop(place, place, patience=5.0))

    def close(self) -> None:
        """Drop what has arrived and was not taken."""
        self._held.close()

    async def receive(self, name: str, stated: str, body: AsyncIterator[bytes]) -> str:
        """Store a file; returns the word by which it is asked for.

        Parameters
        ----------
        name : str
            What the file is called where it comes from, percent-encoded; only ever shown.
        stated : str
            The Content-Length header; may be empty.
        body : async iterator of bytes

        Raises
        ------
        InputError
            It is too large, or empty.
        """
        title = _shown(name)
        if stated.isdecimal() and int(stated) > self._most:
            raise self._too_large(title)
        self._folder.mkdir(parents=True, exist_ok=True)
        word, size = secrets.token_hex(12), 0
        path = self._folder / word
        try:
            with path.open("wb") as file:
                async for chunk in body:
                    size += len(chunk)
                    if size > self._most:
                        raise self._too_large(title)
                    file.write(chunk)
            if size == 0:
                raise InputError("this file is empty", where=title, remedy="Export the recording again")
        except BaseException:
            path.unlink(missing_ok=True)
            raise
        self._names[word] = title
        return word

    def take(self, word: str) -> tuple[Path, str]:
        """A stored file and its name; it may be taken once.

        Raises
        ------
        InputError
        """
        name = self._names.pop(word, None)
        if name is None:
            raise InputError("this file did not arrive", where="recording", remedy="Drop it again")
        return self._folder / word, name

    def _too_large(self, title: str) -> InputError:
        return InputError(
            f"this file is larger than {self._most / 1e6:g} MB",
            where=title,
            remedy="Cut the recording to one session, or start the app with a larger --largest",
        )


def _shown(name: str) -> str:
    """A file's name for showing: its last part, on one line."""
    plain = on_one_line(unquote(name, errors="replace")).replace("\\", "/").rsplit("/", 1)[-1]
    return plain[-LONGEST_NAME:] or "recording"
