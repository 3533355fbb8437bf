"""Karts, lines and tracks staged so that the model becomes a textbook one."""

from __future__ import annotations

import numpy as np

from linelab.geometry.curve import Curve
from linelab.model.kart import Kart, PowerEngine
from linelab.model.lap import Line
from linelab.model.track import Track
from linelab.units import STANDARD_GRAVITY

MASS = 160.0


def bare_kart(mu: float, *, engine: PowerEngine | None = None, **changes: object) -> Kart:
    """A point mass without any resistance, all four wheels braking.

    The centre of gravity is so high that the rear axle carries everything while driving: the driving limit
    mu f/(1 - mu h/L) is then mu itself, and the g-g diagram a circle of radius mu g wherever the engine allows.
    """
    values: dict[str, object] = {
        "name": "bare",
        "mass": MASS,
        "engine": engine or PowerEngine(power=2.0e5),
        "mu_lateral": mu,
        "mu_longitudinal": mu,
        "rear_share": 0.8,
        "cg_height": 0.6 / mu,
        "wheelbase": 1.0,
        "width": 0.5,
        "cda": 0.0,
        "rolling_resistance": 0.0,
        "scrub": 0.0,
        "rotating_mass_factor": 0.0,
        "four_wheel_brakes": True,
    }
    return Kart(**(values | changes))  # type: ignore[arg-type]


def circle_kart(limit: float, **changes: object) -> Kart:
    """Bare kart held to |acceleration| <= ``limit`` [m/s²]."""
    return bare_kart(limit / STANDARD_GRAVITY, **changes)


def flat_line(distance, kappa, *, closed: bool = False, bank: float = 0.0) -> Line:
    """A level or evenly banked line from its curvature; its position does not matter to a speed profile."""
    zero = np.zeros_like(distance)
    return Line(
        distance=distance,
        x=zero,
        y=zero,
        psi=zero,
        kappa=kappa,
        s=distance,
        n=zero,
        slope=zero,
        bank=zero + bank,
        vertical_curvature=zero,
        grip=zero + 1.0,
        closed=closed,
    )


def stepped_line(pieces: list[tuple[float, float]], *, step: float = 1.0, joint: float = 0.0005, extra=()) -> Line:
    """Line of (length, curvature) pieces; at a joint the curvature changes within ``joint`` metres, nodes crowd there.

    ``extra`` are further distances that get a node.
    """
    ends = np.cumsum([length for length, _ in pieces])
    crowd = np.concatenate([[0.0], joint * 2.0 ** np.arange(16)])
    crowd = crowd[crowd < 4.0 * step] + 0.5 * joint
    nodes = [np.arange(0.0, ends[-1], step), ends[-1:], np.asarray(extra, dtype=float)]
    for end in ends[:-1]:
        nodes += [end - crowd, end + crowd]
    distance = np.unique(np.concatenate(nodes).round(9))
    distance = distance[np.concatenate([[True], np.diff(distance) > 1e-6])]
    distance[-1] = ends[-1]
    kappa = np.array([kappa for _, kappa in pieces])[np.minimum(np.searchsorted(ends, distance), len(pieces) - 1)]
    return flat_line(distance, kappa)


def plain_track(kappa, length: float, *, left, right, closed: bool = False, step: float = 0.25, start=(0.0, 0.0, 0.0)):
    """Level track about a reference line whose curvature is a function of station; widths are numbers or arrays.

    ``start`` is x, y, psi at station 0.  Heading and position by Gauss quadrature of the curvature and of cos, sin psi.
    """
    count = int(np.ceil(length / step)) + 1
    s = np.linspace(0.0, length, count)
    nodes, weights = np.polynomial.legendre.leggauss(8)
    h = s[1]
    inner = s[:-1, None] + 0.5 * h * (1.0 + nodes)
    psi = start[2] + np.concatenate([[0.0], np.cumsum(0.5 * h * kappa(inner) @ weights)])
    part = [
        psi[:-1] + 0.25 * h * (1 + node) * (kappa(s[:-1, None] + 0.25 * h * (1 + node) * (1 + nodes)) @ weights)
        for node in nodes
    ]
    angle = np.stack(part, axis=1)
    x = start[0] + np.concatenate([[0.0], np.cumsum(0.5 * h * np.cos(angle) @ weights)])
    y = start[1] + np.concatenate([[0.0], np.cumsum(0.5 * h * np.sin(angle) @ weights)])
    curve = Curve(s=s, x=x, y=y, psi=psi, kappa=kappa(s), dkappa=np.gradient(kappa(s), s), closed=closed)
    w_left, w_right = np.zeros(count) + left, np.zeros(count) + right
    normal = np.stack([-np.sin(psi), np.cos(psi)], axis=1)
    middle = np.stack([x, y], axis=1)
    keep = slice(None, -1) if closed else slice(None)
    return Track(
        name="staged",
        reference=curve,
        w_left=w_left,
        w_right=w_right,
        slope=np.zeros(count),
        bank=np.zeros(count),
        z=np.zeros(count),
        left_edge=(middle + w_left[:, None] * normal)[keep],
        right_edge=(middle - w_right[:, None] * normal)[keep],
    )


def blend(s, radius: float, before: float, after: float):
    """Curvature 1/radius between two stations, rising and falling smoothly (3u² - 2u³) over 4 m outside them."""
    u = np.clip((s - before) / 4.0 + 1.0, 0.0, 1.0) * np.clip((after - s) / 4.0 + 1.0, 0.0, 1.0)
    return u * u * (3.0 - 2.0 * u) / radius


def corner_edges(inner: float, outer: float, turn: float, straight: float):
    """Left (inner) and right (outer) edge of a left corner: straights and arcs about the origin, (K, 2) each [m].

    Driven eastwards along y = -radius until x = 0, then round the origin by ``turn`` [rad], then straight on.
    """
    angle = np.linspace(0.0, turn, 400)
    before = np.linspace(-straight, 0.0, 200, endpoint=False)
    spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])

    def edge(radius: float):
        arc = radius * np.column_stack([np.sin(angle), -np.cos(angle)])
        entry = np.column_stack([before, np.full(before.size, -radius)])
        leave = (entry * [-1.0, 1.0])[::-1] @ spin
        return np.vstack([entry, arc, leave])

    return edge(inner), edge(outer)
