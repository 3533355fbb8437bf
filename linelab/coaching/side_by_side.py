"""All laps of a session side by side on the same stations, and which of them are the driver's usual ones."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from operator import attrgetter
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.coaching.results import LapReview
from linelab.errors import InputError
from linelab.model.grip import Surface, closed_throttle, drive_power, kart_numbers, roll_down
from linelab.model.grip_field import grip_at
from linelab.model.kart import Kart
from linelab.model.lap import Lap
from linelab.model.track import Track, lap_ends
from linelab.motion.estimate import DrivenLap
from linelab.units import Array

#: Spacing of the common stations [m]: the laps' own, within these.
FINE, STEP = 0.5, 1.0
#: Draws of each lap that are carried along, for the uncertainties.
DRAWS = 8
#: A drawn speed is no lower than this [m/s].
LEAST_SPEED = 0.5


class Rows(NamedTuple):
    """Laps at the common stations, each field (R, N)."""

    n: Array  #: [m]
    v: Array  #: [m/s]
    kappa: Array  #: [1/m]
    ax: Array  #: [m/s²]
    stretch: Array  #: path length per metre of station [-]
    roll: Array  #: acceleration with both pedals up at this speed and curvature, negative on the flat [m/s²]
    full: Array  #: what full power adds to that [m/s²]
    psi: Array  #: direction of travel; draws carry their lap's [rad]

    def pick(self, rows: slice | NDArray[np.intp]) -> Rows:
        """Some of the rows."""
        return Rows(*(field[rows] for field in self))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Sheet:
    """A session on common stations.

    Parameters
    ----------
    track, kart : Track, Kart
    grip : float
        Factor on mu of the day, given by the user [-].
    s : (N,) array
        Stations from the start line to the finish [m].
    driven : tuple of DrivenLap
    t : (L, N) array
        Time since the start of each lap [s].
    laps : Rows
        (L, N).
    draws : Rows
        (L·K, N): K laps as likely as each lap, lap by lap; K may be 0.
    surface : Surface
        Under the laps, each field (L, N).
    """

    track: Track
    kart: Kart
    grip: float
    s: Array
    driven: tuple[DrivenLap, ...]
    t: Array
    laps: Rows
    draws: Rows
    surface: Surface

    @property
    def count(self) -> int:
        """Laps."""
        return len(self.driven)

    @property
    def per_lap(self) -> int:
        """Draws of each lap."""
        return int(self.draws.v.shape[0]) // self.count


def session_sheet(
    track: Track, kart: Kart, driven: Sequence[DrivenLap], *, grip: float = 1.0, stations: Array | None = None
) -> Sheet:
    """Put driven laps on common stations.

    Parameters
    ----------
    grip : float
        Factor on mu for the whole track, as for the computed lap [-].
    stations : (N,) array, optional
        The common stations [m]; spaced like the laps' own nodes when not given.

    Raises
    ------
    InputError
        No lap, or a lap that does not run from the start to the finish of this track.
    """
    if not driven:
        raise InputError("no lap to review", where="laps", remedy="Choose at least one complete lap")
    begin, end = lap_ends(track)
    s = _stations(driven, begin, end) if stations is None else stations
    for drive in driven:
        at = drive.lap.line.s
        if abs(at[0] - begin) > 1.0 or abs(at[-1] - end) > 1.0:
            raise InputError(
                f"{drive.lap.label or 'a lap'} covers {at[0]:.1f} to {at[-1]:.1f} m of the track, "
                f"which is {begin:.1f} to {end:.1f} m long",
                where="review",
                remedy="Review laps of the same track",
            )
    kept = min(min(drive.draws_v.shape[0] for drive in driven), DRAWS)
    surface = _surface(track, kart, driven, s, grip)
    stretch = _stretch(driven, s)
    n, v, kappa, psi = (_column(driven, s, values) for values in _COLUMNS)
    drawn = [_drawn(driven, s, name, kept) for name in ("draws_n", "draws_v", "draws_kappa")]
    many = [np.repeat(values, kept, axis=0) for values in (n, v, kappa, stretch, psi)]
    under = Surface(*(np.repeat(np.asarray(values), kept, axis=0) for values in surface))
    return Sheet(
        track=track,
        kart=kart,
        grip=grip,
        s=s,
        driven=tuple(driven),
        t=np.array([np.interp(s, d.lap.line.s, d.lap.t - d.lap.t[0]) for d in driven]),
        laps=_rows(kart, s, n, v, kappa, stretch, psi, surface),
        draws=_rows(
            kart,
            s,
            many[0] + drawn[0],
            np.maximum(many[1] + drawn[1], LEAST_SPEED),
            many[2] + drawn[2],
            many[3],
            many[4],
            under,
        ),
        surface=surface,
    )


def _stations(driven: Sequence[DrivenLap], begin: float, end: float) -> Array:
    """Common stations, spaced like the finest lap's nodes within FINE and STEP [m]."""
    own = min(float(np.median(np.diff(drive.lap.line.s))) for drive in driven)
    return np.linspace(begin, end, max(round((end - begin) / float(np.clip(own, FINE, STEP))), 8) + 1)


