"""Tables as text: aligned for a terminal, and as CSV for spreadsheets and programs."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence

from linelab.errors import on_one_line

#: Where a spreadsheet begins a cell with what makes it a formula, whichever delimiter it goes by; full-width forms
#: too.  Quotes may stand between: split by another delimiter, a doubled quote opens and closes an empty text.
_FORMULA = re.compile(r"(^|[,;\t|])([\s\"]*)(?=[=+\-@\uff1d\uff0b\uff0d\uff20])")
_NUMBER = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?")


def csv_cell(value: object) -> str:
    """A cell of CSV: numbers as they are; text on one line, with an apostrophe where it would begin a formula."""
    text = str(value)
    return text if _NUMBER.fullmatch(text) else _FORMULA.sub(r"\1\2'", on_one_line(text))


def csv_text(rows: Iterable[Iterable[object]], comments: Iterable[str] = (), *, line_end: str = "\r\n") -> str:
    """Rows as CSV (RFC 4180) under comment lines that start with '#'; each comment once.  Cells are
    :func:`csv_cell`."""
    out = io.StringIO()
    out.writelines(f"{csv_cell(f'# {comment}')}{line_end}" for comment in dict.fromkeys(comments))
    csv.writer(out, lineterminator=line_end).writerows([csv_cell(cell) for cell in row] for row in rows)
    return out.getvalue()


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
