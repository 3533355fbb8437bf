"""The user's folder: sessions, tracks and karts as plain files that every command reads too.

::

    sessions/<name>/session.json     what was typed: driver, track, kart, notes, what to compare with
                    recording-1.csv  as dropped
                    review/          what `linelab review` writes
                    found.json       what a list shows of the review
    tracks/<name>.geojson            ordinary track files
    karts/<name>.toml                ordinary kart files
    removed/                         what was removed, until somebody empties it

Nothing is known to the app that is not here.  A file is written aside and moved into place, so a crash leaves the old
or the new one.  Each file has a *revision* (of its content); a save names the one it began from and is refused where
another window has saved since, so nobody's work is overwritten unseen.

Names of folders and files are made here from what a user typed; a name from a request is only ever looked up.
"""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import unicodedata
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from linelab.errors import InputError, LinelabError
from linelab.files.bundled import bundled_karts, bundled_tracks
from linelab.files.writing import write_text

#: What names in the library look like; anything else in a request is refused.
NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,79}")
#: Kinds of single files to their folder and ending.
FILES = {"track": ("tracks", ".geojson"), "kart": ("karts", ".toml")}
Kind = Literal["track", "kart"]
#: Endings that a recording keeps; the readers look at what a file holds and not at its name.
ENDINGS = (".csv", ".txt", ".tsv", ".gpx", ".nmea", ".log", ".geojson", ".json")

#: What a session may be changed in, and its value in a new one.
FRESH: dict[str, Any] = {
    "driver": "",
    "day": "",
    "day_typed": False,
    "track": "",
    "reverse": False,
    "kart": "",
    "notes": "",
    "joined": False,
    "columns": {},
    "units": {},
    "start_line": None,
    "width": None,
    "position_error": None,
    "laps": [],
    "against": "",
    "against_lap": None,
    "beside": "",
    "beside_name": "",
    "shown_units": "metric",
}


class StaleError(LinelabError):
    """Somebody else has saved since; ``revision`` is what stands there now."""

    def __init__(self, name: str, revision: str) -> None:
        super().__init__(
            "this was changed in another window since you opened it",
            where=name,
            remedy="Load it again, or save yours under another name",
        )
        self.revision = revision


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

    def prepare(self) -> None:
        """Make the folders.

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

    # Tracks and karts

    def names(self, kind: Kind) -> dict[str, Path]:
        """Own files of a kind and those that come with linelab; an own one hides a bundled one of the same name."""
        folder, ending = FILES[kind]
        own = {path.stem: path for path in sorted((self.folder / folder).glob(f"*{ending}"))}
        return (bundled_tracks() if kind == "track" else bundled_karts()) | own

    def path(self, kind: Kind, name: str) -> Path:
        """The file of a track or kart.

        Raises
        ------
        InputError
            There is none of that name.
        """
        found = self.names(kind).get(name)
        if found is None:
            raise InputError(f"there is no {kind} of this name", where=name, remedy="Choose one from the list")
        return found

    def read(self, kind: Kind, name: str) -> Stored:
        """A track or kart file as text, with the revision to name when saving."""
        path = self.path(kind, name)
        content = path.read_bytes()
        return Stored(
            name=name, text=content.decode("utf-8"), revision=revision(content), bundled=self.is_bundled(path)
        )

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
        """
        name = plain_name(title, kind)
        folder, ending = FILES[kind]
        path = self.folder / folder / f"{name}{ending}"
        self._refuse_stale(path, name, began_from)
        write_text(path, text)
        return Stored(name=name, text=text, revision=revision(text.encode()), bundled=False)

    def _refuse_stale(self, path: Path, name: str, began_from: str) -> None:
        standing = revision(path.read_bytes()) if path.is_file() else ""
        if standing != began_from:
            raise StaleError(name, standing)

    # Sessions

    def session_folder(self, name: str) -> Path:
        """The folder of a session.

        Raises
        ------
        InputError
            There is none of that name.
        """
        folder = self.folder / "sessions" / name
        if NAME.fullmatch(name) is None or not (folder / "session.json").is_file():
            raise InputError(
                "there is no session of this name", where=name, remedy="It may have been removed; choose from the list"
            )
        return folder

    def session(self, name: str) -> dict[str, Any]:
        """What is known of a session, with its ``name``, its ``revision`` and the names of its files of results."""
        folder = self.session_folder(name)
        content = (folder / "session.json").read_bytes()
        reviewed = folder / "found.json"
        return {
            **FRESH,
            **json.loads(content),
            "found": json.loads(reviewed.read_bytes()) if reviewed.is_file() else None,
            "name": name,
            "revision": revision(content),
            "results": sorted(item.name for item in (folder / "review").glob("*") if item.name[0] != "."),
        }

    def sessions(self) -> list[dict[str, Any]]:
        """All sessions, the latest first; a folder whose session.json cannot be read is left out."""
        found = []
        for folder in sorted((self.folder / "sessions").glob("*/session.json"), reverse=True):
            try:
                found.append(self.session(folder.parent.name))
            except (LinelabError, ValueError, OSError):
                continue
        return found

    def new_session(self, title: str, known: dict[str, Any], recordings: list[tuple[Path, str]]) -> str:
        """Make a session of files, which are moved; returns its name.

        Parameters
        ----------
        title : str
            What its folder is called after.
        known : dict
            What session.json is to hold.
        recordings : list of (Path, str)
            Files, and what they were called where they came from.
        """
        base, number = plain_name(title, "session"), 1
        while True:
            name = base if number == 1 else f"{base[:74]}-{number}"
            folder = self.folder / "sessions" / name
            try:
                folder.mkdir()
                break
            except FileExistsError:
                number += 1
        listed = []
        for place, (file, original) in enumerate(recordings, 1):
            ending = Path(original).suffix.lower()
            stored = f"recording-{place}{ending if ending in ENDINGS else '.csv'}"
            shutil.move(file, folder / stored)
            listed.append({"file": stored, "name": original})
        write_text(folder / "session.json", _json({**known, "recordings": listed}))
        return name

    def change_session(self, name: str, changes: dict[str, Any], *, began_from: str) -> dict[str, Any]:
        """Change what is known of a session; see :meth:`save` for revisions."""
        path = self.session_folder(name) / "session.json"
        self._refuse_stale(path, name, began_from)
        write_text(path, _json(json.loads(path.read_bytes()) | changes))
        return self.session(name)


def plain_name(title: str, instead: str) -> str:
    """A name for files from what a user typed: small letters, digits, dashes and underscores."""
    plain = unicodedata.normalize("NFKD", title).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9_]+", "-", plain).strip("-_")[:80] or instead


def revision(content: bytes) -> str:
    """A short name of a file's content."""
    return hashlib.sha256(content).hexdigest()[:16]


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, indent=1) + "\n"
