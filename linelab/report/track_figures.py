"""Pictures of a track: edges, kerbs, start line, direction, numbered corners, scale and north.

Nothing relies on colour alone: asphalt, kerbs and zones differ in lightness and pattern, so the picture holds in
black and white and for colour-blind readers.  Only ``matplotlib.figure`` is loaded, not ``pyplot``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from linelab.geometry.curve import curve_at
from linelab.report.track_facts import middle_line, square_width, survey_sentence
from linelab.track import Corner, GripZone, Kerb, Track, along
from linelab.units import Array

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ASPHALT = "#dcdcd6"
EDGE = "#2b2b2b"
KERB_DARK = "#8a2f1d"
ZONE = "#5b7fa6"
LABEL = "#1d3a5f"
KERB_BLOCK = 1.5  #: length of one kerb block in the picture [m]


def plot_track(track: Track, *, width_inches: float = 9.0) -> Figure:
    """Draw a map of a track on a figure of its own.

    Parameters
    ----------
    track : Track
    width_inches : float
        Width of the figure; its height follows the track's shape.

    Returns
    -------
    matplotlib.figure.Figure
        Save it with ``figure.savefig``.
    """
    from matplotlib.figure import Figure

    points = np.vstack([track.left_edge, track.right_edge])
    low, high = points.min(axis=0), points.max(axis=0)
    pad = 0.07 * float(np.max(high - low)) + 6.0
    span = high - low + 2.0 * pad
    height = float(np.clip(width_inches * span[1] / span[0], 0.35 * width_inches, 1.4 * width_inches))
    figure = Figure(figsize=(width_inches, height + 1.1))
    axes = figure.add_axes((0.02, 0.55 / (height + 1.1), 0.96, height / (height + 1.1)))
    axes.set(xlim=(low[0] - pad, high[0] + pad), ylim=(low[1] - pad, high[1] + pad), aspect="equal")
    axes.axis("off")
    draw_track(axes, track)
    draw_corner_numbers(axes, track)
    draw_scale(axes, track)
    length = float(np.sum(np.hypot(*np.diff(middle_line(track), axis=0).T)))
    figure.text(0.02, 1.0 - 0.3 / (height + 1.1), track.name, fontsize=14, weight="bold", color=EDGE, va="center")
    width = square_width(track)
    facts = f"{length:.0f} m along the middle, {width.min():.1f} to {width.max():.1f} m wide"
    figure.text(0.98, 1.0 - 0.3 / (height + 1.1), facts, fontsize=10, color=EDGE, va="center", ha="right")
    figure.text(0.02, 0.2 / (height + 1.1), survey_sentence(track.survey), fontsize=8, color="#555555", va="center")
    return figure


def draw_track(axes: Axes, track: Track) -> None:
    """Draw asphalt, edges, kerbs, grip zones, start and timing lines and direction on given axes (metres)."""
    from matplotlib.patches import Polygon

    left, right = _edges(track)
    ring = np.vstack([left, right[::-1]])
    axes.add_patch(Polygon(ring, closed=True, facecolor=ASPHALT, edgecolor="none", zorder=1))
    for zone in track.grip_zones:
        axes.add_patch(
            Polygon(_zone_ring(track, zone), facecolor=ZONE, alpha=0.35, hatch="..", edgecolor=ZONE, lw=0.5, zorder=2)
        )
    for kerb in track.kerbs:
        _draw_kerb(axes, track, kerb)
    for edge in (left, right):
        axes.plot(edge[:, 0], edge[:, 1], color=EDGE, lw=1.1, zorder=4, solid_joinstyle="round")
    for station in track.timing_stations:
        ends = _across(track, station, 0.0)
        axes.plot(ends[:, 0], ends[:, 1], color=EDGE, lw=1.2, ls=(0, (2, 1.5)), zorder=5)
    _draw_start(axes, track)


def draw_corner_numbers(axes: Axes, track: Track, *, fontsize: float = 9.0) -> None:
    """Number the corners in circles beside the track, where they cover no other stretch."""
    others = np.vstack(_edges(track))
    placed: list[Array] = []
    for corner in track.corners:
        spot = _clearest(track, corner, others, placed)
        placed.append(spot)
        apex = _offset_point(track, corner.s_apex, 0.0)
        axes.plot(*np.vstack([spot, apex]).T, color=LABEL, lw=0.6, zorder=3, alpha=0.6)
        axes.text(
            spot[0],
            spot[1],
            str(corner.number),
            fontsize=fontsize,
            ha="center",
            va="center",
            color=LABEL,
            weight="bold",
            zorder=7,
            bbox={"boxstyle": "circle,pad=0.22", "fc": "white", "ec": LABEL, "lw": 1.0},
        )


def draw_scale(axes: Axes, track: Track) -> None:
    """Scale bar at the lower left and, where the place is known, a north arrow at the upper right."""
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
    span = x1 - x0
    bar = max((b for b in (5, 10, 20, 50, 100, 200, 500, 1000, 2000) if b <= 0.25 * span), default=5)
    left, low = x0 + 0.02 * span, y0 + 0.02 * (y1 - y0)
    tick = 0.006 * span
    axes.plot(
        [left, left, left + bar, left + bar], [low + tick, low, low, low + tick], color=EDGE, lw=1.4, clip_on=False
    )
    axes.text(left + bar / 2.0, low + 1.4 * tick, f"{bar} m", ha="center", va="bottom", fontsize=9, color=EDGE)
    if track.georeferenced:
        x, top = x1 - 0.03 * span, y1 - 0.01 * (y1 - y0)
        axes.annotate(
            "N",
            xy=(x, top),
            xytext=(x, top - 0.07 * span),
            ha="center",
            va="center",
            fontsize=10,
            weight="bold",
            color=EDGE,
            arrowprops={"arrowstyle": "-|>", "color": EDGE, "lw": 1.2},
        )


def _edges(track: Track) -> tuple[Array, Array]:
    """Edges at the track's stations, (N, 2) each [m]."""
    line = track.reference
    normal = np.column_stack([-np.sin(line.psi), np.cos(line.psi)])
    middle = np.column_stack([line.x, line.y])
    return middle + track.w_left[:, None] * normal, middle - track.w_right[:, None] * normal


