"""A review written into a folder of results: the page, the whole review as JSON, and tables."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from os import PathLike
from pathlib import Path

from linelab.coaching.from_recording import Review
from linelab.coaching.results import SessionReview
from linelab.coaching.session import compare_sessions
from linelab.files.writing import results_folder, write_text
from linelab.output.display import METRIC, Units
from linelab.output.page.content import Beside
from linelab.output.page.html_file import review_page
from linelab.output.review_data import save_corners_csv, save_review_json


def beside_earlier(earlier: Review, review: Review) -> Beside:
    """A session beside an earlier one on the same track; both held against the computed lap."""
    difference = compare_sessions(earlier.session, review.session)
    return Beside(source=Path(earlier.recording.source).name, difference=difference)


def save_review(
    folder: str | PathLike[str],
    review: Review,
    units: Units = METRIC,
    *,
    print_file: bool = False,
    formats: Sequence[str] = (),
    pictures: bool = False,
    beside: Beside | None = None,
    settings: Mapping[str, object] | None = None,
    progress: Callable[[str], None] = lambda text: None,
) -> list[str]:
    """Write the page (review.html), the whole review as JSON and a table of corners and laps (CSV) into a folder.

    Parameters
    ----------
    print_file : bool
        Also the same for print (review.pdf).
    formats : sequence of str
        Also the computed line, the driven laps and the marks; see :func:`linelab.output.lap_files.save_lines`.
    pictures : bool
        Also pictures of the best lap (PNG).
    beside : Beside, optional
        From :func:`beside_earlier`.
    settings : mapping, optional
        Kept in the JSON file.

    Returns
    -------
    list of str
        Names of the files.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    session = review.session
    source = Path(review.recording.source).name
    chosen = {
        "recording": source,
        "grip_factor": review.reference.grip,
        "reference_lap_time_error_s": review.reference.time_error,
        **(settings or {}),
    }
    with results_folder(folder) as stage:
        progress("writing the page")
        page = review_page(session, units, source=source, recorded=review.ground.laps, beside=beside)
        write_text(stage / "review.html", page)
        save_review_json(session, stage / "review.json", settings=chosen)
        save_corners_csv(session, stage / "corners.csv")
        if formats:
            from linelab.output.lap_files import save_lines

            progress("writing lines and marks")
            driven = [lap.comparison.driven for lap in session.laps]
            save_lines(stage, formats, session.track, session.reference, session.kart, driven)
        if print_file:
            _save_print(stage / "review.pdf", session, units, source, progress)
        if pictures:
            from linelab.output.draw.review_pictures import save_pictures

            save_pictures(stage, session, units, progress=progress)
        return sorted(item.name for item in stage.iterdir())


def _save_print(path: Path, session: SessionReview, units: Units, source: str, progress: Callable[[str], None]) -> None:
    """The PDF; the drawing library is loaded only for it."""
    from linelab.output.draw.style import save_book
    from linelab.output.review_print import review_pages

    progress("drawing for print")
    save_book(review_pages(session, units, source=source), path, f"Review, {session.track.name}")
