"""Tells a recording of laps from a centre line: it runs along where it has been before."""

from __future__ import annotations

import numpy as np

from linelab.errors import TrackError
from linelab.units import Array

#: A centre line that runs over its own road for more of its length is refused [-]: bridges and crossings take less.
_LARGEST_SHARE = 0.25
#: Places looked at, also where mistaken units make a line of thousands of kilometres.
_MOST_PLACES = 200_000


def refuse_laps(points: Array, width: float) -> None:
    """Refuse a centre line (M, 2 or 3) [m] of a road ``width`` [m] that is driven more than once.

    Raises
    ------
    TrackError
    """
    share = repeated_share(points, width)
    if share > _LARGEST_SHARE:
        raise TrackError(
            f"{share:.0%} of the line run where it has been before, as a recording of laps does",
            where="centre line",
            remedy="Cut it to one lap; laps themselves go to 'linelab review' without --track, or 'linelab sheet "
            "--from-laps'",
        )


def repeated_share(points: Array, width: float) -> float:
    """Share of a line's length in cells of half a width that it enters more than once [-]."""
    path = points[:, :2]
    along = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))))
    s = np.arange(0.0, along[-1], max(0.25 * width, along[-1] / _MOST_PLACES))
    cells = np.floor(np.column_stack([np.interp(s, along, path[:, k]) for k in (0, 1)]) / (0.5 * width))
    _, cell = np.unique(cells, axis=0, return_inverse=True)
    order = np.lexsort((s, cell.ravel()))
    # A cell is entered again where the line has been away from it for longer than a hairpin round it takes.
    again = (np.diff(cell.ravel()[order]) == 0) & (np.diff(s[order]) > 6.0 * width)
    return float(np.isin(cell.ravel(), cell.ravel()[order][1:][again]).mean())
