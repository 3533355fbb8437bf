"""The grip and the engine force that a session shows, as factors on those of the kart file."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from linelab.coaching.results import DriverNumbers, ShownGrip
from linelab.coaching.side_by_side import Sheet
from linelab.diagnosis import priors
from linelab.diagnosis.driver_model import GRIP, SHARE
from linelab.diagnosis.findings import Diagnosis
from linelab.diagnosis.marks import CornerMarks
from linelab.files.kart_file import load_kart
from linelab.fitted.kart_fit import fit_kart
from linelab.measured import TO_95, Measured, withheld
from linelab.model.kart import Kart

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


def driver_numbers(diagnosis: Diagnosis | None, shown: ShownGrip, power: Measured, laps: int) -> DriverNumbers | None:
    """What a session shows of its driver besides his habits; None without a diagnosis.

    They are not to be used where the grip is not known or the kart file is another kart's: what that has wrong would be
    the driver's.
    """
    if diagnosis is None:
        return None
    found = diagnosis.explained
    return DriverNumbers(
        values=found.session, errors=np.sqrt(np.diag(found.covariance)), lasting=priors.SESSION_ERROR, laps=laps,
        reason=misfit(power) or ("" if shown.factor.known else shown.factor.reason),
    )  # fmt: skip


#: Shares outside which the kart file is another kart's; karts of a class differ by some per cent (common practice) [-].
NO_FIT = (0.8, 1.25)


class ShownEngine(NamedTuple):
    """The engine that the laps show."""

    #: Full-throttle force as a factor on the kart file's (:func:`linelab.model.engine.with_force`) [-]; it also takes
    #: up what the kart file has wrong in mass or drag.
    power: Measured
    #: The file's kart with the force by speed that the laps show: for a kart file that is another kart's.
    kart: Kart
    #: The nearest bundled class; empty where the kart file is that class's, or nothing shows.
    nearest: str = ""


def shown_engine(sheet: Sheet) -> ShownEngine:
    """The engine of the laps, by a fit from the kart file on."""
    if not all(np.isfinite(drive.rate) for drive in sheet.driven):
        return ShownEngine(Measured(None, None, "the laps are computed, not recorded"), sheet.kart)
    fitted = fit_kart(sheet.driven, sheet.kart)
    nearest = "" if load_kart(fitted.nearest) == sheet.kart else fitted.nearest
    return ShownEngine(fitted.power, fitted.pulled(), nearest)


def misfit(power: Measured) -> str:
    """Why the kart file cannot be the kart's; empty where its engine may fit or nothing shows."""
    if power.value is None:
        return ""
    half = TO_95 * (power.sigma or 0.0)
    if power.value + half >= NO_FIT[0] and power.value - half <= NO_FIT[1]:
        return ""
    how = f"{100.0 * abs(power.value - 1.0):.0f} % {'harder' if power.value > 1.0 else 'less'} than"
    how = f"{power.value:.0f} times as hard as" if power.value >= 2.0 else how
    return f"on the straights this kart pulls about {how} the kart file says, so it is probably another class"


def fit_offer(power: Measured, nearest: str, recording: str = "RECORDING") -> tuple[str, str]:
    """What to do about a kart file that cannot be the kart's: in short, and how to keep it; empty where it fits."""
    if not misfit(power):
        return "", ""
    named = nearest and f"; the nearest bundled class is {nearest}"
    return (
        f"without --kart a kart is fitted to the recording{named}",
        f"to keep the fitted kart in a file: linelab kart --from {recording} --save my_kart.toml",
    )
