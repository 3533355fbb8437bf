"""Draw the fictional demo circuits and write them as GeoJSON into the folder above this script.

Each circuit is a list of control points (x, y, radius): straights that meet at the points, rounded with the radius
of the centre line [m].  The rounded line is softened a little, so that curvature builds up over a few metres as on
a paved track, and the edges are laid off to both sides with a half-width that varies along the lap.

Run ``python tracks/drawing/make_demo_tracks.py`` from the project's root; the result is the same each time.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from linelab.files.projection import LocalPlane, to_plane
from linelab.files.tracks.track_build import track_from_edges
from linelab.files.tracks.track_file import save_track
from linelab.model.track import Kerb, Survey, Track
from linelab.units import Array

STEP = 0.1  #: spacing of the centre line while drawing [m]
NOTE = "Fictional circuit, drawn for demonstration; nothing here was surveyed."


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What one circuit is drawn from; lengths in metres, angles in degrees."""

    stem: str
    name: str
    origin: tuple[float, float]
    points: list[tuple[float, float, float]]
    width: float
    soften: float
    start: float  #: start line, share of the straight between the first two points
    rotate: float
    mirror: bool = False
    wider: dict[int, float] = field(default_factory=dict)  #: extra width about a control point
    hills: tuple[tuple[float, int, float], ...] = ()  #: amplitude [m], waves a lap, phase [rad]
    bank: dict[int, float] = field(default_factory=dict)  #: cross slope at a point, positive helps its turn [-]
    timing: tuple[float, ...] = ()  #: timing lines, shares of the lap
    apex_kerb: tuple[float, float] = (1.0, 0.9)  #: width [m], grip factor
    exit_kerb: tuple[float, float] | None = (1.2, 0.85)
    names: dict[int, str] = field(default_factory=dict)


