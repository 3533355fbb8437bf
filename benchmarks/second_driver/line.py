"""The fastest line of a kart on a circuit, and the speed along a line."""

from __future__ import annotations

import hashlib
from dataclasses import asdict, dataclass
from pathlib import Path

import casadi as ca
import numpy as np
import scipy.sparse as sp
from scipy.interpolate import BSpline, CubicSpline

from .circuit import Array, Circuit, Road
from .kart import GRAVITY, Kart

VERSION = 1  # part of the cache key: change it when the search changes
KNOTS = 1.3  # [m] spacing of the spline that carries the line
SAFETY = 0.10  # [m] the kart's side stays this far from an edge
NEAR_LIMIT = 0.97  # share of the grip for which the line is sought
_memory: dict[str, Array] = {}


@dataclass(frozen=True)
class Path2:
    """Geometry of a driven path: one value per station of a grid that may span many laps.

    s [m] station, n [m] offset, stretch (path metres per station metre), p [m] along the path, kappa [1/m],
    lean [rad] between the path and the centre line, grade and bank (rise along and to the left), crest [1/m]
    (vertical curvature, hollow positive).
    """

    s: Array
    n: Array
    stretch: Array
    p: Array
    kappa: Array
    lean: Array
    grade: Array
    bank: Array
    crest: Array


def trace(road: Road, s: Array, n: Array) -> Path2:
    """Return the geometry of the path with offsets n [m] at stations s [m]."""
    lap = np.mod(s, road.length)
    spline = CubicSpline(s, n)
    slope, bow = spline(s, 1), spline(s, 2)
    curv, dcurv = road.periodic(road.curv)(lap), road.periodic(road.dcurv)(lap)
    along = 1 - n * curv
    stretch = np.hypot(along, slope)
    kappa = (along * (bow + along * curv) + slope * (2 * slope * curv + n * dcurv)) / stretch**3
    p = np.append(0, np.cumsum(np.diff(s) * (stretch[1:] + stretch[:-1]) / 2))
    bank_spline, z_spline = road.periodic(road.bank), road.periodic(road.z)
    bank = bank_spline(lap)
    grade = (z_spline(lap, 1) + bank_spline(lap, 1) * n + bank * slope) / stretch
    crest = np.gradient(grade, p)
    return Path2(s, n, stretch, p, kappa, np.arctan2(slope, along), grade, bank * along / stretch, crest)


def corner_speed(kart: Kart, path: Path2, share: Array | float) -> Array:
    """Return the highest speed [m/s] at which the lateral grip alone holds, for a share of the grip."""
    v2 = np.full(len(path.s), 100.0)
    size = np.maximum(np.abs(path.kappa), 1e-4)
    help_ = -np.sign(path.kappa) * GRAVITY * path.bank
    for _ in range(12):
        g_n = np.clip(GRAVITY + v2 * (path.crest - path.kappa * path.bank), 4.0, 16.0)
        v2 = 0.3 * v2 + 0.7 * np.clip((share * kart.side_peak(g_n) + help_) / size, 4.0, 60.0**2)
    return np.sqrt(v2)


# -------------------------------------------------------------------------------------------------- the search


def _basis(count: int, length: float, where: Array, order: int) -> sp.csr_matrix:
    """Return periodic cubic B-splines (or a derivative) at stations as a sparse matrix."""
    step = length / count
    rows, cols, values = [], [], []
    piece = BSpline.basis_element(np.arange(-2, 3) * step, extrapolate=False)
    piece = piece.derivative(order) if order else piece
    for k in range(count):
        away = np.mod(where - k * step + length / 2, length) - length / 2
        hit = np.flatnonzero(np.abs(away) < 2 * step - 1e-9)
        rows.append(hit)
        cols.append(np.full(len(hit), k))
        values.append(np.nan_to_num(piece(away[hit])))
    entries = (np.concatenate(values), (np.concatenate(rows), np.concatenate(cols)))
    return sp.csr_matrix(entries, shape=(len(where), count))


def hands_weight(hands: float) -> float:
    """Return the weight of the change of curvature for a smoothness of hands [m].

    Found by trial: the curvature of a hairpin then takes about 3 m to build up for quick hands and 9 m for hands
    of 4 m.
    """
    return 0.3 + 0.3 * hands**3


