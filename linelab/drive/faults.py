"""What an invented driver does otherwise than the computed lap: habits all round the lap, faults at single corners."""

from __future__ import annotations

from dataclasses import dataclass

from linelab.errors import InputError


@dataclass(frozen=True, kw_only=True, slots=True)
class Fault:
    """Something done at one corner.

    Parameters
    ----------
    corner : int
        The corner's number on the track.
    laps : tuple of int or None
        Flying laps it happens on, counted from 1; None for all.
    """

    corner: int
    laps: tuple[int, ...] | None = None

    def on(self, lap: int) -> bool:
        """True when it happens on that lap."""
        return self.laps is None or lap in self.laps


@dataclass(frozen=True, kw_only=True, slots=True)
class ApexMissed(Fault):
    """The line passes the computed lap's apex ``metres`` farther from the inside edge [m]."""

    metres: float


@dataclass(frozen=True, kw_only=True, slots=True)
class TurnsInEarly(Fault):
    """The entry of the line lies ``metres`` earlier along the track [m]."""

    metres: float


@dataclass(frozen=True, kw_only=True, slots=True)
class BrakesEarly(Fault):
    """The corner's lowest speed is reached ``metres`` too early, and then held [m]."""

    metres: float


@dataclass(frozen=True, kw_only=True, slots=True)
class BrakesSoftly(Fault):
    """Only this ``share`` of the braking grip is used [-]."""

    share: float

    def __post_init__(self) -> None:
        if not 0.05 <= self.share <= 1.0:
            raise InputError(f"share {self.share} is outside 0.05 to 1", where=f"BrakesSoftly at corner {self.corner}")


@dataclass(frozen=True, kw_only=True, slots=True)
class Coasts(Fault):
    """Neither pedal over ``metres`` before the braking (before the corner where none is needed) [m]."""

    metres: float


@dataclass(frozen=True, kw_only=True, slots=True)
class LatePower(Fault):
    """Neither pedal over ``metres`` after the lowest speed [m]."""

    metres: float


@dataclass(frozen=True, kw_only=True, slots=True)
class AbruptPower(Fault):
    """Full power at once, after the lowest speed: the kart slides and loses ``speed_lost`` [m/s]."""

    speed_lost: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Slides(Fault):
    """A slide about the apex: more grip is asked for than the line needs, and ``speed_lost`` is lost [m/s]."""

    speed_lost: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Incident:
    """Something that spoils one lap, at a station.

    ``lap`` counts flying laps from 1; ``station`` is on the reference line [m].
    """

    lap: int
    station: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Stop(Incident):
    """The kart stands for ``seconds`` [s]."""

    seconds: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Spin(Incident):
    """The kart turns once round while it slides to a stop, and stands for ``seconds`` [s]."""

    seconds: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Traffic(Incident):
    """A slower kart ahead for ``metres`` [m]: no more than ``speed_share`` of the own speed [-]."""

    metres: float
    speed_share: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Habits:
    """A driver's manner all round the lap, and faults at single corners.

    Parameters
    ----------
    grip_share : float
        Share of the grip used [-].
    line_scatter, line_scatter_length : float
        Standard deviation of the line about the driver's own from lap to lap [m], and the length over which it stays
        alike (Gaussian kernel) [m].
    pace_scatter, pace_scatter_length : float
        The same for the share of the grip used [-], [m].
    fault_scatter : float
        Relative standard deviation of a fault's size from lap to lap [-].
    pedal_time : float
        Half the time a change from one pedal to the other takes [s].
    power_build : float
        Distance over which power is built up after the lowest speed [m].
    cool_share : float
        Share of the grip used on the out lap and the in lap [-].
    faults : tuple of Fault
    incidents : tuple of Incident
    """

    grip_share: float = 0.96
    line_scatter: float = 0.15
    line_scatter_length: float = 25.0
    pace_scatter: float = 0.01
    pace_scatter_length: float = 40.0
    fault_scatter: float = 0.1
    pedal_time: float = 0.1
    power_build: float = 6.0
    cool_share: float = 0.8
    faults: tuple[Fault, ...] = ()
    incidents: tuple[Incident, ...] = ()

    def __post_init__(self) -> None:
        for name in ("grip_share", "cool_share"):
            if not 0.2 <= getattr(self, name) <= 1.0:
                raise InputError(f"{getattr(self, name)} is outside 0.2 to 1", where=f"Habits.{name}")
        scatters = ("line_scatter", "pace_scatter", "fault_scatter", "pedal_time", "power_build")
        for name in scatters:
            if not getattr(self, name) >= 0.0:
                raise InputError(f"{getattr(self, name)} is negative", where=f"Habits.{name}")
        for name in ("line_scatter_length", "pace_scatter_length"):
            if not getattr(self, name) >= 2.0:
                raise InputError(f"{getattr(self, name)} m is below 2 m", where=f"Habits.{name}")
