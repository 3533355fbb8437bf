"""The bundled demo: an invented driver's practice on an invented circuit."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

#: Bundled names of the demo's track and kart.
DEMO_TRACK = "ostrelle_sprint"
DEMO_KART = "senior-single-speed"

#: Drifting position error of the simulated receiver per axis, one standard deviation [m].
DEMO_POSITION_ERROR = 0.25


def demo_recording() -> Path:
    """A simulated session of ten laps (CSV, 10 Hz, with the errors of a consumer receiver)."""
    return Path(str(files("linelab"))) / "data" / "recordings" / "ostrelle_practice.csv"
