"""linelab reads a kart lap: the minimum-time line of a track, and where a recorded lap loses time against it.

The names below are loaded when they are first used, so that importing linelab stays quick and loads neither the
solver nor the drawing library.

Examples
--------
>>> import linelab
>>> track = linelab.load_track("ostrelle_sprint")
>>> kart = linelab.load_kart("senior-single-speed")
>>> solution = linelab.solve_min_time(track, kart)  # doctest: +SKIP
>>> solution.lap.lap_time  # doctest: +SKIP
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from linelab.coaching.compare import compare
    from linelab.coaching.from_recording import review
    from linelab.errors import LinelabError
    from linelab.files.bundled import bundled_karts, bundled_tracks
    from linelab.files.kart_file import load_kart, save_kart
    from linelab.files.recordings.load_recording import load_recording, load_session
    from linelab.files.tracks.track_file import load_track, reversed_track, save_track
    from linelab.motion.estimate import estimate_lap
    from linelab.optimum.line_profile import speed_profile
    from linelab.optimum.minimum_time import solve_min_time
    from linelab.recorded.cleaning import clean_recording
    from linelab.recorded.laps import split_laps

#: Public name to the module it lives in.
_HOMES = {
    "LinelabError": "linelab.errors",
    "bundled_karts": "linelab.files.bundled",
    "bundled_tracks": "linelab.files.bundled",
    "clean_recording": "linelab.recorded.cleaning",
    "compare": "linelab.coaching.compare",
    "estimate_lap": "linelab.motion.estimate",
    "load_kart": "linelab.files.kart_file",
    "load_recording": "linelab.files.recordings.load_recording",
    "load_session": "linelab.files.recordings.load_recording",
    "load_track": "linelab.files.tracks.track_file",
    "review": "linelab.coaching.from_recording",
    "reversed_track": "linelab.files.tracks.track_file",
    "save_kart": "linelab.files.kart_file",
    "save_track": "linelab.files.tracks.track_file",
    "solve_min_time": "linelab.optimum.minimum_time",
    "speed_profile": "linelab.optimum.line_profile",
    "split_laps": "linelab.recorded.laps",
}

__all__ = [
    "LinelabError",
    "bundled_karts",
    "bundled_tracks",
    "clean_recording",
    "compare",
    "estimate_lap",
    "load_kart",
    "load_recording",
    "load_session",
    "load_track",
    "reversed_track",
    "review",
    "save_kart",
    "save_track",
    "solve_min_time",
    "speed_profile",
    "split_laps",
]


def __getattr__(name: str) -> Any:
    """Load a public name when it is first used (PEP 562)."""
    if name not in _HOMES:
        raise AttributeError(f"module 'linelab' has no attribute {name!r}")
    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
