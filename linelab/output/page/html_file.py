"""The page put together: template, style and script in one file that needs no network.

What changes from lap to lap on the page: the template marks each place, the script exchanges texts and attributes.

Texts repeat a great deal, so the page holds each once and a list of numbers a lap.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup

from linelab.coaching.results import Review
from linelab.measured import PLUS_MINUS
from linelab.output.display import CAUTIONS, METRIC, Units
from linelab.output.page.content import Beside, page_content
from linelab.output.page.setups_part import setups_content
from linelab.recorded.laps import RecordedLap
from linelab.study.setups.setup_verdict import SetupDifference


class Varying:
    """Collects, in the order of the document, the places that change and what stands there on each lap."""

    def __init__(self, laps: int) -> None:
        self._laps: list[list[int]] = [[] for _ in range(laps)]
        self._known: dict[str, int] = {}

    def mark(self, kind: str, values: Sequence[str]) -> Markup:
        """The attribute that marks an element; ``kind`` is "text" or the name of an attribute.

        An element whose values are all equal is not marked.
        """
        if len(set(values)) == 1:
            return Markup("")
        for lap, value in zip(self._laps, values, strict=True):
            lap.append(self._known.setdefault(value, len(self._known)))
        return Markup(' data-by-lap="{}"').format(kind)

    def collected(self) -> dict[str, Any]:
        """Every text once, and for each lap the numbers of its texts in the order of the places."""
        return {"texts": list(self._known), "laps": self._laps}


def review_page(
    review: Review,
    units: Units = METRIC,
    *,
    source: str = "",
    recorded: Sequence[RecordedLap] = (),
    beside: Beside | None = None,
    driver: str = "",
    notes: str = "",
) -> str:
    """A session's review as the text of one HTML file (UTF-8).

    Everything that comes from files (names of tracks, corners, recordings, notes) is escaped; a content security policy
    lets nothing run or load but what is in the file.

    Parameters
    ----------
    review : Review
    units : Units
    source : str
        Name of the recording.
    recorded : sequence of RecordedLap
        All laps of the recording, also those left out.
    beside : Beside, optional
        Another session on the same track.
    driver, notes : str
        The driver's name, and what the coach's notes begin with.
    """
    style, script = _bundled("review.css"), _bundled("review.js")
    content = page_content(review, units, source=source, recorded=recorded, beside=beside)
    return _template("review.html").render(
        content,
        driver=driver,
        typed_notes=notes,
        style=style,
        script=script,
        style_hash=_hash(style),
        script_hash=_hash(script),
        vary=Varying(len(content["laps"])),
    )


def setups_page(found: SetupDifference) -> str:
    """Two setups held against each other, as the text of one HTML file (UTF-8) without script."""
    style, survey = _bundled("review.css"), found.track.survey.note
    content = {"track": found.track.name, "survey": survey, "cautions": CAUTIONS, "plus_minus": PLUS_MINUS}
    return _template("setups.html").render(
        content, setups=setups_content(found), style=style, style_hash=_hash(style)
    )  # fmt: skip


@cache
def _template(name: str) -> Template:
    """A page's template; every variable is escaped, and one that is missing is an error."""
    environment = Environment(
        loader=PackageLoader("linelab", "data/page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    # Numbers are most of the page; "±" and "−" as they are take a third of their escapes.
    environment.policies["json.dumps_kwargs"] = {"separators": (",", ":"), "ensure_ascii": False}
    environment.filters["sign"] = _sign
    environment.filters["kept_together"] = _kept_together
    return environment.get_template(name)


def _bundled(name: str) -> str:
    return (files("linelab") / "data" / "page" / name).read_text(encoding="utf-8")


def _hash(text: str) -> str:
    """A content security policy's name for an inline style or script (W3C CSP Level 3)."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def _kept_together(texts: Sequence[str]) -> list[str]:
    """Texts in which no line breaks between a number and its unit."""
    return [re.sub(r"(?<=\d) (?=(?:km/h|mph|m|ft|s|g|%)(?: |$))", "\N{NO-BREAK SPACE}", text) for text in texts]


def _sign(text: str) -> str:
    """Whether a text shows a loss, a gain or neither, by its first character."""
    return {"+": "loss", "−": "gain"}.get(text[:1], "none")
