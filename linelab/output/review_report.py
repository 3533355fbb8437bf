"""A review written into a folder of results: the page, the whole review as JSON, and tables."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from os import PathLike
from pathlib import Path

from linelab.coaching.results import Review
from linelab.errors import check_kinds
from linelab.files.writing import results_folder, write_text
from linelab.output.display import Units, UnitsName, units_named
from linelab.output.page.content import Beside
from linelab.output.page.html_file import review_page
from linelab.output.review_data import save_corners_csv, save_review_json
from linelab.study.other_sessions import compare_sessions
from linelab.study.setups.setup_verdict import SetupDifference


def beside_earlier(earlier: Review, review: Review) -> Beside:
    """A driver's session beside an earlier one of his on the same track, with what became of its priorities."""
    source = source_name(earlier)
    return Beside(source=source, difference=compare_sessions(review, earlier, name=source, cards=True))


def beside_other(other: Review, review: Review, name: str) -> Beside:
    """A driver's session beside another one on the same track; ``name`` says whose that is."""
    return Beside(source=name, difference=compare_sessions(review, other, name=name))


def beside_setups(held: Beside | None, found: SetupDifference) -> Beside:
    """What a session is held against already, and outings with another setup."""
    return Beside(setups=found) if held is None else replace(held, setups=found)


def source_name(review: Review) -> str:
    """Name of the recording's file; empty where laps were handed in."""
    return "" if review.recording is None else Path(review.recording.source).name


def save_review(
    review: Review,
    folder: str | PathLike[str],
    units: Units | UnitsName = "metric",
    *,
    print_file: bool = False,
    formats: Sequence[str] = (),
    pictures: bool = False,
    beside: Beside | None = None,
    driver: str = "",
    notes: str = "",
    settings: Mapping[str, object] | None = None,
    progress: Callable[[str], None] = lambda text: None,
) -> list[str]:
    """Write the page (review.html), the whole review as JSON and a table of corners and laps (CSV) into a folder.

    Parameters
    ----------
    review : Review
    folder : path
        Files of an earlier run there are replaced; others are not touched.
    units : str
        "metric" or "imperial".
    print_file : bool
        Also the same for print (review.pdf).
    formats : sequence of str
        Also the computed line, the driven laps and the marks; see :func:`linelab.output.lap_files.save_lines`.
    pictures : bool
        Also pictures of the best lap (PNG).
    beside : Beside, optional
        From :func:`beside_earlier`, :func:`beside_other` or :func:`beside_setups`.
    driver, notes : str
        The driver's name, and what the coach's notes on the page begin with.
    settings : mapping, optional
        Kept in the JSON file.
    progress : callable
        Called with a short text at each step.

    Returns
    -------
    list of str
        Names of the files.

    Raises
    ------
    InputError
        The folder cannot be written, or arguments are of another type.

    References
    ----------
    ``linelab/data/schema/review.schema.json``: the layout of review.json, a JSON Schema (draft 2020-12).

    Examples
    --------
    >>> import linelab
    >>> track, kart = linelab.load_track("ostrelle_sprint"), linelab.load_kart("senior-single-speed")
    >>> found = linelab.review("ostrelle_practice", kart, track, laps=(4, 6), position_error=0.25)
    >>> linelab.save_review(found, "my review")
    ['corners.csv', 'review.html', 'review.json']
    """
    check_kinds("save_review", review=(review, Review), folder=(folder, (str, PathLike)))
    shown, source = units_named(units), source_name(review)
    chosen: dict[str, object] = {} if review.recording is None else {"recording": source}
    if review.solution is not None:
        chosen["grip_factor"] = review.solution.grip
        chosen["reference_lap_time_error_s"] = review.solution.time_error
    chosen |= {name: text for name, text in (("driver", driver), ("notes", notes)) if text}
    chosen |= settings or {}
    with results_folder(folder) as stage:
        progress("writing the page")
        page = review_page(
            review, shown, source=source, recorded=review.recorded, beside=beside, driver=driver, notes=notes
        )
        write_text(stage / "review.html", page)
        held = (beside.source, beside.difference) if beside and beside.difference else None
        setups = None if beside is None else beside.setups
        save_review_json(review, stage / "review.json", settings=chosen, beside=held, setups=setups)
        save_corners_csv(review, stage / "corners.csv")
        if formats:
            from linelab.output.lap_files import save_lines

            progress("writing lines and marks")
            driven = [lap.comparison.driven for lap in review.laps]
            save_lines(stage, formats, review.track, review.reference, review.kart, driven)
        if print_file:
            shown_source = " · ".join(part for part in (driver, source) if part)
            _save_print(stage / "review.pdf", review, shown, shown_source, beside, progress)
        if pictures:
            from linelab.output.draw.review_pictures import save_pictures

            save_pictures(stage, review, shown, progress=progress)
        return sorted(item.name for item in stage.iterdir())


def _save_print(
    path: Path, review: Review, units: Units, source: str, beside: Beside | None, progress: Callable[[str], None]
) -> None:
    """The PDF; the drawing library is loaded only for it."""
    from linelab.output.draw.style import save_book
    from linelab.output.review_print import review_pages

    progress("drawing for print")
    save_book(review_pages(review, units, source=source, beside=beside), path, f"Review, {review.track.name}")
