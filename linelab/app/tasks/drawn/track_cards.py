"""The tracks of the library and the unfinished drawings, each with its facts and a small outline."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from linelab.app.library import Library
from linelab.app.tasks.drawn.track_drawing import EDGES
from linelab.errors import LinelabError
from linelab.files.tracks.track_file import load_track
from linelab.model.drawing import path_data, thinned
from linelab.model.facts import circuit_direction, track_facts
from linelab.output.display import units_named
from linelab.units import Array

Step = Callable[[str], None]

#: Longer side of an outline and its margin, in drawing units; lines are thinned to a share of one.
SIDE, MARGIN, FINE = 1000.0, 30.0, 1.5

#: What is known of a track file, by the file, its time of change and its size: kept between requests.
_known: dict[tuple[str, int, int], dict[str, Any]] = {}


def list_tracks(folder: Path, given: dict[str, Any], step: Step) -> list[dict[str, Any]]:
    """Own tracks and drawings first, then those that come with linelab, each by name."""
    library, units = Library(folder), units_named(given.get("units", "metric"))
    drawings = library.names("drawing")
    cards = []
    for name, path in library.names("track").items():
        step(name)
        about = _of_file(path)
        card = {"name": name, "bundled": library.is_bundled(path), "drawn": name in drawings, **about}
        if "metres" in about:
            card["length"] = units.length_text(about["metres"])
        cards.append(card)
    known = {card["name"] for card in cards}
    cards += [_unfinished(name, path) for name, path in drawings.items() if name not in known]
    return sorted(cards, key=lambda card: (card["bundled"], card["title"].lower()))


def _of_file(path: Path) -> dict[str, Any]:
    """Facts and outline of a track file, or what is wrong with it."""
    about = path.stat()
    key = (str(path), about.st_mtime_ns, about.st_size)
    if key not in _known:
        try:
            track = load_track(path)
            _known[key] = {
                "title": track.name,
                "metres": track_facts(track).length,
                "direction": circuit_direction(track),
                "corners": len(track.corners),
                "estimated": track.survey.estimated,
                **_outline([track.left_edge, track.right_edge], closed=track.closed),
            }
        except LinelabError as error:
            where = error.where.replace(str(path), path.name)
            _known[key] = {"title": path.stem, "fault": f"{where}: {error.what}", "remedy": error.remedy}
    return _known[key]


def _unfinished(name: str, path: Path) -> dict[str, Any]:
    """A drawing of which no track file was saved yet."""
    card = {"name": name, "title": name, "bundled": False, "drawn": True, "unfinished": True}
    try:
        drawing = json.loads(path.read_bytes())
        edges = [np.array(shape["points"]) for shape in drawing["shapes"] if shape["role"] in EDGES]
        card["title"] = drawing["name"] or name
        lines = [edge[:, :2] for edge in edges if len(edge) > 1]
        return card | (_outline(lines, closed=False) if lines else {})
    except (ValueError, KeyError, TypeError, IndexError) as error:
        return card | {"fault": f"{path.name} cannot be read ({error})", "remedy": "Mend or remove the file"}


def _outline(lines: list[Array], *, closed: bool) -> dict[str, Any]:
    """Both edges as path data (SVG), and the drawing's view box."""
    every = np.vstack(lines)
    low, high = every.min(axis=0), every.max(axis=0)
    scale = SIDE / max(float((high - low).max()), 1e-9)
    wide, tall = (scale * (high - low) + 2.0 * MARGIN).round().astype(int)
    paths = []
    for line in lines:
        x, y = ((line - [low[0], high[1]]) * [scale, -scale] + MARGIN).T
        keep = thinned(x, y, FINE)
        paths.append(path_data(x[keep], y[keep], close=closed))
    return {"outline": paths, "view": f"0 0 {wide} {tall}"}
