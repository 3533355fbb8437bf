"""Tables as text, aligned for a terminal."""

from __future__ import annotations

from collections.abc import Sequence

from linelab.errors import on_one_line


def text_table(headers: Sequence[str], rows: Sequence[Sequence[str]], *, left: Sequence[int] = (0,)) -> str:
    """A table of aligned columns, two spaces apart, with a rule under the headers.

    Parameters
    ----------
    headers : sequence of str
        May hold line breaks.
    rows : sequence of sequences of str
    left : sequence of int
        Columns aligned to the left; the others to the right.
    """
    rows = [[on_one_line(cell) for cell in row] for row in rows]
    split = [header.split("\n") for header in headers]
    height = max(len(lines) for lines in split)
    head = [[""] * (height - len(lines)) + lines for lines in split]
    lines = [[column[k] for column in head] for k in range(height)]
    widths = [max([len(cell) for cell in column], default=0) for column in zip(*lines, *rows)]

    def line(cells: Sequence[str]) -> str:
        parts = [
            cell.ljust(width) if k in left else cell.rjust(width) for k, (cell, width) in enumerate(zip(cells, widths))
        ]
        return "  ".join(parts).rstrip()

    rule = "  ".join("-" * width for width in widths)
    return "\n".join([*(line(cells) for cells in lines), rule, *(line(row) for row in rows)])
