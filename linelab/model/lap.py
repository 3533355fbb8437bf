"""Lines, laps and recordings: the nouns that the solvers, readers and comparisons exchange."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from linelab.arrays import (
    ByValue,
    counted,
    data_frame,
    freeze_fields,
    frozen_array,
    frozen_with_gaps,
    require_increasing,
    set_field,
)
from linelab.errors import InputError, on_one_line
from linelab.model.drawing import small_drawing
from linelab.units import Array

if TYPE_CHECKING:
    from linelab.arrays import DataFrame


#: :class:`Limit` codes of nodes.
Codes = NDArray[np.integer[Any]]


class Limit(IntEnum):
    """What holds the kart back at a node."""

    GRIP = 0  #: cornering grip, neither more speed nor more steering
    BRAKING = 1  #: braking grip
    DRIVE = 2  #: engine power or drive force
    TRACTION = 3  #: grip while accelerating
    REVS = 4  #: rev limit
    DRIVER = 5  #: a driver limit (rate of braking, of power, of steering)
    NONE = 6  #: nothing binds (coasting, a driven lap)


#: Nothing more to ask of the engine.
FULL_POWER = (Limit.DRIVE, Limit.REVS)


#: A line's arrays beside ``distance``.
LINE_FIELDS = ("x", "y", "psi", "kappa", "s", "n", "slope", "bank", "vertical_curvature", "grip")


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Line(ByValue):
    """A path over the ground, with the surface under it.

    All arrays are (N,).  A closed line repeats its first point at the end.

    Parameters
    ----------
    distance : array
        Own path length from the first point, increasing [m].
    x, y : array
        East and north [m].
    psi : array
        Yaw angle, unwrapped [rad].
    kappa : array
        Path curvature [1/m].
    s, n : array
        Station on the track's reference line (increasing, unwrapped) and lateral offset [m]; a line without a
        track has s = distance and n = 0.
    slope, bank : array
        Slope along and across the *path* [rad].
    vertical_curvature : array
        d(slope)/d(distance), positive in a dip [1/m].
    grip : array
        Factor on mu [-].
    closed : bool
    """

    distance: Array
    x: Array
    y: Array
    psi: Array
    kappa: Array
    s: Array
    n: Array
    slope: Array
    bank: Array
    vertical_curvature: Array
    grip: Array
    closed: bool

    def __post_init__(self) -> None:
        set_field(self, "distance", frozen_array("Line", "distance", self.distance, shape=(None,)))
        if self.distance.size < 2:
            raise InputError("a line needs at least two points", where="Line.distance")
        require_increasing("Line", "distance", self.distance)
        freeze_fields(self, LINE_FIELDS, self.distance.size)

    def __repr__(self) -> str:
        return f"Line, {self.length:.0f} m, {counted(self.distance.size, 'node')}{', closed' if self.closed else ''}"

    @property
    def length(self) -> float:
        """Path length [m]."""
        return float(self.distance[-1] - self.distance[0])


def mapped_line(line: Line, change: Callable[[Array], Array], *, closed: bool) -> Line:
    """The line with every array changed alike: nodes picked out, middles taken."""
    changed = {name: change(getattr(line, name)) for name in ("distance", *LINE_FIELDS)}
    return Line(**changed, closed=closed)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Lap(ByValue):
    """One lap, solved or driven: a line with a speed and a clock.

    Parameters
    ----------
    line : Line
    t : (N,) array
        Time since the start of the lap, increasing [s].
    v : (N,) array
        Speed along the path [m/s].
    ax : (N,) array
        Longitudinal acceleration dv/dt [m/s²].
    limited_by : (N,) array of int
        :class:`Limit` codes.
    label : str
        What to call it in a table ("computed lap", "lap 3").

    Raises
    ------
    InputError
        Wrong shapes, values that are not finite, times that do not increase.

    References
    ----------
    ISO 8855: x forward, y left, so that lateral acceleration is positive in left turns.

    Examples
    --------
    >>> import linelab
    >>> track = linelab.load_track("tinmarsh_rental")
    >>> kart = linelab.load_kart("rental-four-stroke")
    >>> lap = linelab.solve_min_time(track, kart).lap
    >>> print(f"{lap.lap_time:.2f} s, {3.6 * lap.v.min():.0f} to {3.6 * lap.v.max():.0f} km/h")
    32.98 s, 30 to 67 km/h
    >>> list(lap.to_dataframe())[:4]
    ['t_s', 's_m', 'n_m', 'distance_m']
    """

    line: Line
    t: Array
    v: Array
    ax: Array
    limited_by: Codes
    label: str = ""

    def __post_init__(self) -> None:
        freeze_fields(self, ("t", "v", "ax"), self.line.distance.size)
        codes = np.array(self.limited_by, dtype=np.int8)
        if codes.shape != self.t.shape:
            raise InputError(f"limited_by has shape {codes.shape}, not {self.t.shape}", where="Lap.limited_by")
        codes.flags.writeable = False
        set_field(self, "limited_by", codes)
        require_increasing("Lap", "t", self.t)

    def __repr__(self) -> str:
        name = f" {on_one_line(self.label)!r}" if self.label else ""
        return f"Lap{name}, {self.lap_time:.3f} s, {self.line.length:.0f} m, {counted(self.t.size, 'node')}"

    def _repr_html_(self) -> str:
        return small_drawing(repr(self), line=np.column_stack([self.line.x, self.line.y]))

    @property
    def lap_time(self) -> float:
        """Time from the first to the last node [s]."""
        return float(self.t[-1] - self.t[0])

    @property
    def ay(self) -> Array:
        """Lateral acceleration v²·kappa (N,) [m/s²]."""
        return self.v**2 * self.line.kappa

    def to_dataframe(self) -> DataFrame:
        """The lap as a table, one row a node, units in the column names.

        Raises
        ------
        InputError
            pandas is not installed (``pip install linelab[tables]``).
        """
        return data_frame(lap_columns(self))


def lap_columns(lap: Lap) -> dict[str, Array | list[str]]:
    """A lap as the columns of a table, (N,) each, units in their names; the last one holds words."""
    line = lap.line
    return {
        "t_s": lap.t,
        "s_m": line.s,
        "n_m": line.n,
        "distance_m": line.distance,
        "x_m": line.x,
        "y_m": line.y,
        "psi_rad": line.psi,
        "kappa_1pm": line.kappa,
        "v_mps": lap.v,
        "ax_mps2": lap.ax,
        "ay_mps2": lap.ay,
        "slope_rad": line.slope,
        "bank_rad": line.bank,
        "vertical_curvature_1pm": line.vertical_curvature,
        "grip": line.grip,
        "limited_by": [Limit(code).name.lower() for code in lap.limited_by],
    }


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Recording(ByValue):
    """A recording as the file gives it: facts only, nothing cleaned.

    Parameters
    ----------
    t : (N,) array
        Time since the first sample [s]; as recorded, so it may repeat or run backwards.
    lon, lat : (N,) array or None
        WGS 84 [deg].
    x, y : (N,) array or None
        Local metres, for recordings without longitude and latitude.
    speed : (N,) array or None
        Speed channel [m/s].
    channels : mapping of str to (N,) array
        Further channels by name, SI units; gaps are NaN.  The readers use the names course (clockwise from north),
        altitude, accuracy, hdop, satellites, fix (0 or less: none), ax, ay, az, yaw_rate, engine_speed, throttle,
        brake, steering, temperature and segment (parts of the file).
    start_utc : float or None
        Time of the first sample since 1970-01-01 UTC [s]; None where the file does not say.
    start_utc_sigma : float
        Standard deviation of that, where the file labels only some samples, or coarsely [s].
    start_clock : float or None
        Time of the first sample by the recorder's own clock, whatever it counts from [s]; None where unknown.
    source : str
        File name(s).
    notes : tuple of str
        What the reader had to know or assume (units declared, rows skipped).

    Raises
    ------
    InputError
        Wrong shapes, no positions, or one coordinate of two.

    References
    ----------
    WGS 84: longitude and latitude.

    Examples
    --------
    >>> import linelab
    >>> recording = linelab.Recording(t=[0.0, 0.1, 0.2], x=[0.0, 1.0, 2.0], y=[0.0, 0.0, 0.0], speed=[10.0, 10.0, 10.0])
    >>> recording
    Recording, 3 samples over 0 s, positions, speed
    """

    t: Array
    lon: Array | None = None
    lat: Array | None = None
    x: Array | None = None
    y: Array | None = None
    speed: Array | None = None
    channels: Mapping[str, Array] = field(default_factory=lambda: MappingProxyType({}))
    source: str = ""
    notes: tuple[str, ...] = ()
    start_utc: float | None = None
    start_utc_sigma: float = 0.0
    start_clock: float | None = None

    def __post_init__(self) -> None:
        set_field(self, "t", frozen_array("Recording", "t", self.t, shape=(None,)))
        for name in ("lon", "lat", "x", "y", "speed"):
            value = getattr(self, name)
            if value is not None:
                set_field(self, name, frozen_with_gaps(f"Recording.{name}", value, self.t.size))
        channels = {
            name: frozen_with_gaps(f"Recording.{name}", value, self.t.size) for name, value in self.channels.items()
        }
        set_field(self, "channels", MappingProxyType(channels))
        if (self.lon is None) != (self.lat is None) or (self.x is None) != (self.y is None):
            raise InputError("positions need both coordinates", where="Recording")
        if self.lon is None and self.x is None:
            raise InputError("a recording needs positions", where="Recording")

    def __repr__(self) -> str:
        name = f" {on_one_line(Path(self.source).name)!r}" if self.source else ""
        held = [*(["speed"] if self.speed is not None else []), *map(on_one_line, self.channels)]
        span = float(np.ptp(self.t)) if self.t.size else 0.0
        return f"Recording{name}, {counted(self.t.size, 'sample')} over {span:.0f} s, {', '.join(['positions', *held])}"

    def to_dataframe(self) -> DataFrame:
        """The recording as a table, one row a sample; units in the column names, channels under their own names.

        Raises
        ------
        InputError
            pandas is not installed (``pip install linelab[tables]``).
        """
        columns = {
            "t_s": self.t, "lon_deg": self.lon, "lat_deg": self.lat, "x_m": self.x, "y_m": self.y,
            "speed_mps": self.speed, **self.channels,
        }  # fmt: skip
        return data_frame({name: values for name, values in columns.items() if values is not None})
