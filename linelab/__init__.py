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
    from linelab.coaching.recorded import review
    from linelab.comparison.cleaning import clean_recording
    from linelab.comparison.estimate import estimate_lap
    from linelab.comparison.laps import split_laps
    from linelab.errors import LinelabError
    from linelab.io.bundled import bundled_karts, bundled_tracks
    from linelab.io.kart_files import load_kart, save_kart
    from linelab.io.recordings import load_recording
    from linelab.io.recordings_session import load_session
    from linelab.io.track_files import load_track, reversed_track, save_track
    from linelab.solve.mintime import solve_min_time
    from linelab.solve.pinned import speed_profile

#: Public name to the module it lives in.
_HOMES = {
    "LinelabError": "linelab.errors",
    "bundled_karts": "linelab.io.bundled",
    "bundled_tracks": "linelab.io.bundled",
    "clean_recording": "linelab.comparison.cleaning",
    "compare": "linelab.coaching.compare",
    "estimate_lap": "linelab.comparison.estimate",
    "load_kart": "linelab.io.kart_files",
    "load_recording": "linelab.io.recordings",
    "load_session": "linelab.io.recordings_session",
    "load_track": "linelab.io.track_files",
    "review": "linelab.coaching.recorded",
    "reversed_track": "linelab.io.track_files",
    "save_kart": "linelab.io.kart_files",
    "save_track": "linelab.io.track_files",
    "solve_min_time": "linelab.solve.mintime",
    "speed_profile": "linelab.solve.pinned",
    "split_laps": "linelab.comparison.laps",
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
