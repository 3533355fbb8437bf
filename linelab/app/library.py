"""The user's folder: sessions, tracks and karts as plain files that every command reads too.

::

    sessions/<name>/session.json     what was typed: driver, track, kart, notes, what to compare with
                    recording-1.csv  as dropped
                    review/          what `linelab review` writes
                    found.json       what a list shows of the review
    tracks/<name>.geojson            ordinary track files
           <name>.drawing.json       a track as it is being drawn, perhaps unfinished; its picture beside it
    karts/<name>.toml                ordinary kart files
    progress/<name>/                 what `linelab progress` writes of a driver's sessions
    removed/                         what was removed, until somebody empties it

Nothing is known to the app that is not here.  A file is written aside and moved into place, so a crash leaves the old
or the new one; a session's folder likewise.  Each file has a *revision* (of its content); a save names the one it
began from and is refused where another window, or another app on this folder, has saved since, so nobody's work is
overwritten unseen.

Names of folders and files are made here from what a user typed; a name from a request is only ever looked up.
"""

from __future__ import annotations

import os
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from linelab.app.kept.removed_things import RemovedThings
from linelab.app.kept.revisions import NAME, StaleError, as_bytes, plain_name, revision, saving, write_through
from linelab.app.kept.session_fields import FRESH
from linelab.app.kept.session_folders import SessionFolders
from linelab.errors import InputError, legible
from linelab.files.bundled import bundled_karts, bundled_tracks
from linelab.files.writing import clear_left

__all__ = ["FRESH", "Kind", "Library", "StaleError", "Stored", "plain_name", "revision"]

