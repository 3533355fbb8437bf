"""A track from whatever there is: a centre line, walked edges, or recorded laps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from os import PathLike
from pathlib import Path

from linelab.errors import InputError, check_kinds
from linelab.files.tracks.centre_line import Columns
from linelab.files.tracks.survey_import import LonLat2, load_centre_line, load_walked_edges, read_lines_of
from linelab.model.lap import Recording
from linelab.model.track import Track
from linelab.motion.track_from_laps import ASSUMED_WIDTH, UNNAMED, corridor_from_laps, recording_start_line


def import_track(
    source: Recording | str | Path,
    right: str | Path | None = None,
    *,
    width: float | None = None,
    columns: Mapping[str, str] | None = None,
    metres_per_unit: float | None = None,
    closed: bool | None = None,
    start_line: LonLat2 | None = None,
    uncertainty: float | None = None,
    name: str = "",
) -> Track:
    """Make a track from a centre line with widths, from two walked edges, or from recorded laps.

    What ``source`` holds decides:

    - CSV: a centre line with widths
    - GPX or GeoJSON with one line: a centre line, of an assumed ``width``
    - GPX or GeoJSON with two lines, or with ``right`` beside it: edges walked with a receiver, with "left"
      and "right" in the lines' names
    - a Recording: laps, the edges being assumed about their median

    Parameters
    ----------
    source : Recording or path
    right : path, optional
        The right edge, where ``source`` is the left one.
    width : float, optional
        Assumed width, for a centre line without widths and for laps (7 m when not given) [m].
    columns : mapping of str to str, optional
        Title of a CSV column by what it holds: x and y, or lon and lat; z; w_left and w_right, or width.  What is not
        named is recognised by its title.
    metres_per_unit : float, optional
        Unit of the lengths in a CSV whose titles do not say it: 1 for metres, 0.3048 for feet [m].
    closed : bool, optional
        Whether it is a circuit; None: by the gap between the ends.
    start_line : ((float, float), (float, float)), optional
        Left and right end of the start line, for walked edges and laps: longitude and latitude [deg], or x and y [m]
        of a recording in local metres.
    uncertainty : float, optional
        One standard deviation of the walked positions, where known [m].
    name : str
        The file's name when empty.

    Returns
    -------
    Track
        ``survey`` says what the edges rest on, ``notes`` what was repaired.  :func:`linelab.save_track` keeps it.

    Raises
    ------
    FileFormatError
        The file holds nothing of the kind, with its line and what to try.
    TrackError
        The geometry is impossible.
    RecordingError
        No complete lap.
    InputError
        An argument out of range, of another type, or one that this source has no use for.

    Examples
    --------
    >>> import linelab, math
    >>> from pathlib import Path
    >>> around = [2.0 * math.pi * k / 120 for k in range(120)]
    >>> rows = [f"{60.0 * math.cos(a):.2f},{40.0 * math.sin(a):.2f},8" for a in around]
    >>> _ = Path("oval.csv").write_text("\\n".join(["x_m,y_m,width_m", *rows]))
    >>> track = linelab.import_track("oval.csv")
    >>> track.survey.kind, round(float(track.width.min()))
    ('widths', 8)
    >>> linelab.import_track(linelab.load_recording("ostrelle_practice"), width=8.0).survey.assumed_width
    8.0
    """
    check_kinds("import_track", source=(source, (Recording, str, PathLike)))
    kind, has_use = "laps", {"width", "start_line"}
    if not isinstance(source, Recording):
        kind, has_use = "a centre line", {"width", "columns", "metres_per_unit", "closed"}
        drawn = Path(source).suffix.lower() in (".gpx", ".geojson", ".json")
        if right is not None or (drawn and len(read_lines_of(source)) > 1):
            kind, has_use = "walked edges", {"right", "closed", "start_line", "uncertainty"}
    given = {
        "right": right, "width": width, "columns": columns, "metres_per_unit": metres_per_unit, "closed": closed,
        "start_line": start_line, "uncertainty": uncertainty,
    }  # fmt: skip
    for argument, value in given.items():
        if value is not None and argument not in has_use:
            raise InputError(f"{argument} is given, but it has no use for {kind}", where="import_track")
    if isinstance(source, Recording):
        line = None if start_line is None else recording_start_line(source, *start_line)
        title = name or Path(source.source).stem or UNNAMED
        return corridor_from_laps(
            source, start_line=line, assumed_width=ASSUMED_WIDTH if width is None else width, name=title
        ).track
    if kind == "walked edges":
        return load_walked_edges(source, right, closed=closed, name=name, uncertainty=uncertainty, start=start_line)
    roles = [item.name for item in fields(Columns)]
    for role in columns or {}:
        if role not in roles:
            raise InputError(f"unknown role {role!r} of a column", remedy=f"Choose among {', '.join(roles)}")
    return load_centre_line(
        source, columns=Columns(**(columns or {})), assumed_width=width, metres_per_unit=metres_per_unit,
        closed=closed, name=name,
    )  # fmt: skip
