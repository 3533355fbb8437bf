"""Where a corner's marks lie along its kerbs, and which kerbs the kart uses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from linelab.diagnosis.marks import CornerMarks
from linelab.geometry.frenet import sn_to_xy
from linelab.model.kart import Kart
from linelab.model.track import Kerb, length_along
from linelab.output.outlines import along_closed
from linelab.output.sheet.how_driven import Way
from linelab.units import Array

Side = Literal["inside", "entry", "exit"]

#: A kerb is named as a landmark of a mark when it begins or ends this near [m].
NEAR_KERB = 40.0
#: A kart's body over the road's edge by this much uses the kerb [m].
ON_KERB = 0.05
#: The edge is nearest to the kart within this much of its station [m].
NEAR_EDGE = 10.0


@dataclass(frozen=True, kw_only=True, slots=True)
class KerbPlace:
    """Where a mark lies along one of its corner's kerbs.

    ``distance`` is from the kerb's start, negative before it, or ``past_end`` from its end [m].
    """

    side: Side
    distance: float
    past_end: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class KerbUse:
    """A kerb that the kart's body reaches over, from and to which share of its length [-]."""

    side: Side
    first: float
    last: float


def _kerb_side(way: Way, marks: CornerMarks, kerb: Kerb) -> Side:
    """Which of a corner's kerbs this is."""
    if (kerb.side == "left") == marks.corner.left:
        return "inside"
    length = length_along(way.track, kerb)
    return "entry" if way.apart(marks.apex, kerb.s_start + 0.5 * length) < 0.0 else "exit"


def own_kerbs(way: Way, marks: CornerMarks) -> list[tuple[Kerb, Side]]:
    """Kerbs that lie along a corner, from a little before its first mark to a little after its last.

    One on the corner's own inside is its kerb only where no other corner of that hand has its apex nearer.
    """
    first, last = min(marks.slows_from, marks.turn_in) - 10.0, marks.track_out + 10.0
    size = last - first
    near = [
        (kerb, _kerb_side(way, marks, kerb))
        for kerb in way.track.kerbs
        if (way.ahead(first, kerb.s_start) < size if way.track.closed else first < kerb.s_start < last)
    ]
    return [(kerb, side) for kerb, side in near if side != "inside" or _nearest_corner(way, marks, kerb)]


def _nearest_corner(way: Way, marks: CornerMarks, kerb: Kerb) -> bool:
    """Whether of all corners of its hand this one has its apex nearest to a kerb's middle."""
    middle = kerb.s_start + 0.5 * length_along(way.track, kerb)
    rivals = [corner for corner in way.track.corners if corner.left == marks.corner.left]
    nearest = min(rivals, key=lambda corner: abs(way.apart(middle, corner.s_apex)))
    return nearest.number == marks.corner.number


def nearest_kerb(way: Way, marks: CornerMarks, station: float) -> KerbPlace | None:
    """Place by the nearest of the corner's kerbs."""
    places = []
    for kerb, side in own_kerbs(way, marks):
        from_start, from_end = way.apart(kerb.s_start, station), way.apart(kerb.s_end, station)
        past = from_end > 0.0
        places.append(KerbPlace(side=side, distance=from_end if past else from_start, past_end=past))
    near = [place for place in places if abs(place.distance) <= NEAR_KERB]
    return min(near, key=lambda place: abs(place.distance), default=None)


def body_gap(way: Way, kart: Kart, station: float, *, left: bool) -> Array:
    """Distance between the kart's side and the road's edge, negative over it [m]."""
    widths = way.track.w_left if left else way.track.w_right
    n = way.value(way.line.n, station)
    edge = along_closed(way.track, widths, np.array([way.local(station)]))[0]
    return np.asarray(edge - (n if left else -n) - 0.5 * kart.width)


def edge_gap(way: Way, kart: Kart, station: float, *, left: bool) -> float:
    """Distance from the kart's side, square to its path, to the nearest of the road's edge, negative over it [m]."""
    track, line = way.track, way.line
    half, psi = (0.5 if left else -0.5) * kart.width, way.value(line.psi, station)
    x, y = way.value(line.x, station) - half * np.sin(psi), way.value(line.y, station) + half * np.cos(psi)
    s = station + np.arange(-NEAR_EDGE, NEAR_EDGE, 0.05)
    s = np.mod(s, track.length) if track.closed else np.clip(s, 0.0, track.length)
    n = along_closed(track, track.w_left, s) if left else -along_closed(track, track.w_right, s)
    edge = sn_to_xy(track.reference, s, n)
    nearest = float(np.hypot(edge[0] - x, edge[1] - y).min())
    return -nearest if body_gap(way, kart, station, left=left) < 0.0 else nearest


def kerbs_used(way: Way, kart: Kart, marks: CornerMarks) -> tuple[KerbUse, ...]:
    """Kerbs of a corner that the kart's body reaches over, in the order entry, inside, exit."""
    used = []
    for kerb, side in own_kerbs(way, marks):
        length = length_along(way.track, kerb)
        shares = np.linspace(0.0, 1.0, max(int(2.0 * length), 2))
        stations = kerb.s_start + length * shares
        gaps = np.array([float(body_gap(way, kart, float(s), left=kerb.side == "left")) for s in stations])
        over = np.flatnonzero(gaps < -ON_KERB)
        if over.size:
            used.append(KerbUse(side=side, first=float(shares[over[0]]), last=float(shares[over[-1]])))
    order: tuple[Side, ...] = ("entry", "inside", "exit")
    return tuple(sorted(used, key=lambda use: order.index(use.side)))
