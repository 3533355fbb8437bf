"""Sessions: a folder each, made aside and moved into place; listed from their small files alone."""

from __future__ import annotations

import os
import shutil
import time
from contextlib import suppress
from datetime import date
from pathlib import Path
from typing import Any

from linelab.app.kept.revisions import NAME, alone_at, plain_name, refuse_stale, revision, write_through
from linelab.app.kept.session_fields import (
    DAMAGED,
    ENDINGS,
    FRESH,
    DamagedError,
    as_json,
    checked_changes,
    found_of,
    known_of,
    recordings_in,
    salvaged,
)
from linelab.errors import InputError, LinelabError, legible

#: Most recordings without a session that are offered.
MOST_OFFERED = 200


class SessionFolders:
    """The folder of sessions.

    Parameters
    ----------
    library : Path
        The user's folder; sessions are in its folder "sessions".
    """

    def __init__(self, library: Path) -> None:
        self._library, self.folder = library, library / "sessions"

    def place(self, name: str) -> Path:
        """The folder of a session, damaged or not.

        Raises
        ------
        InputError
            There is none of that name.
        """
        folder = self.folder / name
        if NAME.fullmatch(name) is None or not folder.is_dir():
            raise InputError(
                "there is no session of this name",
                where=legible(name),
                remedy="It may have been removed or renamed; choose from the list",
            )
        return folder

    def read(self, name: str) -> dict[str, Any]:
        """What is known of a session, with its ``name``, its ``revision`` and what was found by its review.

        Raises
        ------
        InputError, DamagedError
        """
        folder = self.place(name)
        try:
            known, content = known_of(folder)
        except FileNotFoundError as error:
            raise DamagedError(
                "session.json is missing", where=f"sessions/{name}",
                remedy="Start the session anew with the recordings that are there, or remove it",
            ) from error  # fmt: skip
        return {**known, "found": found_of(folder), "name": name, "revision": revision(content)}

    def all(self) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
        """Sessions, the latest first, and those whose files are damaged, with what is wrong and what to do."""
        good, damaged = [], []
        for name in self._names():
            try:
                good.append(self.read(name))
            except DamagedError as error:
                if _was_session(self.folder / name):
                    damaged.append({"name": name, "what": error.what, "where": error.where, "remedy": error.remedy})
            except (InputError, OSError):  # removed or renamed while we looked
                continue
        good.sort(key=lambda known: (known["day"], known["name"]), reverse=True)
        return good, damaged

    def _names(self) -> list[str]:
        try:
            with os.scandir(self.folder) as items:
                return sorted(item.name for item in items if NAME.fullmatch(item.name) and item.is_dir())
        except OSError:
            return []

    # Making and changing

    def new(self, title: str, known: dict[str, Any], recordings: list[tuple[Path, str]], *, copy: bool = False) -> str:
        """Make a session of files; returns its name.

        Its folder is made aside and moved into place: whenever the process ends, it is there as a whole or not at all.

        Parameters
        ----------
        title : str
            What its folder is called after.
        known : dict
            What session.json is to hold.
        recordings : list of (Path, str)
            Files, and what they were called where they came from.
        copy : bool
            Leave the files where they are.
        """
        known = checked_changes(known)
        with alone_at(self.folder / "new session") as work:
            made = work / "made"
            made.mkdir()
            listed = []
            for number, (file, original) in enumerate(recordings, 1):
                ending = Path(original).suffix.lower()
                stored = f"recording-{number}{ending if ending in ENDINGS else '.csv'}"
                (shutil.copyfile if copy else shutil.move)(file, made / stored)
                listed.append({"file": stored, "name": legible(original)})
            write_through(made / "session.json", as_json({**known, "recordings": listed}))
            name = self._free(plain_name(title, "session"))
            made.rename(self.folder / name)
        return name

    def _free(self, base: str) -> str:
        """The name, or the next one of its kind that no session has."""
        number, name = 1, base
        while (self.folder / name).exists():
            number += 1
            name = f"{base[:74]}-{number}"
        return name

    def change(self, name: str, changes: dict[str, Any], *, began_from: str) -> None:
        """Change what is known of a session.

        Raises
        ------
        StaleError
            It was changed since the revision that this change began from.
        InputError, DamagedError
        """
        changes = checked_changes(changes)
        with alone_at(self.place(name)) as work:
            self._change(name, changes, began_from, work)

    def _change(self, name: str, changes: dict[str, Any], began_from: str, work: Path) -> None:
        """The change itself, where nobody else can make one."""
        path = self.place(name) / "session.json"
        refuse_stale(path, name, began_from)
        known, _ = known_of(path.parent)
        write_through(work / path.name, as_json(known | changes))
        os.replace(work / path.name, path)

    def rename(self, name: str, title: str, *, began_from: str) -> str:
        """Give a session a title, and its folder the day and the title as its name; returns that.

        Sessions that are compared with it follow.

        Raises
        ------
        StaleError, InputError, DamagedError
        """
        title = checked_changes({"title": title})["title"]
        with alone_at(self.place(name)) as work:
            self._change(name, {"title": title}, began_from, work)
            known = self.read(name)
            wanted = plain_name(f"{known['day']}-{title or Path(known['recordings'][0]['name']).stem}", "session")
            if wanted == name:
                return name
            with alone_at(self.folder / "new session"):
                new = self._free(wanted)
                self.place(name).rename(self.folder / new)
        for other in self.all()[0]:
            if other["beside"] == name:
                with suppress(LinelabError):  # changed at this moment in another window, or removed: that goes first
                    self.change(other["name"], {"beside": new}, began_from=other["revision"])
        return new

    # What is in the folder without being a session

    def offered(self) -> list[dict[str, Any]]:
        """Recordings that lie in the library's folder or in "sessions" by themselves, or there in a folder; sessions
        whose folder has a name, given by hand, that the app cannot use.

        Each with the word by which :meth:`take_in` knows it.
        """
        found = []
        for folder in (self._library, self.folder):
            if folder.is_dir():
                found += [_offer(path, folder is self.folder) for path in recordings_in(folder)[:MOST_OFFERED]]
        for folder in sorted(self.folder.iterdir()) if self.folder.is_dir() else ():
            if folder.name[0] == "." or not folder.is_dir():
                continue
            if not _was_session(folder):
                files = recordings_in(folder)
                if files:
                    found.append({**_offer(folder, True), "files": [legible(file.name) for file in files]})
            elif NAME.fullmatch(folder.name) is None:
                found.append({**_offer(folder, True), "session": True})
        return found[:MOST_OFFERED]

    def take_in(self, word: str) -> str:
        """Make a session of what was offered under this word; its recordings are moved into it.

        Raises
        ------
        InputError
            It is not there any more.
        """
        for item in self.offered():
            if item["word"] == word:
                path = self._library / word
                if item["session"]:
                    with alone_at(self.folder / "new session"):
                        name = self._free(plain_name(path.name, "session"))
                        path.rename(self.folder / name)
                    return name
                files = recordings_in(path) if path.is_dir() else [path]
                day = date.fromtimestamp(max(file.stat().st_mtime for file in files)).isoformat()
                known = FRESH | {"day": day, "joined": len(files) > 1}
                name = self.new(f"{day}-{path.stem}", known, [(file, file.name) for file in files])
                with suppress(OSError):
                    if path.is_dir():
                        path.rmdir()
                return name
        raise InputError("this recording is not there any more", where=legible(word), remedy="Load the list again")

    def start_anew(self, name: str) -> None:
        """Give a damaged session a fresh session.json: the recordings in its folder, and what can be read of the one
        before, which is kept beside it.

        Raises
        ------
        InputError
            There is no recording, or the session is not damaged.
        """
        with alone_at(self.place(name)) as work:
            folder = self.place(name)
            with suppress(DamagedError):
                self.read(name)
                raise InputError("this session is not damaged", where=name, remedy="Load the list again")
            files = recordings_in(folder)
            if not files:
                raise InputError("this folder holds no recording", where=name, remedy="Remove it")
            listed = [{"file": file.name, "name": legible(file.name)} for file in files]
            day = date.fromtimestamp(files[0].stat().st_mtime).isoformat()
            called = {item["file"]: item["name"] for item in salvaged(folder).get("recordings", [])}
            for item in listed:
                item["name"] = called.get(item["file"], item["name"])
            known = FRESH | {"day": day, "joined": len(files) > 1} | salvaged(folder) | {"recordings": listed}
            write_through(work / "session.json", as_json(known))
            with suppress(FileNotFoundError):
                kept = folder / DAMAGED
                if kept.exists():
                    kept = folder / f"{kept.stem}-{time.time_ns()}{kept.suffix}"
                shutil.copyfile(folder / "session.json", kept)
            os.replace(work / "session.json", folder / "session.json")


def _was_session(folder: Path) -> bool:
    """Whether the app has made a session of a folder: one with recordings alone was put there by hand."""
    with suppress(OSError), os.scandir(folder) as items:
        ours = ("session.json", "found.json", "review", DAMAGED)
        return any(item.name in ours or item.name.startswith("recording-") for item in items)
    return False


def _offer(path: Path, inside: bool) -> dict[str, Any]:
    """What is shown of something that may be taken in."""
    word = f"sessions/{path.name}" if inside else path.name
    return {"word": word, "name": legible(path.name), "files": [], "session": False}