def _offset_point(track: Track, s: float, n: float) -> Array:
    point = curve_at(track.reference, s)
    return np.array([float(point.x - n * np.sin(point.psi)), float(point.y + n * np.cos(point.psi))])


def _across(track: Track, station: float, beyond: float) -> Array:
    """Ends (2, 2) of a line across the track, left first, reaching ``beyond`` the edges [m]."""
    s = np.array([station])
    n_left, n_right = float(along(track, track.w_left, s)[0]), float(along(track, track.w_right, s)[0])
    return np.vstack([_offset_point(track, station, n_left + beyond), _offset_point(track, station, -n_right - beyond)])


def _stations(track: Track, s_start: float, s_end: float, step: float) -> Array:
    if track.closed and s_end < s_start:
        s_end += track.length
    return np.linspace(s_start, s_end, max(2, round((s_end - s_start) / step) + 1))


def _strip(track: Track, s: Array, n_from: Array, n_to: Array) -> Array:
    """Outline (2K, 2) of a strip between two offsets."""
    point = curve_at(track.reference, s)
    normal = np.column_stack([-np.sin(point.psi), np.cos(point.psi)])
    middle = np.column_stack([point.x, point.y])
    return np.vstack([middle + n_from[:, None] * normal, (middle + n_to[:, None] * normal)[::-1]])


def _zone_ring(track: Track, zone: GripZone) -> Array:
    s = _stations(track, zone.s_start, zone.s_end, 1.0)
    return _strip(track, s, np.full(s.size, zone.n_right), np.full(s.size, zone.n_left))


def _draw_kerb(axes: Axes, track: Track, kerb: Kerb) -> None:
    """Blocks in turn dark and white, as kerbs are painted."""
    from matplotlib.patches import Polygon

    sign = 1.0 if kerb.side == "left" else -1.0
    s = _stations(track, kerb.s_start, kerb.s_end, KERB_BLOCK)
    for k in range(s.size - 1):
        piece = np.linspace(s[k], s[k + 1], 4)
        edge = sign * along(track, track.w_left if sign > 0 else track.w_right, piece)
        outline = _strip(track, piece, edge, edge + sign * kerb.width)
        colour = KERB_DARK if k % 2 == 0 else "white"
        axes.add_patch(Polygon(outline, facecolor=colour, edgecolor=EDGE, lw=0.3, zorder=3))


def _draw_start(axes: Axes, track: Track) -> None:
    """Start line with the driving direction as an arrow beside it."""
    stations = [track.start_station]
    if not track.closed:
        stations.append(track.length if track.finish_station is None else track.finish_station)
    for station in stations:
        ends = _across(track, station, 1.0)
        axes.plot(ends[:, 0], ends[:, 1], color="black", lw=2.6, zorder=6, solid_capstyle="butt")
    reach = float(np.clip(0.035 * np.ptp(axes.get_xlim()), 8.0, 60.0))
    start = track.start_station
    s = np.array([start, start + 0.35 * reach, start + reach])
    middle = 0.5 * (along(track, track.w_left, s) - along(track, track.w_right, s))
    tail, head = _offset_point(track, s[1], float(middle[1])), _offset_point(track, s[2], float(middle[2]))
    axes.annotate(
        "",
        xy=(head[0], head[1]),
        xytext=(tail[0], tail[1]),
        zorder=6,
        arrowprops={"arrowstyle": "-|>", "color": "black", "lw": 1.8},
    )


def _clearest(track: Track, corner: Corner, others: Array, placed: list[Array]) -> Array:
    """Place for a corner's number: outside or inside the corner, nearer or farther, wherever it is clearest."""
    s = np.array([corner.s_apex])
    size = 0.022 * float(np.ptp(others, axis=0).max()) + 2.0
    outward = -1.0 if corner.left else 1.0
    best, best_room = np.zeros(2), -np.inf
    for side in (outward, -outward):
        edge = float(along(track, track.w_left if side > 0 else track.w_right, s)[0])
        for extra in (1.0, 1.5, 2.2):
            spot = _offset_point(track, corner.s_apex, side * (edge + extra * size))
            room = float(np.hypot(*(others - spot).T).min())
            if placed:
                room = min(room, 0.6 * min(float(np.hypot(*(spot - p))) for p in placed))
            room = min(room, size) - 0.02 * extra * size - (0.1 * size if side != outward else 0.0)
            if room > best_room:
                best, best_room = spot, room
    return best
