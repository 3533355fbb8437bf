"""A driver's progress over a season, from sessions of the library."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from linelab.app.library import FRESH, Library
from linelab.app.tasks.season import put_in_order
from linelab.errors import InputError, RecordingError
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.study.progress import progress_of


@pytest.fixture
def library(tmp_path: Path) -> Library:
    found = Library(tmp_path)
    found.prepare()
    return found


def kept(library: Library, file: Path, day: str, **known: Any) -> str:
    known = FRESH | {"day": day, "driver": "Ilse", "track": "tinmarsh_rental", "position_error": 0.25} | known
    return library.new_session(f"{day}-run", known, [(file, "run.csv")], copy=True)


@pytest.mark.slow
def test_sessions_are_put_in_order_as_the_command_does(library: Library, coarse_session: Path, tmp_path: Path) -> None:
    """The library's own progress of the same file is the oracle; kart, weather and tyres are the session's."""
    later = kept(library, coarse_session, "2026-06-02", kart="rental-four-stroke", weather="damp", tyres="new")
    first = kept(library, coarse_session, "2026-05-02", kart="rental-four-stroke", notes="cold")
    broken = library.folder / "broken"
    broken.write_text("no, numbers\nhere, at all\n")
    bad = kept(library, broken, "2026-07-02")
    steps: list[str] = []
    given = {"sessions": [later, first, bad, "gone"], "driver": "Ilse Ø", "track": "tinmarsh_rental", "reverse": False}
    answer = put_in_order(library.folder, given, steps.append)
    assert answer["name"] == "ilse-tinmarsh_rental"
    place = library.folder / "progress" / answer["name"]
    assert {"progress.json", "progress.png", "progress.svg"} <= {item.name for item in place.iterdir()}
    assert (place / "progress.svg").read_text(encoding="utf-8").lstrip().startswith("<?xml")
    found = json.loads((place / "progress.json").read_text(encoding="utf-8"))
    assert found["about"] == {"driver": "Ilse Ø", "track": "tinmarsh_rental", "reverse": False}
    (venue,) = found["venues"]
    assert [row["recording"] for row in venue["sessions"]] == [first, later]
    assert [row["dated_by"] for row in venue["sessions"]] == ["given", "given"]
    assert [row["start_utc"][:10] for row in venue["sessions"]] == ["2026-05-02", "2026-06-02"]
    assert [row.get("weather") for row in venue["sessions"]] == [None, "damp"]
    assert [row.get("note") for row in venue["sessions"]] == ["cold", None]
    assert [row["recording"] for row in found["skipped"]] == ["gone", bad] or [
        row["recording"] for row in found["skipped"]
    ] == [bad, "gone"]
    assert any("reading" in text for text in steps)
    alone = progress_of(
        [coarse_session],
        track=load_track("tinmarsh_rental"),
        kart=load_kart("rental-four-stroke"),
        position_error=0.25,
    ).venues[0][0]
    for row in venue["sessions"]:
        assert row["best_s"]["value"] == pytest.approx(alone.best.value)
        assert row["kart"] == "Rental four-stroke"
        assert row["laps"] == alone.laps


def test_no_session_that_can_be_used_is_an_error_and_writes_nothing(library: Library, tmp_path: Path) -> None:
    broken = tmp_path / "broken"
    broken.write_text("no, numbers\nhere, at all\n")
    bad = kept(library, broken, "2026-07-02")
    given = {"sessions": [bad], "driver": "Ilse", "track": "tinmarsh_rental", "reverse": False}
    with pytest.raises(RecordingError, match="no session can be used"):
        put_in_order(library.folder, given, lambda text: None)
    with pytest.raises(InputError, match="no track of this name"):
        put_in_order(library.folder, given | {"track": "nowhere"}, lambda text: None)
    assert not (library.folder / "progress").exists()
