"""How much a driver's passes differ: stated, typical, or measured from his laps."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from linelab.arrays import ByValue, frozen_array, set_field
from linelab.coaching.results import Review
from linelab.errors import InputError, check_kinds
from linelab.units import Array

#: What drivers of some experience may scatter by, for want of a recording (from memory; no published figures are
#: known): beside their line and in speed at the slowest point, the distance over which departures are alike, and the
#: grip from lap to lap [m, m/s, m, -].
TYPICAL_LATERAL, TYPICAL_SPEED, TYPICAL_ALONG, TYPICAL_GRIP = 0.3, 0.3, 15.0, 0.02


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Scatter(ByValue):
    """How a driver's passes differ, as standard deviations; one figure for all corners or one for each.

    Parameters
    ----------
    lateral : (1,) or (C,) array
        Beside his line [m].
    speed : (1,) or (C,) array
        At the slowest point [m/s].
    along : float
        Distance over which departures are alike [m]: their correlation has fallen to 0.61 there.
    grip : float
        Of the grip from lap to lap [-].
    lateral_sigma, speed_sigma : (1,) or (C,) arrays
        Standard deviations of the first two, where they are from laps.  A chance is then the mean over what the scatter
        may be: few laps need more room.
    origin : str
        Where the figures are from.

    Examples
    --------
    >>> import linelab
    >>> linelab.Scatter(lateral=0.25, speed=0.4).lateral.tolist()
    [0.25]
    """

    lateral: Array
    speed: Array
    along: float = TYPICAL_ALONG
    grip: float = TYPICAL_GRIP
    lateral_sigma: Array = field(default_factory=lambda: np.zeros(1))
    speed_sigma: Array = field(default_factory=lambda: np.zeros(1))
    origin: str = "stated"

    def __post_init__(self) -> None:
        for name in ("lateral", "speed", "lateral_sigma", "speed_sigma"):
            given = np.atleast_1d(np.asarray(getattr(self, name), dtype=float))
            values = frozen_array("Scatter", name, given, shape=(None,))
            if values.size == 0 or (values < 0.0).any():
                raise InputError("standard deviations are 0 or more", where=f"Scatter.{name}")
            set_field(self, name, values)
        if not (self.along > 0.0 and 0.0 <= self.grip < 0.3):
            raise InputError(
                f"along {self.along} m and grip {self.grip} are not possible",
                where="Scatter",
                remedy="along is above 0, grip from 0 to 0.3",
            )

    @property
    def none(self) -> bool:
        """Whether there is no scatter at all."""
        return not (self.lateral.any() or self.speed.any() or self.grip)

    def by_corner(self, corners: int) -> tuple[Array, Array]:
        """Lateral and speed scatter of each corner (C,).

        Raises
        ------
        InputError
            There are as many figures as another track has corners.
        """
        for name in ("lateral", "speed", "lateral_sigma", "speed_sigma"):
            if getattr(self, name).size not in (1, corners):
                raise InputError(
                    f"{getattr(self, name).size} figures for {corners} corners",
                    where=f"Scatter.{name}",
                    remedy="Give one for all corners or one for each",
                )
        return np.broadcast_to(self.lateral, corners), np.broadcast_to(self.speed, corners)


def typical_scatter() -> Scatter:
    """What a driver of some experience may scatter by: from memory."""
    return Scatter(
        lateral=np.array([TYPICAL_LATERAL]), speed=np.array([TYPICAL_SPEED]), origin="typical values, from memory"
    )


def scatter_of(review: Review) -> Scatter:
    """A reviewed driver's scatter, corner by corner.

    Parameters
    ----------
    review : Review

    Returns
    -------
    Scatter
        Beside his line from the turn-in to the track-out (root mean square), and in speed at the slowest point; what
        the receiver adds is taken off.  Corners that the laps show badly are drawn towards the mean of all of them.
        The distance over which departures are alike and the
        grip from lap to lap are the typical ones: a recording does not show them apart.

    Raises
    ------
    InputError
        The recording shows no scatter: too few laps, or a receiver that scatters as much as the driver.

    Examples
    --------
    >>> import linelab
    >>> track, kart = linelab.load_track("ostrelle_sprint"), linelab.load_kart("senior-single-speed")
    >>> found = linelab.review("ostrelle_practice", kart, track, laps=(2, 3, 4, 5, 6), position_error=0.25)
    >>> linelab.scatter_of(found).lateral.size == len(track.corners)
    True
    """
    check_kinds("scatter_of", review=(review, Review))
    band, length = review.consistency.band, review.track.length
    beside, beside_error, speed, speed_error = [], [], [], []
    for mark in review.reference_marks:
        within = (band.s - mark.turn_in) % length <= mark.track_out - mark.turn_in
        whole, noise = (float(np.mean(values[within] ** 2)) for values in (band.spread, band.noise))
        beside.append(whole - noise)
        beside_error.append((whole + noise) * math.sqrt(2.0 / max(band.laps - 1, 1)))
    for each in review.consistency.corners:
        lowest = dict(each.marks)["min_speed"]
        value, sigma = (np.nan, np.nan) if lowest.value is None else (lowest.value, lowest.sigma or 0.0)
        speed.append(value**2)
        speed_error.append(2.0 * max(value, sigma) * sigma)
    for values, what in ((beside, "beside the line"), (speed, "in speed")):
        if band.laps < 3 or not np.nanmean(values) > 0.0:
            raise InputError(
                f"the recording shows no scatter {what}: too few laps, or the receiver scatters as much",
                where="scatter_of",
                remedy="State the scatter instead",
            )
    lateral, lateral_sigma = _pooled(beside, beside_error)
    quickness, quickness_sigma = _pooled(speed, speed_error)
    return Scatter(
        lateral=lateral, speed=quickness, lateral_sigma=lateral_sigma, speed_sigma=quickness_sigma,
        origin=f"{band.laps} laps of the recording",
    )  # fmt: skip


def _pooled(squares: list[float], errors: list[float]) -> tuple[Array, Array]:
    """Standard deviations by corner and their errors, from their squares (C,) and the errors of those.

    A few laps show one corner's scatter badly, and all corners' together well: each square is drawn towards the mean by
    as much as its error outweighs the differences between corners (empirical Bayes: C. N. Morris, "Parametric empirical
    Bayes inference", Journal of the American Statistical Association 78, 1983; from memory).
    """
    square, error = np.array(squares), np.array(errors)
    known = np.isfinite(square)
    mean = float(square[known].mean())
    between = max(float(square[known].var(ddof=1) - np.mean(error[known] ** 2)) if known.sum() > 1 else 0.0, 0.0)
    own = np.where(known, between / np.maximum(between + error**2, 1e-12), 0.0)
    of_mean = float(np.sqrt(np.sum(error[known] ** 2))) / known.sum()
    left = own * np.where(known, square, mean) + (1.0 - own) * mean
    unsure = np.sqrt(own * np.where(known, error, 0.0) ** 2 + (1.0 - own) ** 2 * of_mean**2 + between * ~known)
    deviation = np.sqrt(np.maximum(left, 0.1 * mean))
    return deviation, unsure / (2.0 * deviation)