def computed_rows(sheet: Sheet, laps: Sequence[Lap]) -> Rows:
    """Computed laps at the sheet's stations (R, N): the computed lap, or the best possible on driven lines."""
    exact = [_Plain(lap) for lap in laps]
    n, v, kappa, psi = (_column(exact, sheet.s, values) for values in _COLUMNS)
    surface = Surface(*(_column(exact, sheet.s, attrgetter(f"line.{name}")) for name in Surface._fields))
    return _rows(sheet.kart, sheet.s, n, v, kappa, _stretch(exact, sheet.s), psi, surface)


class _Plain(NamedTuple):
    """A lap where a driven lap is expected."""

    lap: Lap


def _column(driven: Sequence[DrivenLap] | Sequence[_Plain], s: Array, values: Callable[[Lap], Array]) -> Array:
    """One quantity of every lap at the stations (L, N)."""
    return np.array([np.interp(s, d.lap.line.s, values(d.lap)) for d in driven])


_COLUMNS: tuple[Callable[[Lap], Array], ...] = (
    attrgetter("line.n"),
    attrgetter("v"),
    attrgetter("line.kappa"),
    lambda lap: np.unwrap(lap.line.psi),
)


def _drawn(driven: Sequence[DrivenLap], s: Array, name: str, kept: int) -> Array:
    """Departures of the first draws of every lap (L·K, N)."""
    rows = [np.interp(s, d.lap.line.s, row) for d in driven for row in getattr(d, name)[:kept]]
    return np.array(rows).reshape(-1, s.size)


def _stretch(driven: Sequence[DrivenLap] | Sequence[_Plain], s: Array) -> Array:
    """Path length per metre of station (L, N)."""
    return np.array([np.gradient(np.interp(s, d.lap.line.s, d.lap.line.distance), s) for d in driven])


def _surface(track: Track, kart: Kart, driven: Sequence[DrivenLap], s: Array, grip: float) -> Surface:
    """The ground under every lap, with the track's own grip where the lap ran (L, N)."""
    fields = {name: _column(driven, s, attrgetter(f"line.{name}")) for name in ("slope", "bank", "vertical_curvature")}
    factors = [grip * grip_at(track, s, np.interp(s, d.lap.line.s, d.lap.line.n), 0.5 * kart.width) for d in driven]
    return Surface(**fields, grip=np.array(factors))


def _rows(
    kart: Kart, s: Array, n: Array, v: Array, kappa: Array, stretch: Array, psi: Array,
    surface: Surface,
) -> Rows:  # fmt: skip
    """Add acceleration and what the pedals could do."""
    ax = np.gradient(0.5 * v**2, s, axis=1) / stretch if v.size else v
    roll = -roll_down(kart, v, kappa, surface)
    return Rows(n=n, v=v, kappa=kappa, ax=ax, stretch=stretch, roll=roll, full=full_power(kart, v), psi=psi)


def full_power(kart: Kart, v: Array) -> Array:
    """What full power adds to a kart's acceleration with both pedals up, of the shape of the speeds [m/s²]."""
    numbers = kart_numbers(kart)
    pulled = np.asarray(drive_power(numbers, v)) / (v * numbers.mass)
    return np.asarray((pulled + closed_throttle(kart, v)) / numbers.inertia)


#: A lap slower than the median by more than this many times the usual spread, and this much, is not typical [-], [s].
FAR, FAR_LEAST = 4.0, 0.4
#: Corners in a row that hold this share of what such a lap is behind say where it was lost [-].
MOST = 0.8


def typical_laps(times: Array) -> NDArray[np.bool_]:
    """Which laps (L,) are typical by their times [s]: not slowed by traffic, a spin or a mistake.

    The usual spread is 1.4826 times the median distance from the median, which is the standard deviation of a normal
    distribution and does not mind a few outliers.
    """
    middle = float(np.median(times))
    usual = 1.4826 * float(np.median(np.abs(times - middle)))
    return np.asarray(times <= middle + max(FAR * usual, FAR_LEAST))


def unusual_laps(laps: Sequence[LapReview]) -> dict[str, str]:
    """Laps left out of the usual one, by label, with how much slower they are and where.

    ``laps`` are all laps of the session, in order of time.
    """
    times = np.array([lap.lap_time.value or 0.0 for lap in laps])
    usual = typical_laps(times)
    lost = np.array([[part.time_lost.value or 0.0 for part in lap.corners] for lap in laps])
    numbers = [part.corner.number for part in laps[0].corners]
    found = {}
    for k in np.flatnonzero(~usual).tolist():
        behind = float(times[k] - np.median(times[usual]))
        where = _where(lost[k] - np.median(lost[usual], axis=0), numbers)
        found[laps[k].label] = f"not one of the usual laps: {behind:.1f} s slower{where}"
    return found


def _where(late: Array, numbers: list[int]) -> str:
    """The fewest corners in a row that hold most of what was lost (C,) [s], in words; all of them say nothing."""
    count = late.size
    for width in range(1, count // 2 + 1):
        sums = np.convolve(late, np.ones(width), "valid")
        first = int(sums.argmax())
        if sums[first] >= MOST * late.sum():
            one, last = numbers[first], numbers[first + width - 1]
            return f", most of it in corner {one}" if width == 1 else f", most of it in corners {one} to {last}"
    return ""
