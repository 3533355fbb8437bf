"""Two setups held against each other, as a part of the review page and on a page of their own."""

from __future__ import annotations

from typing import Any

from linelab.output.display import number_text, typeset
from linelab.output.setups.setups_drawing import draw_setups
from linelab.output.setups.setups_words import (
    BY_ITSELF,
    DIFFERENCES_SAY,
    OUTINGS,
    corner_words,
    difference_rows,
    outing_rows,
    rests_on,
)
from linelab.study.setups.setup_verdict import SetupDifference


def setups_content(found: SetupDifference, which: str = "") -> dict[str, Any]:
    """What the template says and draws of two setups; ``which`` says which of them is A and which B."""
    return {
        "which": which,
        "words": typeset_minus(found.words),
        "condition": found.condition,
        "corner_words": corner_words(found),
        "drawing": draw_setups(found),
        "rows": [
            (name, typeset(value), most, words, real, (found.lap_time if k == 0 else found.corners[k - 1].time).value)
            for k, ((name, value, most, words), real) in enumerate(difference_rows(found))
        ],
        "caption": f"{DIFFERENCES_SAY} {BY_ITSELF}",
        "outing_titles": OUTINGS,
        "outings": outing_rows(found),
        "rests_on": rests_on(found),
        "matters": number_text(found.matters, 3),
    }


def typeset_minus(words: str) -> str:
    """A sentence in which minus signs before numbers are minus signs; hyphens between letters stay."""
    return words.replace(" -", " \N{MINUS SIGN}")
