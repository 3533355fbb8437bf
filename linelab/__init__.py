"""linelab reads a kart lap: the minimum-time line of a track, and where a recorded lap loses time against it.

The names below are loaded when they are first used, so that importing linelab stays quick and loads neither the
solver nor the drawing library.

Examples
--------
>>> import linelab
>>> track = linelab.load_track("tinmarsh_rental")
>>> kart = linelab.load_kart("rental-four-stroke")
>>> solution = linelab.solve_min_time(track, kart)
>>> print(f"{solution.lap_time:.2f} s")
32.98 s
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from linelab.coaching.compare import compare
    from linelab.coaching.from_recording import read_laps, review
    from linelab.coaching.results import Review
    from linelab.diagnosis.corner_figures import corner_marks
    from linelab.errors import (
        FileFormatError,
        InputError,
        KartError,
        LinelabError,
        RecordingError,
        SolveError,
        TrackError,
        VerificationError,
    )
    from linelab.files.bundled import bundled_karts, bundled_recordings, bundled_tracks
    from linelab.files.kart_file import load_kart, save_kart
    from linelab.files.lap_file import load_lap, load_solution, save_lap, save_solution
    from linelab.files.recordings.load_recording import load_recording, load_session
    from linelab.files.recordings.table import save_recording
    from linelab.files.tracks.track_file import load_track, reversed_track, save_track
    from linelab.fitted.fitted_kart import FittedKart
    from linelab.fitted.kart_fit import fit_kart
    from linelab.model.axles import with_axles
    from linelab.model.facts import track_facts
    from linelab.model.kart import Kart
    from linelab.model.lap import Lap, Recording
    from linelab.model.track import Track
    from linelab.motion.estimate import estimate_lap
    from linelab.motion.track_import import import_track
    from linelab.optimum.line_profile import speed_profile
    from linelab.optimum.minimum_time import Solution, solve_min_time
    from linelab.output.review_report import save_review
    from linelab.output.sheet.track_sheet import track_sheet
    from linelab.recorded.cleaning import clean_recording
    from linelab.recorded.laps import split_laps
    from linelab.study.habit_costs import HabitCost, habit_costs, habit_lap
    from linelab.study.other_sessions import compare_sessions
    from linelab.study.scattering.driver_scatter import Scatter, scatter_of
    from linelab.study.scattering.margins import MarginLap, margin_lap
    from linelab.study.setups.two_setups import compare_setups
    from linelab.study.sweeping.sweep import sweep
    from linelab.study.sweeping.sweep_plan import latin_hypercube
    from linelab.study.the_day import groove_along, off_groove_costs, on_the_day
    from linelab.study.what_pays import Worth, what_pays

_MODULES = {
    "coaching.compare": "compare",
    "coaching.from_recording": "read_laps review",
    "coaching.results": "Review",
    "diagnosis.corner_figures": "corner_marks",
    "errors": "FileFormatError InputError KartError LinelabError RecordingError SolveError TrackError "
    "VerificationError",
    "files.bundled": "bundled_karts bundled_recordings bundled_tracks",
    "files.kart_file": "load_kart save_kart",
    "files.lap_file": "load_lap load_solution save_lap save_solution",
    "files.recordings.load_recording": "load_recording load_session",
    "files.recordings.table": "save_recording",
    "files.tracks.track_file": "load_track reversed_track save_track",
    "fitted.fitted_kart": "FittedKart",
    "fitted.kart_fit": "fit_kart",
    "model.axles": "with_axles",
    "model.facts": "track_facts",
    "model.kart": "Kart",
    "model.lap": "Lap Recording",
    "model.track": "Track",
    "motion.estimate": "estimate_lap",
    "motion.track_import": "import_track",
    "optimum.line_profile": "speed_profile",
    "optimum.minimum_time": "Solution solve_min_time",
    "output.review_report": "save_review",
    "output.sheet.track_sheet": "track_sheet",
    "recorded.cleaning": "clean_recording",
    "recorded.laps": "split_laps",
    "study.scattering.driver_scatter": "Scatter scatter_of",
    "study.habit_costs": "HabitCost habit_costs habit_lap",
    "study.scattering.margins": "MarginLap margin_lap",
    "study.other_sessions": "compare_sessions",
    "study.setups.two_setups": "compare_setups",
    "study.the_day": "groove_along off_groove_costs on_the_day",
    "study.what_pays": "Worth what_pays",
    "study.sweeping.sweep": "sweep",
    "study.sweeping.sweep_plan": "latin_hypercube",
}
#: Public name to the module it lives in.
_HOMES = {name: f"linelab.{module}" for module, names in _MODULES.items() for name in names.split()}

__all__ = [
    "FileFormatError",
    "FittedKart",
    "HabitCost",
    "InputError",
    "Kart",
    "KartError",
    "Lap",
    "LinelabError",
    "MarginLap",
    "Recording",
    "RecordingError",
    "Review",
    "Scatter",
    "Solution",
    "SolveError",
    "Track",
    "TrackError",
    "VerificationError",
    "Worth",
    "bundled_karts",
    "bundled_recordings",
    "bundled_tracks",
    "clean_recording",
    "compare",
    "compare_sessions",
    "compare_setups",
    "corner_marks",
    "estimate_lap",
    "fit_kart",
    "groove_along",
    "habit_costs",
    "habit_lap",
    "import_track",
    "latin_hypercube",
    "load_kart",
    "load_lap",
    "load_recording",
    "load_session",
    "load_solution",
    "load_track",
    "margin_lap",
    "off_groove_costs",
    "on_the_day",
    "read_laps",
    "reversed_track",
    "review",
    "save_kart",
    "save_lap",
    "save_recording",
    "save_review",
    "save_solution",
    "save_track",
    "scatter_of",
    "solve_min_time",
    "speed_profile",
    "split_laps",
    "sweep",
    "track_facts",
    "track_sheet",
    "what_pays",
    "with_axles",
]


def __getattr__(name: str) -> Any:
    """Load a public name when it is first used (PEP 562)."""
    if name not in _HOMES:
        raise AttributeError(f"module 'linelab' has no attribute {name!r}")
    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return __all__
