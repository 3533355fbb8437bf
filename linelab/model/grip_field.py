"""Grip across the track: kerbs, grip zones and the groove as a factor on mu that varies with station and offset.

At one station the factor is a piecewise linear function of the offset n,

    factor(n) = base + sum(change_j · max(n - knot_j, 0)),

with its corners rounded over ROUNDING_N, so that it is smooth in n for the optimiser; arrays and
CasADi expressions use the same function :func:`factor_across`.

**Zones that overlap.**  At a point where several zones lie, the one with the strongest effect counts, which is the one
whose factor is farthest from 1, and of two as far the more slippery one.  A patch drawn in several pieces that overlap
is therefore no more slippery where they do.  Zones fade in half inside and half outside their bounds; a zone counts
there for the share that stronger ones leave, so that two of the same factor that adjoin, along or across, leave no seam
between them.  Zones side by side each count in their own place, and a kerb's factor multiplies that of the zone it
lies in.  The order in a file decides nothing.

**The groove.**  The factor is for the kart's middle; its wheels leave the dark band one side after the other.  It is
the band's own up to half a kart's width inside the band's edge, and reaches the clean asphalt's where the kart's other
side is out as well; from there it falls to the marbles' over ``fade``, and stays there.  A factor of a zone or a kerb
multiplies the groove's.  The conditions of the day (:mod:`linelab.model.conditions`) say what each of them is worth.

**Narrow zones.**  Rounding spreads an effect sideways and takes nothing of it: over all offsets a zone's effect adds up
to what it says times its width.  But a narrow one is weaker in its middle, and reaches beyond its bounds instead: there
it has 41 % of the effect it says where it is 0.1 m wide, 72 % at 0.3 m, 90 % at 0.5 m and 98 % at 1 m (tested).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.arrays import smoothstep
from linelab.model.track import GripZone, Groove, Kerb, Side, Track, along, length_along
from linelab.units import Array

#: Knots of the profile: two for each edge's kerb, six of the groove, and four for each of the zones abreast.
KERB_KNOTS = ZONE_KNOTS = 4
GROOVE_KNOTS = 6
#: Rounding of the profile's corners [m].
ROUNDING_N = 0.10
#: Distance over which a kerb or a zone takes effect, along and across [m], and the shortest such distance where it is
#: shorter or narrower than that.
RAMP_ALONG = 5.0
RAMP_ACROSS = 0.30
LEAST_RAMP = 1e-3
#: Where kerbs of one side overlap, their grips are weighted with this power of their widths there: the widest one's
#: counts, and gives way smoothly where another becomes the widest.
WIDEST = 8
#: Offset from which on knots lie that are not in use [m].
FAR = 1.0e3


class GripProfile(NamedTuple):
    """The factor across the track at M stations, by K knots."""

    base: Any  #: (M,) factor far to the right [-]
    knots: Any  #: (M, K) in increasing order [m]
    changes: Any  #: (M, K) changes of slope [1/m]


def factor_across(base: Any, knots: Any, changes: Any, n: Any) -> Any:
    """Factor on mu at offset n [m]; ``knots`` and ``changes`` are indexed by their first axis."""
    factor = base
    for j in range(knots.shape[0]):
        past = n - knots[j]
        factor = factor + changes[j] * 0.5 * (past + (past * past + ROUNDING_N**2) ** 0.5)
    return factor


def knots_needed(track: Track) -> int:
    """Knots of the profile that this track uses: none; the kerbs' four; or those, the groove's six, and four for each
    zone abreast.

    The most zones abreast anywhere are rounded up to 1, 2, 4, 8, ..., so that similar tracks share a built problem.
    Zones one behind the other count as abreast where both are fading, less than RAMP_ALONG apart.
    """
    if is_uniform(track):
        return 0
    known = KERB_KNOTS + (0 if _groove(track) is None else GROOVE_KNOTS)
    return known + (ZONE_KNOTS << (_most_abreast(track) - 1).bit_length()) if track.grip_zones else known


def _most_abreast(track: Track) -> int:
    """Most zones in force at one station; there are as many where the last of them begins."""
    fading = RAMP_ALONG + LEAST_RAMP  # a little more, so that rounding cannot leave one out
    begins = np.array([zone.s_start - 0.5 * fading for zone in track.grip_zones])
    lengths = np.array([length_along(track, zone) + fading for zone in track.grip_zones])
    into = begins[:, None] - begins
    if track.closed:
        into -= track.length * np.floor(into / track.length)
    return int(np.count_nonzero((into >= 0.0) & (into <= lengths), axis=1).max())


def is_uniform(track: Track) -> bool:
    """True where the grip is the same everywhere: :func:`road_factor`."""
    return not track.grip_zones and _groove(track) is None and all(_kerb_grip(track, k) == 1.0 for k in track.kerbs)


def road_factor(track: Track) -> float:
    """Factor on mu of a road without groove, zones and kerbs in the track's conditions [-]."""
    return 1.0 if track.conditions is None else track.conditions.asphalt


