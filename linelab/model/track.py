"""The track: a reference line with the distances to both edges, and what lies along it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

from linelab.arrays import ByValue, Table, counted, freeze_fields, frozen_array, require_increasing, set_field
from linelab.errors import InputError, on_one_line
from linelab.geometry.curve import Curve, curve_at
from linelab.model.conditions import Conditions
from linelab.model.drawing import small_drawing
from linelab.units import Array

Side = Literal["left", "right"]

#: Stations that differ by no more than this are the same [m].
NO_LENGTH = 1.0e-6


@dataclass(frozen=True, kw_only=True, slots=True)
class Corner:
    """One numbered corner, found from the track's own geometry (never from a kart's lap).

    Stations are on the track's reference line [m].  On a closed track a corner may run across the
    start line: then ``s_end < s_start``.
    """

    number: int
    s_start: float
    s_apex: float
    s_end: float
    turn: float  #: heading change, positive to the left [rad]
    name: str = ""

    @property
    def left(self) -> bool:
        """True in a left-hand corner."""
        return self.turn > 0.0

    @property
    def label(self) -> str:
        """Number, and the name where there is one."""
        return f"{self.number} {self.name}".strip()

    def row(self) -> dict[str, int | float | str]:
        """The corner as a row of a table."""
        return {
            "corner": self.number,
            "name": self.name,
            "direction": "left" if self.left else "right",
            "s_start_m": self.s_start,
            "s_apex_m": self.s_apex,
            "s_end_m": self.s_end,
            "turn_rad": self.turn,
        }


@dataclass(frozen=True, kw_only=True, slots=True)
class Kerb:
    """A strip beyond an edge that a kart may use.

    ``width`` is its usable width [m]; ``grip`` a factor on mu while on it.
    On a closed track ``s_end < s_start`` runs across the start line, and one that ends where it begins goes all round.
    """

    side: Side
    s_start: float
    s_end: float
    width: float
    grip: float = 1.0
    name: str = ""

    def __post_init__(self) -> None:
        where = f"kerb {self.name}".strip()
        if self.side not in get_args(Side):
            raise InputError(
                f"side is {self.side!r}", where=where, remedy="Use left or right, seen in driving direction"
            )
        _check_finite(where, self.s_start, self.s_end)
        if not 0.0 < self.width <= 3.0:
            raise InputError(f"kerb width {self.width} m is outside 0 to 3 m", where=where)
        if not 0.1 <= self.grip <= 1.5:
            raise InputError(f"kerb grip factor {self.grip} is outside 0.1 to 1.5", where=where)


@dataclass(frozen=True, kw_only=True, slots=True)
class GripZone:
    """A patch of the track with its own grip: a factor on mu between two stations and two offsets.

    ``n_right`` and ``n_left`` bound it across the track [m], positive left of the reference line; they may lie beyond
    its edges.  On a closed track ``s_end < s_start`` runs across the start line, and one that ends where it begins goes
    all round.  Where zones overlap, see :mod:`linelab.model.grip_field`.
    """

    s_start: float
    s_end: float
    n_right: float
    n_left: float
    factor: float
    name: str = ""

    def __post_init__(self) -> None:
        where = f"grip zone {self.name}".strip()
        _check_finite(where, self.s_start, self.s_end, self.n_right, self.n_left)
        if not 0.1 <= self.factor <= 2.0:
            raise InputError(f"grip factor {self.factor} is outside 0.1 to 2", where=where)
        if self.n_left <= self.n_right:
            raise InputError("n_left must be greater than n_right", where=where)


#: A groove ends no farther than this from where it began, or from an open track's ends [m].
GROOVE_GAP = 5.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Groove(ByValue):
    """The rubbered groove: a line round the lap with a cross profile of grip, for the middle of a kart.

    A kart whose middle is on the line has all wheels on rubber and the factor ``grip``.  Farther off, one side's wheels
    leave the dark band, then the other's: the factor falls to ``beside``, and on the marbles farther out to
    ``marbles``.  See :mod:`linelab.model.grip_field`.

    Parameters
    ----------
    s, n : (K,) array
        Stations, increasing, and offsets of the band's middle [m].  On a closed track it goes once round: its last
        station is the first one a lap later, with the same offset.
    width : float
        Width of the dark band [m].
    fade : float
        Distance between the band and the marbles [m].
    grip, beside, marbles : float
        Factors on mu in the dry: in the band, on the clean asphalt beside it, on the marbles from there on outwards
        [-].  The kart file's grip is that of the line karts drive, so the band has 1 unless it is known better.
        In other conditions those of :mod:`linelab.model.conditions` count instead.

    Raises
    ------
    InputError
        Wrong shapes, factors or widths out of range.

    References
    ----------
    Common practice: the surface is best just inside the dark band's edge and poor on the marbles.  The figures are from
    memory.
    """

    s: Array
    n: Array
    width: float = 2.2
    fade: float = 1.5
    grip: float = 1.0
    beside: float = 0.95
    marbles: float = 0.85
    name: str = ""

    def __post_init__(self) -> None:
        where = f"groove {self.name}".strip()
        set_field(self, "s", frozen_array("Groove", "s", self.s, shape=(None,)))
        if self.s.size < 2:
            raise InputError("a groove needs at least two points", where=where, remedy="Draw it round the whole lap")
        set_field(self, "n", frozen_array("Groove", "n", self.n, shape=(self.s.size,)))
        require_increasing("Groove", "s", self.s)
        if not 0.5 <= self.width <= 8.0:
            raise InputError(f"width {self.width} m is outside 0.5 to 8 m", where=where)
        if not 0.1 <= self.fade <= 10.0:
            raise InputError(f"fade {self.fade} m is outside 0.1 to 10 m", where=where)
        for name in ("grip", "beside", "marbles"):
            if not 0.1 <= getattr(self, name) <= 2.0:
                raise InputError(f"{name} factor {getattr(self, name)} is outside 0.1 to 2", where=where)

    def __repr__(self) -> str:
        return f"Groove {on_one_line(self.name)}".strip() + f", {self.width:g} m wide"

    def middle(self, s: Array, length: float, closed: bool) -> Array:
        """Offset of the band's middle at stations ``s`` of a track so long [m]."""
        station = self.s[0] + np.mod(s - self.s[0], length) if closed else s
        return np.asarray(np.interp(station, self.s, self.n))


