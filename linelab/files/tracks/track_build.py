"""Tracks from edges or from a centre line with widths, and tracks driven the other way round.

A line that runs along where it has been before is a recording of laps, not a centre line, and is refused.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from linelab.arrays import Table, distance_along
from linelab.errors import LinelabError, TrackError, check_kinds
from linelab.files.tracks.track_ranges import check_line, check_steepness, check_widths
from linelab.geometry.corners import FoundCorner, find_corners
from linelab.geometry.curve import Curve
from linelab.geometry.edges import as_points, checked_width, edges_from_centre
from linelab.geometry.facing import relation
from linelab.geometry.reference_line import corridor_from_edges
from linelab.model.track import Corner, GripZone, Kerb, Side, Survey, Track, length_along
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
    along = distance_along(*path.T)
    s = np.arange(0.0, along[-1], max(0.25 * width, along[-1] / _MOST_PLACES))
    cells = np.floor(np.column_stack([np.interp(s, along, path[:, k]) for k in (0, 1)]) / (0.5 * width))
    _, cell = np.unique(cells, axis=0, return_inverse=True)
    order = np.lexsort((s, cell.ravel()))
    # A cell is entered again where the line has been away from it for longer than a hairpin round it takes.
    again = (np.diff(cell.ravel()[order]) == 0) & (np.diff(s[order]) > 6.0 * width)
    return float(np.isin(cell.ravel(), cell.ravel()[order][1:][again]).mean())


#: Put after the name of a track that is driven the other way round.
OTHER_WAY = " (driven the other way round)"

Line2 = tuple[tuple[float, float], tuple[float, float]]


def numbered(found: Sequence[FoundCorner]) -> list[Corner]:
    """Corners with their numbers, in driving order."""
    return [Corner(number=k, **corner._asdict()) for k, corner in enumerate(found, start=1)]


def track_from_edges(
    name: str,
    left: ArrayLike,
    right: ArrayLike,
    *,
    closed: bool,
    start: Line2 | None = None,
    origin: tuple[float, float] = (0.0, 0.0),
    georeferenced: bool = False,
    survey: Survey | None = None,
    kerbs: Sequence[Kerb] = (),
    grip_zones: Sequence[GripZone] = (),
    corners: Sequence[Corner] | None = None,
    notes: Sequence[str] = (),
) -> Track:
    """Build a track from its two edges.

    Parameters
    ----------
    name : str
    left, right : (M, 2) or (M, 3) array
        Edges in driving order: east, north and optionally up [m].  Numbers of points may differ.  Where one edge
        runs against the other it is turned round; elevation counts only when both edges have it.
    closed : bool
        True for a circuit; its last point need not repeat the first.
    start : ((x, y), (x, y)), optional
        Left and right end of the start line [m]; station 0 of a circuit.
    origin : (float, float)
        Longitude and latitude of x = y = 0 [deg].
    georeferenced : bool
        False when the origin is only a placeholder.
    survey : Survey, optional
    kerbs, grip_zones : sequences
    corners : sequence of Corner, optional
        Take the place of those found from the geometry.
    notes : sequence of str
        What a reader left out or repaired.

    Raises
    ------
    TrackError
        Edges that cross, are swapped or cannot be followed, with the station.
    """
    remarks = list(notes)
    left_points, right_points = _points(left, "left edge"), _points(right, "right edge")
    if (left_points.shape[1] == 3) != (right_points.shape[1] == 3):
        remarks.append("only one edge has elevation: ignored, the track is taken as flat")
        left_points, right_points = left_points[:, :2], right_points[:, :2]
    left_points, right_points = _same_way(left_points, right_points, closed, remarks)
    corridor = corridor_from_edges(left_points, right_points, closed=closed, start=start)
    check_widths(corridor.w_left + corridor.w_right)
    check_steepness(corridor.slope, corridor.bank, corridor.reference.s)
    if corners is None:
        corners = numbered(find_corners(corridor.reference, corridor.w_left, corridor.w_right))
    has_z = left_points.shape[1] == 3
    return Track(
        name=name,
        reference=corridor.reference,
        w_left=corridor.w_left,
        w_right=corridor.w_right,
        slope=corridor.slope,
        bank=corridor.bank,
        z=corridor.z,
        left_edge=left_points[:, :2],
        right_edge=right_points[:, :2],
        left_z=left_points[:, 2] if has_z else None,
        right_z=right_points[:, 2] if has_z else None,
        origin=origin,
        georeferenced=georeferenced,
        survey=survey or Survey(kind="surveyed"),
        corners=Table(corners),
        kerbs=tuple(kerbs),
        grip_zones=tuple(grip_zones),
        notes=tuple(remarks),
    )


def track_from_centre(
    name: str,
    centre: ArrayLike,
    w_left: ArrayLike,
    w_right: ArrayLike,
    *,
    closed: bool,
    start: Line2 | None = None,
    origin: tuple[float, float] = (0.0, 0.0),
    georeferenced: bool = False,
    survey: Survey | None = None,
    notes: Sequence[str] = (),
) -> Track:
    """Build a track from a centre line (M, 2 or 3) [m] and the distances to its edges (M,) [m].

    The other parameters and the errors are those of :func:`track_from_edges`; a line that runs along where it has been
    before, as laps do, is a TrackError too.
    """
    points = _points(centre, "centre line")
    count = points.shape[0]
    widths = [checked_width(name, w, count) for name, w in (("w_left", w_left), ("w_right", w_right))]
    check_widths(widths[0] + widths[1], "centre line, vertex")
    refuse_laps(points, float(np.median(widths[0] + widths[1])))
    if closed and count > 3 and np.hypot(*(points[0, :2] - points[-1, :2])) < 1e-3:
        points, widths = points[:-1], [w[:-1] for w in widths]
    left, right = edges_from_centre(points, widths[0], widths[1], closed=closed)
    return track_from_edges(
        name,
        left,
        right,
        closed=closed,
        start=start,
        origin=origin,
        georeferenced=georeferenced,
        survey=survey or Survey(kind="widths"),
        notes=notes,
    )


def reversed_track(track: Track) -> Track:
    """Return the same track driven the other way, station 0 staying where it is on a circuit.

    Exact mirror in s: nothing is fitted again, so that reversing twice gives the first track back.  Corners are
    numbered anew in the new driving order and keep their names; the track's name says which way round it is driven,
    since a corner's number means nothing without that.

    Parameters
    ----------
    track : Track

    Returns
    -------
    Track

    Raises
    ------
    InputError
        ``track`` is of another type.

    Examples
    --------
    >>> import linelab
    >>> track = linelab.load_track("tinmarsh_rental")
    >>> linelab.reversed_track(track).corners[0].left == (not track.corners[-1].left)
    True
    """
    check_kinds("reversed_track", track=(track, Track))
    line, length, groove = track.reference, track.length, track.groove
    turned = Curve(
        s=line.s,
        x=line.x[::-1],
        y=line.y[::-1],
        psi=line.psi[::-1] - line.psi[-1] + np.mod(line.psi[-1] + np.pi, 2.0 * np.pi),
        kappa=-line.kappa[::-1],
        dkappa=line.dkappa[::-1],
        closed=line.closed,
    )

    def there(s: float) -> float:
        back = length - s
        return float(np.mod(back, length)) if track.closed else back

    def span(item: Kerb | GripZone) -> tuple[float, float]:
        if track.closed and length_along(track, item) >= length:
            return 0.0, length
        return there(item.s_end), there(item.s_start)

    other: dict[Side, Side] = {"left": "right", "right": "left"}
    corners = [
        replace(c, s_start=there(c.s_end), s_apex=there(c.s_apex), s_end=there(c.s_start), turn=-c.turn)
        for c in track.corners
    ]
    corners.sort(key=lambda corner: corner.s_apex)
    finish = length if track.finish_station is None else track.finish_station
    return replace(
        track,
        name=track.name.removesuffix(OTHER_WAY) if track.name.endswith(OTHER_WAY) else track.name + OTHER_WAY,
        reference=turned,
        w_left=track.w_right[::-1],
        w_right=track.w_left[::-1],
        slope=-track.slope[::-1],
        bank=-track.bank[::-1],
        z=track.z[::-1],
        left_edge=track.right_edge[::-1],
        right_edge=track.left_edge[::-1],
        left_z=None if track.right_z is None else track.right_z[::-1],
        right_z=None if track.left_z is None else track.left_z[::-1],
        corners=Table(replace(c, number=i + 1) for i, c in enumerate(corners)),
        kerbs=tuple(replace(k, side=other[k.side], s_start=a, s_end=b) for k in track.kerbs for a, b in (span(k),)),
        grip_zones=tuple(
            replace(g, s_start=a, s_end=b, n_right=-g.n_left, n_left=-g.n_right)
            for g in track.grip_zones
            for a, b in (span(g),)
        ),
        groove=groove and replace(groove, s=length - groove.s[::-1], n=-groove.n[::-1]),
        timing_stations=tuple(sorted(there(s) for s in track.timing_stations)),
        start_station=0.0 if track.closed else length - finish,
        finish_station=None if track.closed else length - track.start_station,
    )


def _points(points: ArrayLike, what: str) -> Array:
    """Return the points of a line as a (M, 2 or 3) float array with finite coordinates."""
    array = as_points(what, points)
    if array.shape[0] < 2:
        count = "1 vertex" if len(array) else "no vertices"
        raise TrackError(f"has {count}, a line needs at least two", where=what, remedy="Draw the whole edge")
    check_line(array, what)
    return array


def _same_way(left: Array, right: Array, closed: bool, notes: list[str]) -> tuple[Array, Array]:
    """Turn round the one edge that was drawn against the driving direction, if any.

    The driving direction is the one that has the left edge on its left.
    """
    along, side, _ = relation(left, right, closed)
    if along >= 0.0:
        return left, right
    if side > 0.0:
        notes.append("the left edge was drawn against the driving direction: reversed")
        return left[::-1], right
    notes.append("the right edge was drawn against the driving direction: reversed")
    return left, right[::-1]


def in_file(error: LinelabError, path: object) -> TrackError:
    """Return the same error with the file put in front of where it happened."""
    where = f"{path}, {error.where}" if error.where else str(path)
    found = TrackError(error.what, place=getattr(error, "place", None), where=where, remedy=error.remedy)
    found.station = getattr(error, "station", None)
    return found
