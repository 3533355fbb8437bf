"""Files that come with linelab, found by name: capitals, spaces, dashes and underscores do not matter."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path

#: Bundled names of the demo's track, kart and recording.
DEMO_TRACK, DEMO_KART, DEMO_RECORDING = "ostrelle_sprint", "senior-single-speed", "ostrelle_practice"

#: Drifting position error of the demo's simulated receiver per axis, one standard deviation [m].
DEMO_POSITION_ERROR = 0.25


def bundled_karts() -> dict[str, Path]:
    """Kart files that come with linelab, by name (the name of the file without its ending).

    Returns
    -------
    dict of str to Path
        ``linelab.load_kart`` takes the names.

    Examples
    --------
    >>> import linelab
    >>> sorted(linelab.bundled_karts())[0]
    'gearbox'
    """
    folder = Path(str(files("linelab"))) / "data" / "karts"
    return {path.stem: path for path in sorted(folder.glob("*.toml"))}


def bundled_recordings() -> dict[str, Path]:
    """Recordings that come with linelab, by name: invented drivers on the demo tracks.

    Returns
    -------
    dict of str to Path
        ``linelab.load_recording`` takes the names.

    Examples
    --------
    >>> import linelab
    >>> sorted(linelab.bundled_recordings())[0]
    'ostrelle_practice'
    """
    folder = Path(str(files("linelab"))) / "data" / "recordings"
    return {path.stem: path for path in sorted(folder.glob("*.csv"))}


def bundled_tracks() -> dict[str, Path]:
    """Names and files of the fictional demo tracks that travel with linelab.

    Returns
    -------
    dict of str to Path
        ``linelab.load_track`` takes the names.

    Examples
    --------
    >>> import linelab
    >>> sorted(linelab.bundled_tracks())[0]
    'marrowdown_club'
    """
    folders = (Path(str(files("linelab") / "tracks")), Path(__file__).resolve().parents[2] / "tracks")
    for folder in folders:
        if folder.is_dir():
            return {file.stem: file for file in sorted(folder.glob("*.geojson"))}
    return {}


def bundled(name: str | Path, known: Mapping[str, Path]) -> Path | None:
    """The file meant by a name as typed, if it is one of the known ones."""
    return {_plain(key): path for key, path in known.items()}.get(_plain(str(name)))


def suggestion(name: str | Path, known: Mapping[str, Path], what: str) -> str:
    """A remedy for a name that is none of the known ones; ``what`` in the plural: "karts"."""
    names = {_plain(key): key for key in known}
    similar = difflib.get_close_matches(_plain(str(name)), names, n=1, cutoff=0.5)
    if similar:
        return f"Did you mean {names[similar[0]]}?"
    return f"Check the name and the folder; bundled {what} are {', '.join(known)}"


def _plain(name: str) -> str:
    return re.sub(r"[\s_-]+", "_", name.strip().lower())