def best_line(
    circuit: Circuit, kart: Kart, *, extra: float = 0.0, hands: float = 1.0, cache: str | Path | None = None
) -> Array:
    """Return the offsets [m] of the fastest line at the stations of the road.

    The line keeps the kart's half-width, a safety margin and `extra` [m] from the edges. `hands` [m] is the
    smoothness of the driver's steering. The search minimises the lap time of the kart over the spline coefficients
    and the speeds together; the result is kept in memory and, with a cache folder, on disk.
    """
    text = repr((VERSION, asdict(kart), extra, hands)).encode()
    text += circuit.left.tobytes() + circuit.right.tobytes() + circuit.start_line.tobytes()
    key = hashlib.sha256(text).hexdigest()[:24]
    if key in _memory:
        return _memory[key]
    file = Path(cache) / f"line_{key}.npy" if cache else None
    if file and file.exists():
        _memory[key] = np.load(file)
        return _memory[key]
    line = _search(circuit.road, kart, kart.half_width + SAFETY + extra, hands)
    _memory[key] = line
    if file:
        file.parent.mkdir(parents=True, exist_ok=True)
        np.save(file, line)
    return line


def _search(road: Road, kart: Kart, margin: float, hands: float) -> Array:
    length = road.length
    knots = round(length / KNOTS)
    count = 2 * knots
    step = length / count
    nodes, mids = np.arange(count) * step, (np.arange(count) + 0.5) * step
    low, high = (road.periodic(b) for b in road.bounds(margin))
    matrix = [ca.DM(_basis(knots, length, mids, k)) for k in range(3)]
    at_nodes = ca.DM(_basis(knots, length, nodes, 0))
    curv, dcurv = road.periodic(road.curv)(mids), road.periodic(road.dcurv)(mids)
    bank, dbank = road.periodic(road.bank)(mids), road.periodic(road.bank)(mids, 1)
    rise = road.periodic(road.z)(mids, 1)

    c, e = ca.SX.sym("c", knots), ca.SX.sym("e", count)  # spline coefficients; v^2 / 100 at the nodes
    pull, stop = ca.SX.sym("pull", count), ca.SX.sym("stop", count)  # tyre accelerations / 10
    n, slope, bow = (m @ c for m in matrix)
    along = 1 - n * curv
    stretch = ca.sqrt(along**2 + slope**2)
    kappa = (along * (bow + along * curv) + slope * (2 * slope * curv + n * dcurv)) / stretch**3
    grade = (rise + dbank * n + bank * slope) / stretch
    after = ca.vertcat(e[1:], e[0])
    v2 = 50 * (e + after)
    gap = stretch * step
    ahead, behind = ca.vertcat(grade[1:], grade[0]), ca.vertcat(grade[-1], grade[:-1])
    across = bank * along / stretch
    g_n = GRAVITY + v2 * ((ahead - behind) / (2 * gap) - kappa * across)
    side = kappa * v2 + GRAVITY * across
    fade = 1 - kart.load_sense * (g_n / GRAVITY - 1)
    plain = kart.mu_side * g_n * fade
    loss = kart.load_sense * (2 * kart.height / (kart.track * g_n)) ** 2
    side_peak = (ca.sqrt(1 + 4 * loss * plain**2) - 1) / (2 * loss * plain)
    mu = kart.mu_along * fade
    stop_peak = mu * kart.rear_share * g_n / (1 + mu * kart.height / kart.wheelbase)
    pull_peak = mu * kart.rear_share * g_n / (1 - mu * kart.height / kart.wheelbase)
    p, tiny = kart.exponent, 2e-4
    lengthwise = 10 * (pull / pull_peak + stop / stop_peak)
    grip = (lengthwise**2 + tiny) ** (p / 2) + ((side / side_peak) ** 2 + tiny) ** (p / 2)
    drag = 0.6 * kart.cda / kart.mass * v2 + kart.crr * g_n + kart.scrub * side**2
    balance = 50 * (after - e) / gap / 10 - (pull - stop - drag / 10 - GRAVITY * grade / 10)
    v = ca.sqrt(v2)
    fall = 1 - kart.rev_fall * ca.fmax(0, v / kart.rev_speed - 1) ** 2
    engine = 10 * kart.mass * pull * v / kart.power - fall
    time = ca.sum1(2 * gap / (10 * (ca.sqrt(e) + ca.sqrt(after))))
    swing = (ca.vertcat(kappa[1:], kappa[0]) - kappa) / gap
    cost = time + 1.25 * hands_weight(hands) * ca.sum1(swing**2 * gap)
    rows = [balance, grip, engine, n, at_nodes @ c]
    lower = [np.zeros(count), np.full(2 * count, -np.inf), low(mids), low(nodes)]
    upper = [np.zeros(count), np.full(count, NEAR_LIMIT**p), np.zeros(count), high(mids), high(nodes)]
    problem = {"x": ca.vertcat(c, e, pull, stop), "f": cost, "g": ca.vertcat(*rows)}
    options = {
        "ipopt.print_level": 0,
        "print_time": False,
        "ipopt.sb": "yes",
        "ipopt.max_iter": 400,
        "ipopt.tol": 1e-6,
        "ipopt.acceptable_tol": 1e-5,
        "ipopt.mu_strategy": "adaptive",
    }
    solver = ca.nlpsol("line", "ipopt", problem, options)
    middle = (low(np.arange(knots) * length / knots) + high(np.arange(knots) * length / knots)) / 2
    slow = np.full(count, 0.6)
    first = np.concatenate([middle, slow, np.full(count, 0.1), np.full(count, 0.05)])
    least = np.concatenate([np.full(knots, -20.0), np.full(count, 0.04), np.zeros(2 * count)])
    strongest = np.full(count, kart.force_max / kart.mass / 10)
    most = np.concatenate([np.full(knots, 20.0), np.full(count, 25.0), strongest, np.full(count, 3.0)])
    answer = solver(x0=first, lbx=least, ubx=most, lbg=np.concatenate(lower), ubg=np.concatenate(upper))
    if not solver.stats()["success"]:
        raise RuntimeError(f"the search for the line stopped: {solver.stats()['return_status']}")
    coefficients = np.asarray(answer["x"]).ravel()[:knots]
    return _basis(knots, length, road.s, 0) @ coefficients


