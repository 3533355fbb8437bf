"""Corners of a track named, merged and split by hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from linelab.arrays import Table
from linelab.errors import InputError
from linelab.geometry.corners import Midline, corner_part, dip_within, midline, sample_at
from linelab.model.track import Corner, Track


def edit_corners(
    track: Track,
    *,
    names: Mapping[int, str] | None = None,
    merge: Sequence[tuple[int, int]] = (),
    split: Mapping[int, float | None] | None = None,
) -> Track:
    """Name corners, merge neighbours, and split one that hides two.

    All numbers are those of ``track``; the corners are numbered anew in driving order afterwards.

    Parameters
    ----------
    track : Track
    names : mapping of int to str, optional
        Name by number; an empty one takes a name away.
    merge : sequence of (int, int)
        Each a corner and the next one.
    split : mapping of int to (float or None), optional
        Station at which to split by number [m]; None: where the corner is straightest between its two tight parts.

    Returns
    -------
    Track

    Raises
    ------
    InputError
        There is no such corner, two are no neighbours or turn to opposite hands, a corner has one tight part only, or a
        station does not lie in its corner.

    Examples
    --------
    >>> import linelab
    >>> from linelab.model.corner_edits import edit_corners
    >>> track = linelab.load_track("tinmarsh_rental")
    >>> edited = edit_corners(track, names={1: "Barn"}, split={3: track.corners[2].s_apex})
    >>> edited.corners[0].label, len(edited.corners) - len(track.corners)
    ('1 Barn', 1)
    """
    line = midline(track.reference, track.w_left, track.w_right)
    corners = list(track.corners)
    for number, name in (names or {}).items():
        k = _index(corners, number)
        corners[k] = replace(corners[k], name=name.strip())
    groups = [[corner] for corner in corners]
    for first, second in merge:
        a, b = _group(groups, first), _group(groups, second)
        if a is b or (groups.index(a) + 1) % len(groups) != groups.index(b) or (b is groups[0] and not track.closed):
            raise InputError(
                f"corners {first} and {second} do not follow each other", where="corners", remedy="Merge neighbours"
            )
        if a[-1].left != b[0].left:
            raise InputError(
                f"corners {first} and {second} turn to opposite hands", where="corners",
                remedy="A corner has one hand: leave them two, and give both one name",
            )  # fmt: skip
        groups = [[*a, *b] if group is a else group for group in groups if group is not b]
    halves = split or {}
    for number in halves:
        if len(_group(groups, number)) > 1:
            raise InputError(f"corner {number} is to be merged and split", where="corners", remedy="Do one of both")
    made: list[Corner] = []
    for group in groups:
        if group[0].number in halves:
            made += _split(track, line, group[0], halves[group[0].number])
        else:
            made.append(_merged(track, line, group) if len(group) > 1 else group[0])
    made.sort(key=lambda corner: corner.s_apex)
    return replace(track, corners=Table(replace(corner, number=k) for k, corner in enumerate(made, start=1)))


def tight_parts(track: Track) -> dict[int, tuple[float, float]]:
    """Corners by number that have two tight parts, and the stations of these [m].

    They are one corner by the rules of :mod:`linelab.geometry.corners` because the track straightens too briefly
    between them to move back out; their one apex then lies where neither part is tightest.
    """
    line = midline(track.reference, track.w_left, track.w_right)
    found = {}
    for corner in track.corners:
        first, last = _span(track, line, corner.s_start, corner.s_end)
        dip = dip_within(line, first, last)
        if dip is not None and dip.clear:
            before, _ = corner_part(line, first, dip.at, track.length)
            after, _ = corner_part(line, dip.at, last, track.length)
            found[corner.number] = (before, after)
    return found


def _index(corners: Sequence[Corner], number: int) -> int:
    for k, corner in enumerate(corners):
        if corner.number == number:
            return k
    known = f"1 to {len(corners)}" if corners else "none"
    raise InputError(f"there is no corner {number}", where="corners", remedy=f"Its corners are numbered {known}")


def _group(groups: Sequence[list[Corner]], number: int) -> list[Corner]:
    """The corners that are to become one with this one."""
    corners = [corner for group in groups for corner in group]
    wanted = corners[_index(corners, number)]
    return next(group for group in groups if wanted in group)


def _span(track: Track, line: Midline, s_start: float, s_end: float) -> tuple[int, int]:
    """First and last sample of the midline between two stations; the last may lie beyond the array."""
    first, last = sample_at(line, s_start), sample_at(line, s_end)
    return first, last + (line.s.size if last < first else 0)


def _merged(track: Track, line: Midline, group: Sequence[Corner]) -> Corner:
    """Several corners as one: from where the first starts to where the last ends."""
    s_start, s_end = group[0].s_start, group[-1].s_end
    s_apex, _ = corner_part(line, *_span(track, line, s_start, s_end), track.length)
    # A corner's turn counts what little of it lies beyond its ends: so the sum holds what lies between them.
    turn = sum(corner.turn for corner in group)
    name = " and ".join(dict.fromkeys(corner.name for corner in group if corner.name))
    return replace(group[0], s_start=s_start, s_apex=s_apex, s_end=s_end, turn=turn, name=name)


def _split(track: Track, line: Midline, corner: Corner, station: float | None) -> tuple[Corner, Corner]:
    """A corner as two; the first keeps its name."""
    first, last = _span(track, line, corner.s_start, corner.s_end)
    if station is None:
        dip = dip_within(line, first, last)
        if dip is None:
            raise InputError(
                f"corner {corner.number} is tightest in one place only", where="corners",
                remedy=f"Say where to split it, between {corner.s_start:.0f} and {corner.s_end:.0f} m: "
                f"--split-corner {corner.number}=METRES",
            )  # fmt: skip
        at = dip.at
    else:
        at = sample_at(line, station)
        at += line.s.size if at < first else 0
        if not first + 2 <= at <= last - 2:
            raise InputError(
                f"{station:g} m does not lie in corner {corner.number}", where="corners",
                remedy=f"It runs from {corner.s_start:.0f} to {corner.s_end:.0f} m",
            )  # fmt: skip
    cut = float(line.s[at % line.s.size])
    parts = [corner_part(line, first, at, track.length), corner_part(line, at, last, track.length)]
    total = sum(turn for _, turn in parts)
    if min(turn / total for _, turn in parts) <= 0.0:
        raise InputError(f"one half of corner {corner.number} would not turn", where="corners")
    (early, turn), (late, _) = parts
    share = turn / total
    return (
        replace(corner, s_apex=early, s_end=cut, turn=corner.turn * share),
        replace(corner, s_start=cut, s_apex=late, turn=corner.turn * (1.0 - share), name=""),
    )
