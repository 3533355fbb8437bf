"""Two setups held against each other in words and rows: the same for the terminal, the page and print."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from linelab.coaching.coach_words import corners_text
from linelab.errors import on_one_line
from linelab.measured import plus_minus
from linelab.output.display import lap_time_text, measured_text, number_text
from linelab.study.setups.setup_verdict import SetupCorner, SetupDifference, short_words

#: Where the order of the outings is from, in words.
ORDERED = {
    "given": "in the given order",
    "dates": "in the order of their dates",
    "files": "all of A first: the recordings have no dates that tell them apart, and no order was given",
}
#: Which setup is which where a session is reviewed.
OF_REVIEW = (
    "B is this session's setup, A the other one. The ± also holds what a lap changes by from one outing to the next "
    "with nothing changed."
)
#: Headings of :func:`difference_rows` and :func:`outing_rows`.
DIFFERENCES = ("where", "B minus A s", "at most s", "verdict")
OUTINGS = ("outing", "setup", "recording", "laps", "best", "median")
#: What a sign means, and what the rows of the corners are not.
DIFFERENCES_SAY = "B minus A; a minus sign means that B is faster."
BY_ITSELF = "Each corner is worked out by itself: they need not add up to the lap."


def verdict_words(found: SetupDifference) -> list[str]:
    """The verdict on the lap, what it rests on, and the verdicts on the corners."""
    return [found.words, *([found.condition] if found.condition else []), corner_words(found)]


def corner_words(found: SetupDifference) -> str:
    """Which corners really differ, which do not by as much as matters, and which nobody can tell of yet."""
    if not found.corners:
        return "The track has no corners to compare."
    clear = [one for one in found.corners if one.verdict == "real"]
    none = [one for one in found.corners if one.verdict == "none"]
    few = [one for one in found.corners if one.verdict == "few"]
    said = [
        f"corner {one.number} ({'B' if (one.time.value or 0.0) < 0.0 else 'A'} faster by "
        f"{abs(one.time.value or 0.0):.3f} {plus_minus(one.time.sigma, 3)} s)"
        for one in clear
    ]
    words = f"A real difference in {'; '.join(said)}." if clear else "No corner shows a real difference."
    if none:
        most = max(one.at_most for one in none)
        words += f" No difference bigger than {most:.3f} s {_where(none)}."
    if few:
        words += f" Too few laps to tell {'in any' if len(few) == len(found.corners) else _where(few)}."
    return words


def _where(corners: Sequence[SetupCorner]) -> str:
    return corners_text(tuple(one.number for one in corners))


def difference_rows(found: SetupDifference) -> list[tuple[tuple[str, str, str, str], bool]]:
    """Cells of the lap and of each corner under :data:`DIFFERENCES`, and whether the difference is real."""
    lap = short_words(found.verdict, found.lap_time, found.at_most, found.more)
    rows = [("lap", found.lap_time, found.at_most, lap, found.verdict)]
    rows += [(f"corner {one.number}", one.time, one.at_most, one.words, one.verdict) for one in found.corners]
    return [
        ((name, measured_text(time, 1.0, 3, signed=True), number_text(most, 3), words), verdict == "real")
        for name, time, most, words, verdict in rows
    ]


def outing_rows(found: SetupDifference) -> list[tuple[str, ...]]:
    """Cells of each outing under :data:`OUTINGS`."""
    rows: list[tuple[str, ...]] = []
    for number, setup in enumerate(found.order, 1):
        laps = [lap for lap in found.laps if lap.outing == number]
        times = [lap.lap_time.value or 0.0 for lap in laps]
        rows.append(
            (str(number), setup, on_one_line(laps[0].source), str(len(laps)), lap_time_text(min(times)),
             lap_time_text(float(np.median(times))))
        )  # fmt: skip
    return rows


def rests_on(found: SetupDifference) -> list[str]:
    """What was learnt of outings and laps, and what was taken for granted."""
    low, middle, high = found.outing
    before = f"Before these laps were seen anything up to {found.outing_possible:.1f} s was held possible."
    if found.outing_stated is not None:
        before = f"{found.outing_stated:.2f} s was stated."
    lines = [
        f"Outings {ORDERED[found.order_from]}.",
        f"With nothing changed, a lap changes from one outing to the next by {middle:.2f} s (standard deviation; "
        f"{low:.2f} to {high:.2f} s). {before}",
    ]
    if len(found.order) == 2:
        lines.append("More laps in the same outings hardly help: drive A again after B, and then B again.")
    low, middle, high = found.scatter
    return [
        *lines,
        f"About the trend of their outing, laps scatter by {middle:.2f} s ({low:.2f} to {high:.2f} s).",
        f"A difference below {found.matters:.3f} s, on the lap or in a corner, counts as none.",
    ]