# ------------------------------------------------------------------------------------------- proof of the line


def lap_times(circuit: Circuit, kart: Kart, offsets: Array, share: float = NEAR_LIMIT) -> Array:
    """Return the lap time [s] of each column of offsets [m]: a forward and a backward pass for all lines together."""
    road = circuit.road
    offsets = offsets.reshape(len(road.s), -1)
    columns = []
    for n in offsets.T:
        s = np.append(road.s, road.length)
        full = CubicSpline(s, np.append(n, n[0]), bc_type="periodic")
        again = np.concatenate([road.s[-6:] - road.length, road.s, road.s[:6] + road.length])
        path = trace(road, again, full(np.mod(again, road.length)))
        columns.append(
            [a[6:-6] for a in (path.kappa, path.grade, path.bank, path.crest, path.stretch)]
            + [corner_speed(kart, path, share)[6:-6]]
        )
    kappa, grade, bank, crest, stretch, top = (np.array(a).T for a in zip(*columns, strict=True))
    gap = (stretch + np.roll(stretch, -1, axis=0)) / 2 * road.length / len(road.s)

    def room(k: int, z: Array) -> tuple[Array, Array, Array]:
        g_n = GRAVITY + z * (crest[k] - kappa[k] * bank[k])
        side = kappa[k] * z + GRAVITY * bank[k]
        used = np.minimum(np.abs(side) / (share * kart.side_peak(g_n)), 1)
        left = share * (1 - used**kart.exponent) ** (1 / kart.exponent)
        return left, g_n, kart.drag(np.sqrt(z), side, g_n) + GRAVITY * grade[k]

    top, n = top**2, len(road.s)
    slow = top.copy()
    begin = int(np.argmin(top[:, 0]))
    z = top[begin]
    for j in range(2 * n):
        k = (begin - 1 - j) % n
        left, g_n, drag = room((k + 1) % n, z)
        z = np.minimum(slow[k], z + 2 * gap[k] * (kart.brake_peak(g_n) * left + drag))
        slow[k] = z
    fast, z = slow.copy(), slow[begin]
    for j in range(2 * n):
        k = (begin + j) % n
        left, g_n, drag = room(k, z)
        force = np.minimum(kart.engine(np.sqrt(z)) / kart.mass, kart.drive_peak(g_n) * left)
        z = np.minimum(fast[(k + 1) % n], np.maximum(z + 2 * gap[k] * (force - drag), 4.0))
        fast[(k + 1) % n] = z
    v = np.sqrt(fast)
    return (2 * gap / (v + np.roll(v, -1, axis=0))).sum(axis=0)