#: Kinds of single files to their folder and ending.
FILES = {"track": ("tracks", ".geojson"), "kart": ("karts", ".toml"), "drawing": ("tracks", ".drawing.json")}
Kind = Literal["track", "kart", "drawing"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """A text file of the library; ``bundled`` ones come with linelab and cannot be changed."""

    name: str
    text: str
    revision: str
    bundled: bool


class Library:
    """Access to the user's folder.

    Parameters
    ----------
    folder : Path
        Made where it is missing.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.folders, self.bin = SessionFolders(folder), RemovedThings(folder)

    def prepare(self) -> None:
        """Make the folders, and clear away what killed processes left half made.

        Raises
        ------
        InputError
        """
        try:
            for name in ("sessions", "tracks", "karts", "removed"):
                (self.folder / name).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(
                f"the library cannot be made here ({error.strerror})",
                where=str(self.folder),
                remedy="Name another folder: linelab app FOLDER",
            ) from error
        for name in ("sessions", "tracks", "karts", "removed"):
            clear_left(self.folder / name)
        for folder in (self.folder / "sessions").iterdir():
            if NAME.fullmatch(folder.name):
                clear_left(folder)
                clear_left(folder / "review")
        for folder in (self.folder / "progress").glob("*"):
            clear_left(folder)
        self.bin.clear_left()

    # Tracks and karts

    def names(self, kind: Kind) -> dict[str, Path]:
        """Own files of a kind and those that come with linelab; an own one hides a bundled one of the same name."""
        folder, ending = FILES[kind]
        files = sorted((self.folder / folder).glob(f"*{ending}"))
        own = {path.name.removesuffix(ending): path for path in files if path.name[0] != "."}
        bundled = bundled_tracks() if kind == "track" else bundled_karts() if kind == "kart" else {}
        return bundled | own

    def path(self, kind: Kind, name: str) -> Path:
        """The file of a track or kart.

        Raises
        ------
        InputError
            There is none of that name.
        """
        found = self.names(kind).get(name)
        if found is None:
            raise InputError(f"there is no {kind} of this name", where=legible(name), remedy="Choose one from the list")
        return found

    def read(self, kind: Kind, name: str) -> Stored:
        """A track or kart file as text, with the revision to name when saving.

        Raises
        ------
        InputError
            There is none of that name, or it is no text.
        """
        path = self.path(kind, name)
        try:
            content = path.read_bytes()
            text = content.decode("utf-8")
        except OSError as error:
            raise InputError(
                f"this {kind} cannot be read ({error.strerror})", where=name, remedy="Choose one from the list"
            ) from error
        except UnicodeDecodeError as error:
            raise InputError(
                f"this {kind} is no UTF-8 text",
                where=path.name,
                remedy="Save it as UTF-8 in a text editor, or remove it",
            ) from error
        return Stored(name=name, text=text, revision=revision(content), bundled=self.is_bundled(path))

    def is_bundled(self, path: Path) -> bool:
        """Whether a file comes with linelab."""
        return self.folder not in path.parents

    def save(self, kind: Kind, title: str, text: str, *, began_from: str = "") -> Stored:
        """Save a track or kart file.

        Parameters
        ----------
        kind : "track" or "kart"
        title : str
            A name of the library, or what a user typed: a name is made from it.
        text : str
            The checked content.
        began_from : str
            Revision that the change began from; empty for a new file.

        Raises
        ------
        StaleError
            The file is another one by now, or there is one already where a new one was meant.
        InputError
        """
        folder, ending = FILES[kind]
        own = self.folder / folder / f"{title}{ending}"
        # A file that a user put here may be called as it likes; what is made here has a plain name.
        known = began_from and self.names(kind).get(title) == own
        name = title if known else plain_name(title, kind)
        content = as_bytes(text, name)
        with saving(self.folder / folder / f"{name}{ending}", name, began_from) as temporary:
            write_through(temporary, content)
        return Stored(name=name, text=text, revision=revision(content), bundled=False)

    def remove(self, kind: Kind, name: str) -> str:
        """Move an own track or kart to what was removed; returns the word by which :meth:`restore` puts it back.

        Raises
        ------
        InputError
            There is none, or it comes with linelab.
        """
        path = self.path(kind, name)
        if self.is_bundled(path):
            raise InputError(f"this {kind} comes with linelab", where=name, remedy=f"Only a {kind} of yours can go")
        return self.bin.put(path)

    def free_track_name(self, title: str) -> str:
        """A name made from what a user typed that no track, drawing or picture has, removed ones' included."""
        base, number = plain_name(title, "track"), 1
        beside = {path.name.partition(".")[0] for path in (self.folder / "tracks").glob("*")}
        taken = {*self.names("track"), *self.names("drawing"), *beside}
        while (name := base if number == 1 else f"{base[:74]}-{number}") in taken:
            number += 1
        return name

    # Sessions

    def session_folder(self, name: str) -> Path:
        """The folder of a session.

        Raises
        ------
        InputError
            There is none of that name.
        """
        return self.folders.place(name)

    def session(self, name: str) -> dict[str, Any]:
        """What is known of a session, with its ``name``, its ``revision`` and the names of its files of results.

        Raises
        ------
        InputError
            There is none of that name.
        DamagedError
            Its session.json is no such file, or a recording is missing.
        """
        found, results = self.folders.read(name), []
        with suppress(OSError), os.scandir(self.session_folder(name) / "review") as items:
            results = sorted(item.name for item in items if item.name[0] != ".")
        return {**found, "results": results}

    def sessions(self) -> list[dict[str, Any]]:
        """All sessions, the latest first; those that are damaged are left out, :meth:`damaged` has them."""
        return self.folders.all()[0]

    def damaged(self) -> list[dict[str, Any]]:
        """Sessions whose files are damaged: ``name``, ``what``, ``where``, ``remedy``."""
        return self.folders.all()[1]

    def new_session(
        self, title: str, known: dict[str, Any], recordings: list[tuple[Path, str]], *, copy: bool = False
    ) -> str:
        """Make a session of files, which are moved or, with ``copy``, copied; returns its name.

        Parameters
        ----------
        title : str
            What its folder is called after.
        known : dict
            What session.json is to hold.
        recordings : list of (Path, str)
            Files, and what they were called where they came from.
        copy : bool
        """
        return self.folders.new(title, known, recordings, copy=copy)

    def change_session(self, name: str, changes: dict[str, Any], *, began_from: str) -> dict[str, Any]:
        """Change what is known of a session; see :meth:`save` for revisions."""
        self.folders.change(name, changes, began_from=began_from)
        return self.session(name)

    def remove_session(self, name: str) -> str:
        """Move a session to what was removed; returns the word by which :meth:`restore` puts it back."""
        return self.bin.put(self.session_folder(name))

    def restore(self, word: str) -> dict[str, str]:
        """Put back what was removed; returns its kind and its name."""
        return self.bin.restore(word)