def _check_finite(where: str, *values: float) -> None:
    """Refuse stations and offsets that are no numbers."""
    if not np.isfinite(values).all():
        raise InputError("a station or offset is not finite", where=where, remedy="Give numbers in metres")


@dataclass(frozen=True, kw_only=True, slots=True)
class Survey:
    """Where the edges come from, printed on every output.

    ``kind`` is "surveyed" for edges drawn or walked, "widths" for a centre line with widths,
    "estimated" for a corridor worked out from recorded laps; ``assumed_width`` is set in that case [m].
    """

    kind: Literal["surveyed", "widths", "estimated"]
    note: str = ""
    assumed_width: float | None = None
    uncertainty: float | None = None  #: one standard deviation of the edges' position [m], where known
    #: Of a track estimated from laps: one standard deviation per axis of where its middle lies on the ground [m].
    middle_sigma: float | None = None
    #: Of that, what is left when all of it may be moved as a whole: how well the laps' own shape is known [m].
    shape_sigma: float | None = None

    @property
    def estimated(self) -> bool:
        """True where nobody has surveyed the edges: they are assumed about recorded laps or about a centre line."""
        return self.kind == "estimated"


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Track(ByValue):
    """A circuit (closed) or a stretch of road (open).

    Arrays share the stations of ``reference`` (N,).  On a closed track station 0 is the start line.

    Parameters
    ----------
    name : str
    reference : Curve
        Reference line.  ``1 - n * kappa >= 0.1`` for every n between the edges.
    w_left, w_right : (N,) array
        Distance to the left and right edge along the normal, positive [m].
    slope : (N,) array
        Longitudinal slope, positive uphill [rad].
    bank : (N,) array
        Cross slope, positive when the left side is lower [rad].
    z : (N,) array
        Elevation of the reference line [m]; zeros where no elevation was given.
    left_edge, right_edge : (M, 2) array
        The edges as surveyed, east and north [m]; closed tracks do not repeat the first point.
    left_z, right_z : (M,) array or None
        Elevation of the edges' vertices [m]; both or neither.
    origin : (float, float)
        Longitude, latitude of the local plane's origin [deg], WGS 84.
    georeferenced : bool
        False when the track was given in local metres and the origin is only a placeholder.
    survey : Survey
    corners, kerbs, grip_zones : tuples
        ``corners.to_dataframe()`` gives a row a corner.
    groove : Groove or None
        The rubbered groove, where one was drawn or worked out.
    conditions : Conditions or None
        Weather and tyres that grip is asked for; None for slicks in the dry.  Not part of a track's file.
    timing_stations : tuple of float
        Stations of further timing lines [m].
    start_station, finish_station : float
        Open tracks only: where timing starts and ends [m]; 0 and the lap length otherwise.
    notes : tuple of str
        What a reader left out or repaired, for the user to see.

    Raises
    ------
    InputError
        Wrong shapes, values that are not finite, negative widths; what runs backwards on an open track.

    References
    ----------
    ISO 8855: x forward, y left, z up, so that left turns have positive curvature.

    Examples
    --------
    >>> import linelab
    >>> track = linelab.load_track("tinmarsh_rental")
    >>> track.closed, track.survey.kind
    (True, 'surveyed')
    >>> print(track.corners.to_dataframe()[["corner", "direction"]].head(2).to_string(index=False))
     corner direction
          1     right
          2      left
    """

    name: str
    reference: Curve
    w_left: Array
    w_right: Array
    slope: Array
    bank: Array
    z: Array
    left_edge: Array
    right_edge: Array
    origin: tuple[float, float] = (0.0, 0.0)
    georeferenced: bool = False
    survey: Survey = field(default_factory=lambda: Survey(kind="surveyed"))
    corners: Table[Corner] = field(default_factory=Table)
    kerbs: tuple[Kerb, ...] = ()
    grip_zones: tuple[GripZone, ...] = ()
    groove: Groove | None = None
    conditions: Conditions | None = None
    timing_stations: tuple[float, ...] = ()
    start_station: float = 0.0
    finish_station: float | None = None
    left_z: Array | None = None
    right_z: Array | None = None
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        freeze_fields(self, ("w_left", "w_right", "slope", "bank", "z"), self.reference.s.size)
        set_field(self, "corners", Table(self.corners))
        for name in ("left_edge", "right_edge"):
            set_field(self, name, frozen_array("Track", name, getattr(self, name), shape=(None, 2)))
        if (self.left_z is None) != (self.right_z is None):
            raise InputError("only one edge has elevation", where="Track.left_z", remedy="Give both or neither")
        for name, edge in (("left_z", self.left_edge), ("right_z", self.right_edge)):
            if getattr(self, name) is not None:
                set_field(self, name, frozen_array("Track", name, getattr(self, name), shape=(edge.shape[0],)))
        if min(self.w_left.min(), self.w_right.min()) < 0.0:
            raise InputError("widths must not be negative", where="Track", remedy="Check that the edges do not cross")
        if self.groove is not None:
            _check_round(self, self.groove)
        if not self.closed:
            _check_forward(self)

    def __repr__(self) -> str:
        kind = "" if self.closed else ", open"
        corners = counted(len(self.corners), "corner")
        return f"Track {on_one_line(self.name)!r}, {self.length:.0f} m{kind}, {corners}, {self.survey.kind}"

    def _repr_html_(self) -> str:
        left, right = self.left_edge, self.right_edge
        gap = 0.03 * float(np.ptp(np.vstack([left, right]), axis=0).max())
        labels = []
        for corner in self.corners:
            at, s = curve_at(self.reference, corner.s_apex), np.array([corner.s_apex])
            n = -along(self, self.w_right, s)[0] - gap if corner.left else along(self, self.w_left, s)[0] + gap
            labels.append((str(corner.number), np.array([at.x - n * np.sin(at.psi), at.y + n * np.cos(at.psi)])))
        road = [left, right] if self.closed else [np.vstack([left, right[::-1]])]
        return small_drawing(repr(self), road, None, labels)

    @property
    def closed(self) -> bool:
        """True for a circuit."""
        return self.reference.closed

    @property
    def length(self) -> float:
        """Length of the reference line [m]."""
        return self.reference.length

    @property
    def s(self) -> Array:
        """Stations of the arrays [m]."""
        return self.reference.s

    @property
    def width(self) -> Array:
        """Distance between the edges along the normal (N,) [m]."""
        return self.w_left + self.w_right


