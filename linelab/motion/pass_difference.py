"""The usual passes of two recordings on one track held against each other, corner by corner.

Three things make a difference of times uncertain: how passes of a corner scatter over a few laps, what measuring adds
to each, and that each receiver shows all its laps displaced by an error of its own.  The last one moves the places at
which passes are timed by the same way on every lap, so no number of laps lessens it; it shows as a displacement
between the usual lines of the two recordings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linelab.geometry.curve import curve_at
from linelab.measured import TO_95, Measured
from linelab.model.track import Track
from linelab.motion.estimate import DrivenLap
from linelab.motion.own_passes import OwnPasses, from_ends
from linelab.motion.placing import displacement
from linelab.units import Array

#: So many times the draws of one recording are paired anew with those of the other; the seed of that.
PAIRINGS, SEED = 20, 21


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PassDifference:
    """Usual passes, the second recording minus the first.

    Parameters
    ----------
    corners : tuple of Measured
        Time in each corner's stretch; ``sigma`` is such that 1.96 of it hold 95 % of the draws [s].
    lap : Measured
        Their sum [s].
    draws : (K, C) array
        Equally likely differences by corner [s].
    moved : (2,) array
        By what the second recording lies beside the first, east and north [m].
    moved_sigma : float
        Standard deviation of that per axis [m].
    """

    corners: tuple[Measured, ...]
    lap: Measured
    draws: Array
    moved: Array
    moved_sigma: float

    def clear(self, among: Sequence[int]) -> list[bool]:
        """Whether each of some corners' differences is clear although so many were looked at.

        References
        ----------
        It is beyond what the largest of their departures, each in its own standard deviations, stays within 19 times in
        20: simultaneous intervals by the distribution of the maximum (T. Hothorn, F. Bretz and P. Westfall,
        Simultaneous Inference in General Parametric Models, 2008, section 3; from memory).
        """
        return clear_among([self.corners[k] for k in among], self.draws[:, list(among)])


def beyond_chance(differences: Sequence[Measured], draws: Array) -> float:
    """How many standard deviations the largest departure of differences (C,) stays within, 19 times in 20 [-].

    ``draws`` (K, C) are theirs.
    """
    if not differences:
        return TO_95
    scale = np.array([max(one.sigma or 0.0, 1e-9) for one in differences])
    middle = np.array([one.value or 0.0 for one in differences])
    return float(np.quantile((np.abs(draws - middle) / scale).max(axis=1), 0.95))


def clear_among(differences: Sequence[Measured], draws: Array) -> list[bool]:
    """As :meth:`PassDifference.clear`, of differences (C,) and their draws (K, C)."""
    beyond = beyond_chance(differences, draws)
    return [bool(abs(one.value or 0.0) > beyond * max(one.sigma or 0.0, 1e-9)) for one in differences]


def beside_each_other(track: Track, first: Sequence[DrivenLap], second: Sequence[DrivenLap]) -> tuple[Array, float]:
    """By what displacement (2,) the second recording lies beside the first, and its standard deviation per axis [m].

    Usual lines of two drivers differ too, but not all of a lap by one displacement.
    """
    s = first[0].lap.line.s
    usual = [np.median([np.interp(s, d.lap.line.s, d.lap.line.n) for d in laps], axis=0) for laps in (first, second)]
    psi = curve_at(track.reference, s).psi
    moved, changed = displacement(
        usual[1] - usual[0], np.column_stack([-np.sin(psi), np.cos(psi)]), float(s[-1] - s[0])
    )
    before = sum(float(np.mean([_whole(drive) ** 2 for drive in laps])) for laps in (first, second))
    seen = before / max(before + changed**2, 1e-12)  # what receivers can be off by beforehand, and what the lines show
    return seen * moved, float(np.sqrt(seen)) * changed


def _whole(drive: DrivenLap) -> float:
    """The receiver's error per axis before laps were placed [m]."""
    return drive.bias.sigma if drive.bias.wander is None else drive.bias.wander


def usual_difference(
    passes: tuple[OwnPasses, OwnPasses],
    first: Sequence[DrivenLap],
    second: Sequence[DrivenLap],
    track: Track,
    edges: Array,
    heading: Array,
    owners: NDArray[np.intp],
) -> PassDifference:
    """The second recording's usual passes minus the first's.

    Parameters
    ----------
    passes : (OwnPasses, OwnPasses)
        Of both, at the same stations.
    first, second : sequence of DrivenLap
        The usual laps of both.
    track : Track
    edges : (M + 1,) array
        Stations of the ends of all segments [m].
    heading : (M + 1,) array
        Yaw angle of the reference line there [rad].
    owners : (M,) array of int
        To which corner each segment belongs.
    """
    rng = np.random.default_rng(SEED)
    moved, sigma = beside_each_other(track, first, second)
    own, other = passes[1].usual, passes[0].usual
    apart = np.concatenate([own - other[rng.permutation(len(other))] for _ in range(PAIRINGS)])
    late = lateness((*first, *second), edges, heading, owners)
    draws = apart + (moved + sigma * rng.standard_normal((len(apart), 2))) @ late.T
    return PassDifference(
        corners=tuple(interval(draws[:, k]) for k in range(draws.shape[1])), lap=interval(draws.sum(axis=1)),
        draws=draws, moved=moved, moved_sigma=sigma,
    )  # fmt: skip


def lateness(laps: Sequence[DrivenLap], edges: Array, heading: Array, owners: NDArray[np.intp]) -> Array:
    """By how much longer passes are shown by a displacement of one metre east or north (C, 2) [s/m].

    Who is shown too far ahead by an error passes a station too early, by the error over his speed.  Arguments as for
    :func:`usual_difference`.
    """
    speeds = [np.interp(edges, drive.lap.line.s, drive.lap.v) for drive in laps]
    pace = np.column_stack([np.cos(heading), np.sin(heading)]) / np.maximum(np.mean(speeds, axis=0), 1.0)[:, None]
    return np.asarray(from_ends(owners) @ pace)


def interval(draws: Array) -> Measured:
    """Mean of draws, and the standard deviation whose 95 % interval is theirs: the few laps' wide tails are in it."""
    low, high = np.quantile(draws, [0.025, 0.975])
    return Measured(float(draws.mean()), float(high - low) / (2.0 * TO_95))