def rounded(points: Array, radii: Array) -> tuple[Array, Array]:
    """Closed centre line (N, 2) of straights and arcs, and the arc length of each control point's bend (K,)."""
    back, ahead = points - np.roll(points, 1, axis=0), np.roll(points, -1, axis=0) - points
    u = back / np.hypot(*back.T)[:, None]
    v = ahead / np.hypot(*ahead.T)[:, None]
    turn = np.arctan2(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0], np.sum(u * v, axis=1))
    tangent = radii * np.tan(np.abs(turn) / 2.0)
    left_over = np.hypot(*back.T) - tangent - np.roll(tangent, 1)
    if left_over.min() < 0.1:
        raise ValueError(f"no room for the radius at control point {int(np.argmin(left_over))}")
    pieces, marks = [], []
    for i in range(len(points)):
        first = points[i] - u[i] * tangent[i]
        centre = first + np.array([-u[i, 1], u[i, 0]]) * np.sign(turn[i]) * radii[i]
        angle = np.linspace(0.0, turn[i], max(3, int(abs(turn[i]) * radii[i] / STEP)))
        arm = first - centre
        arc = centre + np.column_stack(
            [np.cos(angle) * arm[0] - np.sin(angle) * arm[1], np.sin(angle) * arm[0] + np.cos(angle) * arm[1]]
        )
        marks.append(sum(len(piece) for piece in pieces) + len(arc) // 2)
        following = points[(i + 1) % len(points)] - u[(i + 1) % len(points)] * tangent[(i + 1) % len(points)]
        count = max(2, int(np.hypot(*(following - arc[-1])) / STEP))
        pieces += [arc, arc[-1] + (following - arc[-1]) * (np.arange(1, count) / count)[:, None]]
    line = np.vstack(pieces)
    ring = np.vstack([line, line[:1]])
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
    even = np.arange(round(s[-1] / STEP)) * s[-1] / round(s[-1] / STEP)
    return np.column_stack([np.interp(even, s, ring[:, k]) for k in (0, 1)]), s[np.array(marks)]


def softened(values: Array, length: float) -> Array:
    """Periodic Gaussian filter with standard deviation ``length`` [m]."""
    f = np.fft.rfftfreq(len(values), STEP)
    gain = np.exp(-2.0 * (np.pi * f * length) ** 2)
    gain = gain[:, None] if values.ndim == 2 else gain
    return np.fft.irfft(np.fft.rfft(values, axis=0) * gain, n=len(values), axis=0)


def bumps(s: Array, marks: Array, sizes: dict[int, float], spread: float) -> Array:
    """Sum of smooth bumps about control points along a closed lap."""
    length = s[-1] + s[1]
    total = np.zeros_like(s)
    for index, size in sizes.items():
        away = np.mod(s - marks[index] + length / 2.0, length) - length / 2.0
        total += size * np.exp(-0.5 * (away / spread) ** 2)
    return total


def vertices(kappa: Array, soften: float) -> Array:
    """Indices of the edge vertices: about 1.2 m apart in bends, 4 m on straights."""
    spacing = np.clip(0.12 / np.maximum(softened(np.abs(kappa), soften + 3.0), 1e-4), 1.2, 4.0)
    passed = np.cumsum(STEP / spacing)
    return np.searchsorted(passed, np.linspace(0.0, passed[-1], round(passed[-1]), endpoint=False))


def draw(plan: Plan) -> Track:
    """Build one circuit from its plan."""
    control = np.array(plan.points)
    xy = control[:, :2] * ([1.0, -1.0] if plan.mirror else [1.0, 1.0])
    turn = np.radians(plan.rotate)
    xy = xy @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    xy = xy - 0.5 * (xy.min(axis=0) + xy.max(axis=0))
    line, marks = rounded(xy, control[:, 2])
    line = softened(line, plan.soften)
    step = np.roll(line, -1, axis=0) - np.roll(line, 1, axis=0)
    psi = np.unwrap(np.arctan2(step[:, 1], step[:, 0]))
    kappa = np.gradient(psi) / STEP
    s = np.arange(len(line)) * STEP
    half = 0.5 * (plan.width + bumps(s, marks, plan.wider, 9.0))
    normal = np.column_stack([-np.sin(psi), np.cos(psi)])
    left, right = line + half[:, None] * normal, line - half[:, None] * normal
    if plan.hills:
        length = len(line) * STEP
        z = sum(a * np.sin(2.0 * np.pi * waves * s / length + phase) for a, waves, phase in plan.hills)
        helping = {i: value * np.sign(softened(kappa, 4.0)[int(marks[i] / STEP)]) for i, value in plan.bank.items()}
        cross = bumps(s, marks, helping, 14.0) * half
        left, right = np.column_stack([left, z - cross]), np.column_stack([right, z + cross])
    i, j = int(marks[0] / STEP), int(marks[1] / STEP)
    at = int(i + plan.start * (j - i))
    ends = tuple((float(e[at, 0]), float(e[at, 1])) for e in (left, right))
    keep = vertices(kappa, plan.soften)
    track = track_from_edges(
        plan.name,
        left[keep],
        right[keep],
        closed=True,
        start=(ends[0], ends[1]),
        origin=plan.origin,
        georeferenced=True,
        survey=Survey(kind="surveyed", note=NOTE),
    )
    return furnished(track, plan)


def furnished(track: Track, plan: Plan) -> Track:
    """Add names, timing lines and kerbs: inside at every apex, outside at the exits with room for it."""
    length, kerbs = track.length, []
    for k, corner in enumerate(track.corners):
        inside, outside = ("left", "right") if corner.left else ("right", "left")
        run = np.mod(corner.s_end - corner.s_start, length)
        reach = float(np.clip(0.3 * run, 3.0, 9.0))
        kerbs.append(
            Kerb(
                side=inside,
                s_start=float(np.mod(corner.s_apex - reach, length)),
                s_end=float(np.mod(corner.s_apex + reach, length)),
                width=plan.apex_kerb[0],
                grip=plan.apex_kerb[1],
                name=f"apex {corner.number}",
            )
        )
        following = track.corners[(k + 1) % len(track.corners)]
        room = float(np.mod(following.s_start - corner.s_end, length))
        if plan.exit_kerb is not None and room > 14.0 and abs(corner.turn) > np.radians(50.0):
            kerbs.append(
                Kerb(
                    side=outside,
                    s_start=float(np.mod(corner.s_end - 3.0, length)),
                    s_end=float(np.mod(corner.s_end + min(16.0, room - 6.0), length)),
                    width=plan.exit_kerb[0],
                    grip=plan.exit_kerb[1],
                    name=f"exit {corner.number}",
                )
            )
    corners = tuple(replace(c, name=plan.names.get(c.number, "")) for c in track.corners)
    return replace(
        track, kerbs=tuple(kerbs), corners=corners, timing_stations=tuple(share * length for share in plan.timing)
    )


PLANS = (
    Plan(
        stem="ostrelle_sprint",
        name="Ostrelle Sprint Circuit",
        origin=(63.41, 51.23),
        points=[
            (0, 0, 14), (192, -4, 16), (176, -52, 12), (262, -72, 9.6), (256, -99, 9.6), (182, -88, 18),
            (154, -62, 15), (124, -82, 15), (94, -50, 14), (62, -76, 12), (28, -36, 9), (0, -50, 10),
            (18, -126, 13), (140, -130, 9.6), (136, -156, 9.6), (-40, -164, 18), (-66, -92, 30), (-54, -42, 16),
        ],
        width=8.2,
        soften=1.6,
        start=0.55,
        rotate=24.0,
        wider={1: 0.5, 3: 0.4, 4: 0.4, 13: 0.4, 14: 0.4},
        timing=(0.382, 0.70),
    ),
    Plan(
        stem="tinmarsh_rental",
        name="Tinmarsh Rental Track",
        origin=(64.87, 50.62),
        points=[
            (0, -3.2, 8), (72, 0, 5.45), (72, -11.4, 5.45), (34, -10.4, 5.35), (34, -21.4, 5.35), (86, -21.2, 8),
            (86, -47, 7), (63, -47, 6), (57, -29.2, 7), (14, -29.2, 5.4), (14, -40.4, 5.4), (44, -40.8, 7),
            (42, -60, 7), (-14, -57, 10), (-22, -28, 12),
        ],
        width=6.5,
        soften=0.7,
        start=0.4,
        rotate=-8.0,
        timing=(0.5,),
        apex_kerb=(0.4, 0.95),
        exit_kerb=None,
    ),
    Plan(
        stem="marrowdown_club",
        name="Marrowdown Club Circuit",
        origin=(66.12, 51.78),
        points=[
            (-2, 0, 24), (186, 0, 16), (190, -70, 13), (140, -64, 15), (108, -116, 24), (194, -168, 11),
            (132, -194, 24), (50, -176, 26), (44, -118, 14), (92, -74, 9.5), (70, -38, 9.5), (-12, -78, 20),
            (-68, -92, 16), (-74, -44, 16),
        ],
        width=8.1,
        soften=2.0,
        start=0.6,
        rotate=-35.0,
        mirror=True,
        wider={1: 0.5, 5: 0.8, 9: 0.5},
        hills=((3.3, 1, 0.4), (0.7, 3, 2.0)),
        bank={1: 0.05, 2: 0.03, 4: 0.08, 5: -0.03, 7: 0.06, 9: 0.02, 12: 0.05, 13: 0.05},
        timing=(0.33, 0.68),
    ),
)  # fmt: skip


def main() -> None:
    """Write every circuit into the folder above this script."""
    folder = Path(__file__).resolve().parents[1]
    for plan in PLANS:
        track = draw(plan)
        plane = LocalPlane(origin_lon=plan.origin[0], origin_lat=plan.origin[1])
        assert abs(float(to_plane(plane, *plan.origin)[0])) < 1e-6
        save_track(track, folder / f"{plan.stem}.geojson")


if __name__ == "__main__":
    main()