def _check_round(track: Track, groove: Groove) -> None:
    """Refuse a groove that does not go all the way: what lies beside it would be better asphalt where there is none."""
    covered = float(groove.s[-1] - groove.s[0])
    if track.closed:
        wrong = abs(covered - track.length) > NO_LENGTH or abs(groove.n[-1] - groove.n[0]) > NO_LENGTH
    else:
        wrong = groove.s[0] > GROOVE_GAP or groove.s[-1] < track.length - GROOVE_GAP
    if wrong:
        raise InputError(
            f"it covers {covered:.0f} m of {track.length:.0f} m",
            where=f"groove {groove.name}".strip(),
            remedy="Draw it all the way round, in driving direction; a circuit's ends where it began"
            if track.closed
            else "Draw it from one end of the road to the other, in driving direction",
        )


def _check_forward(track: Track) -> None:
    """Refuse what runs backwards on an open track: kerbs, zones, and the clock."""
    items: tuple[Kerb | GripZone, ...] = (*track.kerbs, *track.grip_zones)
    for item in items:
        if item.s_end < item.s_start:
            raise InputError(
                f"it runs from station {item.s_start:.1f} back to {item.s_end:.1f} m",
                where=f"{'kerb' if isinstance(item, Kerb) else 'grip zone'} {item.name}".strip(),
                remedy="On an open track give the station it begins at before the one it ends at",
            )
    start, finish = lap_ends(track)
    if not -NO_LENGTH <= start < finish <= track.length + NO_LENGTH:
        raise InputError(
            f"timing from station {start:.1f} to {finish:.1f} m, the track is {track.length:.1f} m long",
            where="Track.start_station, finish_station",
            remedy="The start lies before the finish, both on the track",
        )


def along(track: Track, values: Array, s: Array) -> Array:
    """Interpolate one of the track's arrays at stations ``s`` [m] (wrapped on a closed track)."""
    if not values.any():  # level ground
        return np.zeros(np.shape(s))
    station = s - track.length * np.floor(s / track.length) if track.closed else np.clip(s, 0.0, track.length)
    return np.asarray(np.interp(station, track.s, values))


def since(track: Track, place: float, s: ArrayLike) -> Array:
    """How far stations lie after a place, by the shorter way round a closed track [m]."""
    off = np.asarray(s) - place
    return np.asarray((off + 0.5 * track.length) % track.length - 0.5 * track.length if track.closed else off)


def length_along(track: Track, item: Kerb | GripZone) -> float:
    """Length along the track of a kerb or grip zone [m]; on a circuit one that ends where it begins goes all round."""
    length = item.s_end - item.s_start
    if not track.closed:
        return length
    length %= track.length
    return length if length > NO_LENGTH else track.length


def lap_ends(track: Track) -> tuple[float, float]:
    """First and last station of a timed lap [m]."""
    if track.closed:
        return 0.0, track.length
    return track.start_station, track.finish_station if track.finish_station is not None else track.length