def kerbs_allowed(track: Track) -> bool:
    """Whether a computed lap may run over kerbs in the track's conditions."""
    return track.conditions is None or track.conditions.use_kerbs


def _kerb_grip(track: Track, kerb: Kerb) -> float:
    """A kerb's factor over the road's beside it [-]."""
    return kerb.grip * (1.0 if track.conditions is None else track.conditions.kerb)


class _Across(NamedTuple):
    """A groove's line and, over the road's, its factors in the conditions of the day [-]."""

    groove: Groove
    band: float
    beside: float
    marbles: float


def _groove(track: Track) -> _Across | None:
    """The groove where it makes a difference."""
    groove, day = track.groove, track.conditions
    if groove is None:
        return None
    if day is None or day.weather == "dry":
        found = _Across(groove, groove.grip, groove.beside, groove.marbles)
    else:
        found = _Across(groove, day.groove / day.asphalt, 1.0, 1.0)
    return None if found[1:] == (1.0, 1.0, 1.0) else found


def kerb_width(track: Track, side: str, s: Array) -> Array:
    """Usable kerb width beyond an edge at stations ``s`` (any shape) [m]; it ramps, so that the corridor is smooth.

    Where kerbs of one side overlap the widest counts.
    """
    width = np.zeros(s.size)
    for kerb in track.kerbs:
        if kerb.side == side:
            near, share = _kerb_share(track, kerb, s.ravel())
            width[near] = np.maximum(width[near], kerb.width * share)
    return width.reshape(s.shape)


def _kerb_share(track: Track, kerb: Kerb, s: Array) -> tuple[NDArray[np.intp], Array]:
    """As :func:`_share`; a kerb takes effect inside its ends, so that nobody is sent where there is none."""
    ramp = max(min(RAMP_ALONG, 0.4 * length_along(track, kerb)), LEAST_RAMP)
    return _share(track, kerb, s, ramp, 0.0)


def _zone_share(track: Track, zone: GripZone, s: Array) -> tuple[NDArray[np.intp], Array]:
    """As :func:`_share`; a zone's shares half inside and half outside its ends add up to 1 with an adjoining one's."""
    ramp = max(min(RAMP_ALONG, length_along(track, zone)), LEAST_RAMP)
    return _share(track, zone, s, ramp, 0.5 * ramp)


def _share(
    track: Track, item: Kerb | GripZone, s: Array, ramp: float, outside: float
) -> tuple[NDArray[np.intp], Array]:
    """Which of the stations (M,) an item has an effect at, and its share there.

    The share rises smoothly (3u² - 2u³) from 0 to 1 over ``ramp``, beginning so far ``outside`` the item's ends [m].
    At an end of an open track it is 1 up to there: the road goes on, and what lies on it.
    """
    length = length_along(track, item)
    if track.closed and length >= track.length:
        return np.arange(s.size), np.ones_like(s)
    into = s + ((outside if track.closed else 0.0) - item.s_start)
    if track.closed:
        into -= track.length * np.floor(into / track.length) + outside
    begins = -outside if track.closed or item.s_start > 0.0 else -np.inf
    ends = length + outside if track.closed or item.s_end < track.length else np.inf
    near = np.flatnonzero((into > begins) & (into < ends))
    into = into[near]
    share = smoothstep(np.minimum(into - begins, ends - into) / ramp)
    if track.closed:  # still fading out from the lap before
        share += smoothstep((ends - track.length - into) / ramp)
    return near, share


