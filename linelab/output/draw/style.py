"""The look of linelab's pictures: ink and two accents on paper, readable in greyscale and to colour-blind eyes.

Loss is always burnt orange and drawn wider, gain always teal and thin, so colour never carries a message alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from linelab.errors import legible
from linelab.files.writing import replacing
from linelab.output.display import CAUTIONS

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: A4 portrait [inches] (ISO 216: 210 x 297 mm), and the colour of paper to print on.
A4 = (210.0 / 25.4, 297.0 / 25.4)
WHITE = "#ffffff"

PAPER = "#fbf9f4"
INK = "#22303c"
SOFT = "#6c6a63"
FAINT = "#cfc8ba"
ROAD = "#e9e4d9"
LOSS = "#b4470e"
GAIN = "#15707d"
KERB = "#8b6f9c"
BRAKE = "#7a2f4f"
DRIVE = "#5d7d34"
COAST = "#b99b3e"

#: Resolution of saved bitmaps [dots per inch].
DPI = 140


def arrow(axes: Axes, tail: Any, tip: Any, color: str, **more: Any) -> None:
    """An arrow from one point (2,) to another in data coordinates: which way the track is driven."""
    look = {"arrowstyle": "-|>", "color": color, "linewidth": 1.3, "shrinkA": 0, "shrinkB": 0}
    begin, end = ((float(point[0]), float(point[1])) for point in (tail, tip))
    axes.annotate("", end, begin, arrowprops=look, zorder=5, **more)


def new_figure(width: float, height: float) -> Figure:
    """A figure on paper, in inches, drawn off screen."""
    figure = Figure(figsize=(width, height), facecolor=PAPER)
    FigureCanvasAgg(figure)
    return figure


def tidy(axes: Axes, *, grid: Literal["both", "x", "y"] | None = "y") -> None:
    """Plain axes: no box, faint grid lines behind the data, small labels in soft ink."""
    axes.set_facecolor(PAPER)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(FAINT)
    axes.tick_params(colors=SOFT, labelsize=8, length=3, width=0.7)
    axes.xaxis.label.set(color=SOFT, size=8.5)
    axes.yaxis.label.set(color=SOFT, size=8.5)
    if grid is not None:
        axes.grid(axis=grid, color=FAINT, linewidth=0.5, alpha=0.7)
        axes.set_axisbelow(True)


#: Size of a title [points], and what a letter of it takes up, on average and a little more [inches].
TITLE_SIZE, TITLE_LETTER = 13.0, 0.108


def heading(figure: Figure, title: str, subtitle: str = "", *, room: float = 0.94) -> None:
    """Title, set smaller where it is wider than ``room`` (a share), and one line below it, at the top left."""
    width, height = figure.get_size_inches()
    size = TITLE_SIZE * min(1.0, room * width / (TITLE_LETTER * max(len(title), 1)))
    figure.text(0.03, 1.0 - 0.16 / height, title, size=size, weight="bold", color=INK, va="top")
    if subtitle:
        figure.text(0.03, 1.0 - 0.42 / height, subtitle, size=8.5, color=SOFT, va="top")


def footer(figure: Figure, notes: str = "") -> None:
    """Notes on the data and the usual cautions, in small print at the bottom."""
    width, height = figure.get_size_inches()
    per_line = int(width * 19.5)
    lines = [*_wrapped(notes, per_line), *_wrapped(CAUTIONS, per_line)]
    figure.text(0.03, 0.07 / height, "\n".join(lines), size=6.2, color=SOFT, va="bottom", linespacing=1.25)


def _wrapped(text: str, width: int) -> list[str]:
    import textwrap

    return textwrap.wrap(text, width) if text else []


def save_figure(figure: Figure, path: str | Path) -> None:
    """Write a picture (PNG, SVG or PDF by the file's ending); replaced as a whole or not at all.

    Raises
    ------
    InputError
        The file cannot be written.
    """
    target = Path(path)
    kind = target.suffix.lstrip(".").lower() or "png"
    metadata: dict[str, Any] = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}.get(kind, {})
    fast: dict[str, Any] = {"pil_kwargs": {"compress_level": 3}} if kind == "png" else {}
    with replacing(target) as temporary:
        plain(figure).savefig(temporary, dpi=DPI, format=kind, metadata=metadata, facecolor=PAPER, **fast)


def plain(figure: Figure) -> Figure:
    """A figure whose texts are drawn as they stand: names from files may hold control characters, and dollars, between
    which the drawing library reads formulas."""
    for text in figure.findobj(Text):
        text.set_parse_math(False)
        text.set_text(legible(text.get_text()))
    return figure


def save_book(pages: Sequence[Figure], path: str | Path, title: str) -> None:
    """Write pages as one PDF whose text stays text (TrueType): it can be searched and prints sharp.

    Raises
    ------
    InputError
        The file cannot be written.
    """
    import matplotlib
    from matplotlib.backends.backend_pdf import PdfPages

    about = {"Title": title, "CreationDate": None}
    with (
        matplotlib.rc_context({"pdf.fonttype": 42}),
        replacing(Path(path)) as temporary,
        PdfPages(temporary, metadata=about) as book,
    ):
        for page in pages:
            book.savefig(plain(page), facecolor=page.get_facecolor())
