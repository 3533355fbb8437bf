"""Grip across the track: kerbs and grip zones as a factor on mu that varies with station and offset.

At one station the factor is a piecewise linear function of the offset n,

    factor(n) = base + sum(change_j · max(n - knot_j, 0)),

with its corners rounded over ROUNDING_N, so that it is smooth in n for the optimiser; arrays and
CasADi expressions use the same function :func:`factor_across`.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.track import GripZone, Kerb, Track, along
from linelab.units import Array

#: Knots of the profile: two for each edge's kerb, and four for one grip zone.
PROFILE_KNOTS = 8
KERB_KNOTS = 4
#: Rounding of the profile's corners [m].
ROUNDING_N = 0.10
#: Distance over which a kerb or a zone takes effect, along and across [m].
RAMP_ALONG = 5.0
RAMP_ACROSS = 0.30


class GripProfile(NamedTuple):
    """The factor across the track at M stations."""

    base: Any  #: (M,) factor far to the right [-]
    knots: Any  #: (M, PROFILE_KNOTS) [m]
    changes: Any  #: (M, PROFILE_KNOTS) changes of slope [1/m]


def factor_across(base: Any, knots: Any, changes: Any, n: Any) -> Any:
    """Factor on mu at offset n [m]; ``knots`` and ``changes`` are indexed by their first axis."""
    factor = base
    for j in range(knots.shape[0]):
        past = n - knots[j]
        factor = factor + changes[j] * 0.5 * (past + (past * past + ROUNDING_N**2) ** 0.5)
    return factor


def knots_needed(track: Track) -> int:
    """Knots of the profile that this track uses: none, the kerbs' four, or all."""
    if is_uniform(track):
        return 0
    return PROFILE_KNOTS if track.grip_zones else KERB_KNOTS


def is_uniform(track: Track) -> bool:
    """True where nothing but the kart decides the grip."""
    return not track.grip_zones and all(kerb.grip == 1.0 for kerb in track.kerbs)


def kerb_width(track: Track, side: str, s: Array) -> Array:
    """Usable kerb width beyond an edge at stations ``s`` (any shape) [m]; it ramps, so that the corridor is smooth."""
    width = np.zeros(s.size)
    for kerb in track.kerbs:
        if kerb.side == side:
            near, share = window(track, kerb, s.ravel())
            width[near] = np.maximum(width[near], kerb.width * share)
    return width.reshape(s.shape)


def window(track: Track, item: Kerb | GripZone, s: Array) -> tuple[NDArray[np.intp], Array]:
    """Which of the stations (M,) lie between an item's, and its share there.

    The share rises smoothly (3u² - 2u³) from 0 to 1 over RAMP_ALONG inside the item's ends.
    """
    length = item.s_end - item.s_start
    into = s - item.s_start
    if track.closed:
        length = length % track.length or track.length
        into = into - track.length * np.floor(into / track.length)
    near = np.flatnonzero((into > 0.0) & (into < length))
    into = into[near]
    u = np.minimum(np.minimum(into, length - into) / min(RAMP_ALONG, 0.4 * length), 1.0)
    return near, np.asarray(u * u * (3.0 - 2.0 * u))


def grip_profile(track: Track, s: Array, half_width: float) -> GripProfile:
    """The factor across the track at stations ``s`` (M,) for a kart of the given half width [m].

    A kerb acts on the wheels of one side only: with the body's edge on it the factor is the mean of 1 and the
    kerb's own.  Overlapping zones: the one with the strongest effect at that station counts.
    """
    knots = np.tile(1.0e3 + np.arange(PROFILE_KNOTS, dtype=np.float64), (s.size, 1))
    changes = np.zeros((s.size, PROFILE_KNOTS))
    base = np.ones(s.size)
    for kerb in track.kerbs:
        if kerb.grip == 1.0:
            continue
        near, share = window(track, kerb, s)
        share = 0.5 * (kerb.grip - 1.0) * share
        if kerb.side == "left":
            edge = along(track, track.w_left, s[near]) - half_width
            _ramp(knots, changes, 0, near, edge, edge + RAMP_ACROSS, share)
        else:
            edge = half_width - along(track, track.w_right, s[near])
            base[near] = 1.0 + share
            _ramp(knots, changes, 2, near, edge - RAMP_ACROSS, edge, -share)
    strongest = np.zeros(s.size)
    for zone in track.grip_zones:
        near, share = window(track, zone, s)
        effect = (zone.factor - 1.0) * share
        stronger = np.abs(effect) > np.abs(strongest[near])
        near, effect = near[stronger], effect[stronger]
        strongest[near] = effect
        right, left = np.full(near.size, zone.n_right), np.full(near.size, zone.n_left)
        across = min(RAMP_ACROSS, 0.5 * (zone.n_left - zone.n_right))  # the ramps of a narrow zone meet in its middle
        _ramp(knots, changes, 4, near, right, right + across, effect)
        _ramp(knots, changes, 6, near, left - across, left, -effect)
    return GripProfile(base, knots, changes)


def _ramp(
    knots: Array, changes: Array, first: int, near: NDArray[np.intp], start: Array, end: Array, rise: Array
) -> None:
    """Put a rise between two offsets into knots ``first`` and ``first + 1`` of the stations ``near``."""
    rate = rise / np.maximum(end - start, 1e-3)
    for column, offset, value in ((first, start, rate), (first + 1, end, -rate)):
        knots[near, column] = offset
        changes[near, column] = value


def grip_at(track: Track, s: Array, n: Array, half_width: float) -> Array:
    """Factor on mu at points (s, n) (M,)."""
    if is_uniform(track):
        return np.ones_like(s)
    profile = grip_profile(track, s, half_width)
    return np.asarray(factor_across(profile.base, profile.knots.T, profile.changes.T, n))
