"""What changes from lap to lap on the page: the template marks each place, the script exchanges texts and attributes.

Texts repeat a great deal, so the page holds each once and a list of numbers a lap.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from markupsafe import Markup


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
