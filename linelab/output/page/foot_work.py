"""What the feet do along each lap and how much of the grip is used: by the tests that the marks of corners go by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linelab.coaching.driven_marks import averaged, pedals
from linelab.coaching.results import Review
from linelab.coaching.side_by_side import Rows, computed_rows, session_sheet
from linelab.diagnosis.marks import by_hand
from linelab.diagnosis.received import as_seen
from linelab.measured import for_few
from linelab.model.grip import Surface, grip_share, kart_numbers, loads, tyre_longitudinal
from linelab.model.kart import Kart
from linelab.units import Array


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class FootWork:
    """Pedals and grip at stations (N,) [m], for laps (L, N) and for the target (N,).

    Parameters
    ----------
    power, brake : (L, N) array
        Share of the laps as likely as the recorded one on which that pedal is down [-]: 1 where it is certain.
    grip, grip_sigma : (L, N) array
        Share of the g-g diagram at that place, and its standard deviation [-].
    ax, ay, ax_sigma, ay_sigma : (L, N) array
        Acceleration along and across (positive left), and standard deviations [m/s²].
    target_power, target_brake, target_grip, target_ax, target_ay : (N,) array
    factor : float
        On the kart's grip, of the day [-].
    no_feet, no_grip, no_gg : str
        Why they are withheld; empty where they are not.
    no_limits : str
        Why the accelerations are not held against what the kart can do.
    """

    s: Array
    power: Array
    brake: Array
    grip: Array
    grip_sigma: Array
    ax: Array
    ay: Array
    ax_sigma: Array
    ay_sigma: Array
    target_power: Array
    target_brake: Array
    target_grip: Array
    target_ax: Array
    target_ay: Array
    factor: float
    no_feet: str
    no_grip: str
    no_gg: str
    no_limits: str


def foot_work(review: Review) -> FootWork:
    """Pedals and grip of all laps of a review, and of its target as the same receiver would have shown it."""
    driven, kart = [lap.comparison.driven for lap in review.laps], review.kart
    factor = 1.0 if review.solution is None else review.solution.grip
    sheet = session_sheet(review.track, kart, driven, grip=factor)
    step, per_lap = float(sheet.s[1] - sheet.s[0]), 1 + sheet.per_lap
    aim = as_seen(review.track, review.target.lap, driven[0]) if review.target.computed else review.target.lap
    aims = computed_rows(sheet, [aim])
    ground = Surface(*(np.interp(sheet.s, aim.line.s, getattr(aim.line, name)) for name in Surface._fields))
    many = Surface(*(np.repeat(np.asarray(values), sheet.per_lap, axis=0) for values in sheet.surface))

    def by_lap(laps: Array, draws: Array) -> Array:
        """Each lap with its draws (L, 1 + K, N)."""
        return np.concatenate([laps[:, None], draws.reshape(sheet.count, sheet.per_lap, sheet.s.size)], axis=1)

    feet = [by_lap(*pair) for pair in zip(*(_feet(rows, step) for rows in (sheet.laps, sheet.draws)))]
    shares = by_lap(_grip(sheet.laps, sheet.surface, kart, step), _grip(sheet.draws, many, kart, step))
    moved = [by_lap(*pair) for pair in zip(*(_accelerations(rows, step) for rows in (sheet.laps, sheet.draws)))]

    def spread(values: Array) -> Array:
        """Standard deviation of each lap's draws about it (L, N)."""
        if per_lap == 1:
            return 0.0 * values[:, 0]
        return np.asarray(for_few(per_lap - 1) * np.sqrt(np.mean((values[:, 1:] - values[:, :1]) ** 2, axis=1)))

    why = dict(review.withheld)
    few = "" if per_lap > 1 else "laps without a recording have no uncertainty"
    target_power, target_brake = (mask[0] for mask in _feet(aims, step))
    target_ax, target_ay = _accelerations(aims, step)
    return FootWork(
        s=sheet.s, power=feet[0].mean(axis=1), brake=feet[1].mean(axis=1),
        grip=shares[:, 0], grip_sigma=spread(shares),
        ax=moved[0][:, 0], ay=moved[1][:, 0], ax_sigma=spread(moved[0]), ay_sigma=spread(moved[1]),
        target_power=target_power, target_brake=target_brake, target_grip=_grip(aims, ground, kart, step)[0],
        target_ax=target_ax[0], target_ay=target_ay[0], factor=factor,
        no_feet=why.get("feet", ""), no_grip=why.get("corner speed", "") or few,
        no_gg=why.get("feet", "") or few, no_limits=why.get("corner speed", ""),
    )  # fmt: skip


def _feet(rows: Rows, step: float) -> tuple[Array, Array]:
    """Where the kart is driven and where it is braked (R, N), as the marks of corners have it."""
    if not rows.v.size:
        return rows.v, rows.v
    driven, braked = pedals(averaged(rows, step) - rows.roll, rows.full, step)
    return driven.astype(np.float64), braked.astype(np.float64)


def _accelerations(rows: Rows, step: float) -> tuple[Array, Array]:
    """Accelerations along and across (R, N) as a foot and a hand make them [m/s²]."""
    if not rows.v.size:
        return rows.v, rows.v
    return averaged(rows, step), by_hand(rows.kappa, step) * rows.v**2


def _grip(rows: Rows, ground: Surface, kart: Kart, step: float) -> Array:
    """Share of the g-g diagram (R, N), from speed and curvature as a foot and a hand make them."""
    if not rows.v.size:
        return rows.v
    numbers = kart_numbers(kart)
    load = loads(numbers, rows.v**2, by_hand(rows.kappa, step), ground)
    return grip_share(numbers, load, tyre_longitudinal(numbers, load, averaged(rows, step)), ground.grip)
