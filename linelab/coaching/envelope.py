"""The grip and the engine force that a session shows, as factors on those of the kart file."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np

from linelab.coaching.driven_marks import averaged, push
from linelab.coaching.results import ShownGrip
from linelab.coaching.side_by_side import Sheet
from linelab.diagnosis import priors
from linelab.diagnosis.driver_model import GRIP, SHARE
from linelab.diagnosis.findings import Diagnosis
from linelab.diagnosis.marks import CornerMarks
from linelab.measured import Measured, withheld
from linelab.model.grip import closed_throttle, drive_friction, kart_numbers
from linelab.model.kart import Kart, TorqueEngine
from linelab.units import STANDARD_GRAVITY

#: Fewest corners to judge by, and the factors believed.
LEAST_CORNERS, BELIEVED = 3, (0.5, 1.2)


def shown_grip(diagnosis: Diagnosis | None, marks: tuple[CornerMarks, ...], reason: str) -> ShownGrip:
    """Grip as a factor on the kart's, over all corners that are limited by cornering grip, and corner by corner.

    Where the best possible lap slows for a corner it is at the limit of grip there, ``v² = mu·g/kappa`` (flat ground).
    ``reason`` is why there is no diagnosis.
    """
    if diagnosis is None:
        return ShownGrip(factor=withheld(reason), low=1.0, high=1.0)
    found = diagnosis.explained
    share = float(found.session[SHARE])
    own = share * (1.0 + found.sizes[:, GRIP])
    corners = tuple(
        (marks[k].corner.number, float(own[diagnosis.corner == k].min())) for k in np.unique(diagnosis.corner).tolist()
    )
    if len(corners) < LEAST_CORNERS:
        return ShownGrip(
            factor=withheld("too few corners are limited by grip"), low=1.0, high=1.0,
            corners=corners,
        )  # fmt: skip
    low, high = (float(x) for x in np.quantile(np.append(own, share), (0.1, 0.9)))
    low, high = min(low, share), max(high, share)
    if not BELIEVED[0] <= share <= BELIEVED[1]:
        reason = f"the corner speeds would need {share:.2f} times this kart's grip: check the kart and its grip"
        return ShownGrip(factor=withheld(reason), low=low, high=high, corners=corners)
    error = math.hypot(float(priors.SESSION_ERROR[SHARE]), math.sqrt(float(found.covariance[SHARE, SHARE])))
    return ShownGrip(
        factor=Measured(share, error), low=low, high=high, corners=corners,
        note=f"from the speed in {len(corners)} corners limited by grip; most of them show {low:.2f} to {high:.2f} of "
        "the kart file's grip",
    )  # fmt: skip


#: Quantile over the places where the engine limits that is taken as shown: nobody is on full power everywhere, and the
#: highest values are the luckiest errors.
SHOWN = 0.9
#: Accelerations are averaged over this long to either side [s].
TIME = 0.3
#: The engine limits where it asks for at most this share of the driving grip, above this share of the highest speed.
OF_GRIP, OF_SPEED = 0.5, 0.5
#: Shortest way over which that must hold [m].
LEAST_WAY = 40.0
#: Ranges of speed that an engine's force is read in.
BINS = 8
#: What the engine's share may be off by besides the laps' scatter: simulated sessions show 0.99 to 1.015 [-].
POWER_ERROR = 0.01
#: Shares outside which the kart file is another kart's; karts of a class differ by some per cent (common practice) [-].
NO_FIT = (0.8, 1.25)


def demonstrated_power(sheet: Sheet) -> Measured:
    """Drive force as a factor on the kart file's, from the acceleration on the straights: median of the laps [-].

    Tyre force is what the kart gains beyond rolling, m·(1 + rotating)·(ax - roll), and the kart file says how much of
    it its engine gives at that speed.  It also takes up what the kart file has wrong in mass or drag.
    """
    if not all(np.isfinite(drive.rate) for drive in sheet.driven):
        return Measured(None, None, "the laps are computed, not recorded")
    rows = sheet.laps
    gained = averaged(rows, float(sheet.s[1] - sheet.s[0]), TIME) + (push(rows) - rows.ax)
    held = STANDARD_GRAVITY * float(drive_friction(kart_numbers(sheet.kart), sheet.grip))
    limited = (rows.full < OF_GRIP * held) & (rows.v > OF_SPEED * rows.v.max()) & (rows.full > 0.0)
    way = (limited * rows.stretch).sum(axis=1) * float(sheet.s[1] - sheet.s[0])
    if float(np.median(way)) < LEAST_WAY:
        return Measured(None, None, "no part of the lap is long enough on which only the engine limits the kart")
    shares = [np.quantile(lap[at] / full[at], SHOWN) for lap, full, at in zip(gained, rows.full, limited) if at.any()]
    scatter = float(np.std(shares, ddof=1)) / len(shares) ** 0.5 if len(shares) > 1 else 0.0
    return Measured(float(np.median(shares)), float(np.hypot(scatter, POWER_ERROR)))


def with_shown_engine(sheet: Sheet) -> Kart:
    """The kart with the engine force by speed that the laps show: for a kart file that is another kart's.

    In each range of speed what is reached a tenth of the way: nobody is on full power everywhere.  The force is that at
    the tyres, so the engine turns with the wheels.
    """
    rows, kart = sheet.laps, sheet.kart
    gained = averaged(rows, float(sheet.s[1] - sheet.s[0]), TIME) + (push(rows) - rows.ax)
    force = (gained * float(kart_numbers(kart).inertia) - closed_throttle(kart, rows.v)) * kart.mass
    edges = np.quantile(rows.v, np.linspace(0.02, 1.0, BINS + 1))
    middle = 0.5 * (edges[1:] + edges[:-1])
    within = [(rows.v >= low) & (rows.v <= high) for low, high in pairwise(edges)]
    shown = np.array([np.quantile(force[part], SHOWN) for part in within])
    # A gear's pull falls with speed: what rises again where the kart is faster has not been asked for below.
    shown = np.maximum(np.maximum.accumulate(shown[::-1])[::-1], 1.0)
    top = 1.15 * float(rows.v.max())
    v = np.concatenate([[0.0], middle, [top]])
    radius = 0.5 / math.pi  # of a wheel of a metre's circumference [m]
    engine = TorqueEngine(
        speed=v / radius, torque=np.concatenate([shown[:1], shown, shown[-1:] * middle[-1] / top]) * radius,
        ratios=(1.0,), tyre_circumference=1.0, rev_limit=top / radius, efficiency=1.0,
    )  # fmt: skip
    return replace(kart, engine=engine)


def misfit(power: Measured) -> str:
    """Why the kart file cannot be the kart's; empty where its engine fits or nothing shows."""
    if power.value is None or NO_FIT[0] <= power.value <= NO_FIT[1]:
        return ""
    how = f"{100.0 * abs(power.value - 1.0):.0f} % {'harder' if power.value > 1.0 else 'less'} than"
    how = f"{power.value:.0f} times as hard as" if power.value >= 2.0 else how
    return f"on the straights this kart pulls about {how} the kart file says, so it is probably another class"
