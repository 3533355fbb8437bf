"""A driver's sessions as a table for a terminal, as JSON and as a picture."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from os import PathLike
from typing import Any

from linelab.coaching.results import Priority
from linelab.errors import on_one_line
from linelab.files.writing import results_folder, write_text
from linelab.measured import PLUS_MINUS
from linelab.output.display import CAUTIONS, lap_time_within, measured_text
from linelab.output.review_data import figure
from linelab.output.tables import text_table
from linelab.study.progress import Progress, SessionRow

#: Name and version of the layout of progress.json.
FORMAT, VERSION = "linelab progress", 1


def progress_lines(progress: Progress) -> list[str]:
    """The table of each venue, and what is open after its latest session."""
    lines: list[str] = []
    for rows in progress.venues:
        lines += [f"{rows[0].track.name}{', ' + progress.kart if progress.kart else ''}", _table(rows)]
        if any(row.dated == "file" for row in rows):
            lines.append("* date of the file: the recording does not say when it was made")
        if any(row.dated == "given" for row in rows):
            lines.append("* date as typed: the recording does not say when it was made")
        if len({row.kart for row in rows}) > 1:
            lines.append("Not all with one kart: times differ by the kart as well as by the driver.")
        lines += ["", *_open(rows), ""]
    lines += [f"{name} skipped: {reason}" for name, reason in progress.skipped]
    return [*lines, PLUS_MINUS, CAUTIONS]


def _table(rows: Sequence[SessionRow]) -> str:
    head, left = ["date (UTC)", "recording", "laps", "best", "usual lap", "spread s", "to work on"], [0, 1, 6]
    cells = [
        [_date(row), row.source, str(row.laps), lap_time_within(row.best), _usual(row),
         measured_text(row.spread, 1.0, 2), "; ".join(_where(task) for task in row.tasks) or row.tasks_reason or "-"]
        for row in rows
    ]  # fmt: skip
    for name in told(rows):
        left.append(len(head))
        head.append(name)
        cells = [[*cell, on_one_line(getattr(row, name)) or "-"] for cell, row in zip(cells, rows)]
    return text_table(head, cells, left=left)


def told(rows: Sequence[SessionRow]) -> list[str]:
    """What of the sessions' circumstances has a column: what was given, and the kart where it is not one for all."""
    given = [name for name in ("weather", "tyres", "note") if any(getattr(row, name) for row in rows)]
    return [*(["kart"] if len({row.kart for row in rows}) > 1 else []), *given]


def _usual(row: SessionRow) -> str:
    return lap_time_within(row.usual) if row.usual.known else "-"


def _date(row: SessionRow) -> str:
    when = datetime.fromtimestamp(row.when, UTC)
    if row.dated == "given":
        return f"{when:%Y-%m-%d}*"
    return f"{when:%Y-%m-%d %H:%M}{'' if row.dated == 'recording' else '*'}"


def _where(task: Priority) -> str:
    """The corners of a thing to work on, in few letters."""
    return ", ".join(f"corner {number}" for number in task.corners[:1]) or "all corners"


def _open(rows: Sequence[SessionRow]) -> list[str]:
    """What the latest session leaves to work on, and since when a corner has been on the list."""
    latest = rows[-1]
    if not latest.tasks:
        return [f"Open after {latest.source}: {latest.tasks_reason or 'nothing stands out'}."]
    lines = [f"Open after {latest.source}:"]
    for task in latest.tasks:
        before = 0
        for row in reversed(rows[:-1]):
            if not any(set(task.corners) & set(other.corners) for other in row.tasks):
                break
            before += 1
        again = f"; {before + 1} sessions running with a card there" if before else ""
        lines.append(f"- {task.title} ({measured_text(task.at_stake, 1.0, 2)} s a lap{again})")
    return lines


def progress_as_dict(progress: Progress) -> dict[str, Any]:
    """Sessions by venue as plain dictionaries, lists, numbers and text."""
    return {
        "format": FORMAT,
        "version": VERSION,
        "cautions": CAUTIONS,
        "kart": progress.kart or None,
        "venues": [
            {
                "track": rows[0].track.name,
                "survey": rows[0].track.survey.kind,
                "sessions": [_session(row) for row in rows],
                "open": _open(rows),
            }
            for rows in progress.venues
        ],
        "skipped": [{"recording": name, "reason": reason} for name, reason in progress.skipped],
    }  # fmt: skip


def _session(row: SessionRow) -> dict[str, Any]:
    found: dict[str, Any] = {
        "recording": row.source,
        "start_utc": datetime.fromtimestamp(row.when, UTC).isoformat(timespec="seconds"),
        "dated_by": row.dated,
        "laps": row.laps,
        "best": row.best_lap,
        "best_s": figure(row.best),
        "usual_lap_s": figure(row.usual),
        "spread_s": figure(row.spread),
        "tasks": [
            {"title": task.title, "kind": task.kind, "corners": list(task.corners), "at_stake_s": figure(task.at_stake)}
            for task in row.tasks
        ],
    }
    if row.tasks_reason:
        found["tasks_reason"] = row.tasks_reason
    circumstances = {name: getattr(row, name) for name in ("kart", "weather", "tyres", "note")}
    return found | {name: text for name, text in circumstances.items() if text}


def save_progress(
    progress: Progress,
    folder: str | PathLike[str],
    *,
    pictures: Sequence[str] = ("png",),
    about: Mapping[str, Any] | None = None,
) -> list[str]:
    """Write progress.json and progress.png into a folder; returns the names of the files.

    Parameters
    ----------
    progress : Progress
    folder : path
    pictures : sequence of str
        Endings of the picture: "png", "svg", "pdf".
    about : mapping, optional
        Goes into the JSON: whose sessions these are, say.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    from linelab.output.draw.progress_picture import plot_progress
    from linelab.output.draw.style import save_figure

    with results_folder(folder) as stage:
        found = progress_as_dict(progress) | ({} if about is None else {"about": dict(about)})
        text = json.dumps(found, ensure_ascii=False, allow_nan=False)
        write_text(stage / "progress.json", text + "\n")
        if progress.venues:
            for ending in pictures:
                save_figure(plot_progress(progress), stage / f"progress.{ending}")
        return sorted(item.name for item in stage.iterdir())