def grip_profile(track: Track, s: Array, half_width: float) -> GripProfile:
    """The factor across the track at stations ``s`` (M,) for a kart of the given half width [m].

    A kerb acts on the wheels of one side only: with the body's edge on it the factor is the mean of 1 and the
    kerb's own.
    """
    left, right = along(track, track.w_left, s) - half_width, half_width - along(track, track.w_right, s)
    on_left, on_right = _kerb_effect(track, "left", s), _kerb_effect(track, "right", s)
    knots = np.tile(FAR + np.arange(max(knots_needed(track), KERB_KNOTS), dtype=np.float64), (s.size, 1))
    changes = np.zeros_like(knots)
    for column, offset, rate in (
        (0, right - RAMP_ACROSS, -on_right), (1, right, on_right),
        (2, left, on_left), (3, left + RAMP_ACROSS, -on_left),
    ):  # fmt: skip
        knots[:, column], changes[:, column] = offset, rate / RAMP_ACROSS
    profile = GripProfile(1.0 + on_right, knots, changes)
    groove = _groove(track)
    if track.grip_zones or groove is not None:
        beside = [] if groove is None else [_groove_corners(track, groove, s, half_width)]
        profile = _with_zones(profile, _zones_by_strength(track, s), beside)
    road = road_factor(track)
    return GripProfile(road * profile.base, profile.knots, road * profile.changes)


class _Band(NamedTuple):
    """A groove at stations (M,): its middle [m]; from the middle out (3,) [m] the factors [-]."""

    middle: Array
    out: Array
    factors: Array

    def at(self, n: Array, some: NDArray[np.intp]) -> Array:
        """Factor at offsets ``n`` (P, K) of ``some`` of the stations, its corners sharp."""
        return np.asarray(np.interp(np.abs(n - self.middle[some, None]), self.out, self.factors))

    def corners(self) -> Array:
        """Where the factor's slope changes (M, 6) [m]."""
        return np.asarray(self.middle[:, None] + np.concatenate([-self.out, self.out]))


def _groove_corners(track: Track, found: _Across, s: Array, half_width: float) -> _Band:
    half = 0.5 * found.groove.width
    inside = max(half - half_width, LEAST_RAMP)
    out = np.cumsum([inside, half + half_width - inside, found.groove.fade])
    middle = found.groove.middle(s, track.length, track.closed)
    return _Band(middle, out, np.array(found[1:]))


def _kerb_effect(track: Track, side: Side, s: Array) -> Array:
    """What the kerbs of a side add to the factor with the body's edge on them (M,): that of the widest there [-]."""
    effect, total = np.zeros(s.size), np.zeros(s.size)
    kerbs = [kerb for kerb in track.kerbs if kerb.side == side]
    if all(_kerb_grip(track, kerb) == 1.0 for kerb in kerbs):
        return effect
    kerbs.sort(key=lambda kerb: (kerb.s_start, kerb.s_end, kerb.width, kerb.grip))
    placed = [(kerb, *_kerb_share(track, kerb, s)) for kerb in kerbs]
    widest = np.zeros(s.size)
    for kerb, near, share in placed:
        widest[near] = np.maximum(widest[near], kerb.width * share)
    for kerb, near, share in placed:
        weight = (kerb.width * share / widest[near]) ** WIDEST
        total[near] += weight
        effect[near] += weight * 0.5 * (_kerb_grip(track, kerb) - 1.0) * share
    return np.divide(effect, total, out=effect, where=total > 0.0)


class _Zone(NamedTuple):
    """A zone where it has an effect."""

    near: NDArray[np.intp]  #: which stations (P,)
    share: Array  #: along the track (P,)
    corners: Array  #: where its effect rises from and to, and falls from and to (4,) [m]
    effect: float  #: what it adds to the factor [-]


