"""A kart fitted to a session of the library: its figures with their intervals, and its file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from linelab.app.library import Library
from linelab.app.tasks.kart_editing import kart_picture, plain_fields
from linelab.app.tasks.understanding import session_ground, session_recording
from linelab.coaching.from_recording import grounds_kart
from linelab.files.kart_file import kart_table, kart_text, load_kart
from linelab.fitted.fitted_kart import FittedKart, Shown
from linelab.measured import PLUS_MINUS, TO_95, plus_minus
from linelab.output.display import Units, units_named
from linelab.output.kart_facts import fitted_words
from linelab.units import STANDARD_GRAVITY

Step = Callable[[str], None]


def fit_kart_to_session(folder: Path, given: dict[str, Any], step: Step) -> dict[str, Any]:
    """The kart that a session shows: its figures with their intervals, and its file, not saved yet.

    Raises
    ------
    LinelabError
        The recording, the track or the kart cannot be used.
    """
    library, units = Library(folder), units_named(given["units"])
    session = library.session(given["session"])
    recording = session_recording(library, session, step)
    _, ground = session_ground(library, session, recording, step)
    base = load_kart(library.path("kart", given["kart"])) if given["kart"] else None
    step("fitting the kart to the laps")
    fitted = grounds_kart([ground], base)
    names = ", ".join(item["name"] for item in session["recordings"])
    origins = fitted.origins(names)
    return {
        "words": [*fitted_words(fitted, names, units)[:1], PLUS_MINUS],
        "figures": _figures(fitted, units),
        "table": plain_fields(kart_table(fitted.kart)),
        "text": kart_text(fitted.kart, origins),
        "picture": kart_picture(fitted.kart, units),
    }


def _figures(fitted: FittedKart, units: Units) -> list[dict[str, str]]:
    """What was fitted, each figure with its interval and with what it rests on."""
    middle = 0.5 * (fitted.slowest + fitted.fastest)
    rows: list[tuple[str, Shown, float, int, str]] = [
        ("Cornering", fitted.lateral, 1.0, 2, "g"),
        ("Braking", fitted.braking, 1.0, 2, "g"),
        ("Driving grip", fitted.driving, 1.0, 2, "g"),
        (f"Full throttle at {units.speed_text(middle, 0)}", fitted.full_throttle(middle), STANDARD_GRAVITY, 2, "g"),
        (f"Both feet up at {units.speed_text(middle, 0)}", fitted.roll_down(middle), STANDARD_GRAVITY, 2, "g"),
        ("Top speed", fitted.top_speed, units.speed, 1, units.speed_unit),
        ("Rolling and air", fitted.resistance, 1.0, 2, "times the starting kart's"),
        ("Scrub", fitted.scrub, 1.0, 2, "times the starting kart's"),
    ]
    return [
        {"label": label, "value": _within(shown, size, digits, unit), "from": shown.origin}
        for label, shown, size, digits, unit in rows
    ]


def _within(shown: Shown, size: float, digits: int, unit: str) -> str:
    """A figure with its interval, or the lower end of it where the driver was never at that limit."""
    value, sigma = shown.value.value or 0.0, shown.value.sigma or 0.0
    if shown.at_least:
        return f"at least {(value - TO_95 * sigma) / size:.{digits}f} {unit}"
    return f"{value / size:.{digits}f} {plus_minus(sigma, digits, size)} {unit}"