def _zones_by_strength(track: Track, s: Array) -> list[_Zone]:
    """Zones in the order in which they count, whatever their order on the track's list."""
    found = []
    for zone in sorted(
        track.grip_zones, key=lambda z: (-abs(z.factor - 1.0), z.factor, z.s_start, z.s_end, z.n_right, z.n_left)
    ):
        half = max(min(0.5 * RAMP_ACROSS, 0.5 * (zone.n_left - zone.n_right)), 0.5 * LEAST_RAMP)
        middle = 0.5 * (zone.n_right + zone.n_left)
        corners = np.array(
            [
                zone.n_right - half,
                min(zone.n_right + half, middle),
                max(zone.n_left - half, middle),
                zone.n_left + half,
            ]
        )
        found.append(_Zone(*_zone_share(track, zone, s), corners, zone.factor - 1.0))
    return found


def _with_zones(kerbs: GripProfile, zones: Sequence[_Zone], bands: Sequence[_Band]) -> GripProfile:
    """The profile where zones or a groove have an effect: through the factors at all corners, the kerbs' and theirs."""
    base, knots, changes = kerbs
    taken = np.full(base.size, KERB_KNOTS)
    for band in bands:
        knots[np.arange(base.size)[:, None], taken[:, None] + np.arange(GROOVE_KNOTS)] = band.corners()
        taken += GROOVE_KNOTS
    for zone in zones:
        knots[zone.near[:, None], taken[zone.near][:, None] + np.arange(ZONE_KNOTS)] = zone.corners
        taken[zone.near] += ZONE_KNOTS
    some = np.flatnonzero(taken > KERB_KNOTS)
    n = np.sort(knots[some], axis=1)
    factor = 1.0 + _zone_effect(base.size, some, n, zones)
    for band in bands:
        factor *= band.at(n, some)
    if kerbs.changes.any():
        factor *= _unrounded(GripProfile(*(values[some] for values in kerbs)), n)
    slopes, gaps = np.zeros((some.size, n.shape[1] + 1)), np.diff(n, axis=1)
    np.divide(np.diff(factor, axis=1), gaps, out=slopes[:, 1:-1], where=gaps > 1e-9)
    base[some], knots[some], changes[some] = factor[:, 0], n, np.diff(slopes, axis=1)
    return GripProfile(base, knots, changes)


def _unrounded(kerbs: GripProfile, n: Array) -> Array:
    """The kerbs' factor at offsets ``n`` (P, K), its corners sharp."""
    factor = np.repeat(kerbs.base[:, None], n.shape[1], axis=1)
    for knot, change in zip(kerbs.knots.T[:KERB_KNOTS], kerbs.changes.T):
        factor += change[:, None] * np.maximum(n - knot[:, None], 0.0)
    return factor


def _zone_effect(stations: int, some: NDArray[np.intp], n: Array, zones: Sequence[_Zone]) -> Array:
    """What the zones add to the factor at offsets ``n`` (P, K) of ``some`` of the stations.

    Each zone takes of a point what stronger ones have left of it.
    """
    effect, left = np.zeros_like(n), np.ones_like(n)
    row = np.empty(stations, dtype=np.intp)
    row[some] = np.arange(some.size)
    for near, share, (a, b, c, d), strength in zones:
        at = row[near]
        takes = np.minimum(share[:, None] * np.interp(n[at], (a, b, c, d), (0.0, 1.0, 1.0, 0.0)), left[at])
        effect[at] += strength * takes
        left[at] -= takes
    return effect


def grip_at(track: Track, s: Array, n: Array, half_width: float) -> Array:
    """Factor on mu at points (s, n) (M,)."""
    if is_uniform(track):
        return np.full_like(s, road_factor(track))
    return np.asarray(factor_across(*_profile_at(track, np.asarray(s, dtype=np.float64).tobytes(), half_width), n))


@lru_cache(maxsize=8)
def _profile_at(track: Track, stations: bytes, half_width: float) -> GripProfile:
    """:func:`grip_profile` by knots first, found again for the next of many lines on the same stations."""
    base, knots, changes = grip_profile(track, np.frombuffer(stations), half_width)
    return GripProfile(base, np.ascontiguousarray(knots.T), np.ascontiguousarray(changes.T))
