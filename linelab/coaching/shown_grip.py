"""The grip the driver demonstrably had that day: a number of the session that the driver model is fitted with."""

from __future__ import annotations

import math

import numpy as np

from linelab.coaching.diagnosis import Diagnosis
from linelab.coaching.values import ShownGrip
from linelab.comparison.driving import GRIP, SHARE
from linelab.comparison.marks import CornerMarks
from linelab.comparison.measured import Measured, withheld

#: Fewest corners to judge by, and the factors believed.
LEAST_CORNERS, BELIEVED = 3, (0.5, 1.2)
#: What the session's share of the grip may be off by besides the fit's own error [-]: grip under a line is known so
#: well.
ERROR = 0.01


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
            factor=withheld("too few corners are limited by grip to tell how much there was"), low=1.0, high=1.0,
            corners=corners,
        )  # fmt: skip
    low, high = (float(x) for x in np.quantile(np.append(own, share), (0.1, 0.9)))
    low, high = min(low, share), max(high, share)
    if not BELIEVED[0] <= share <= BELIEVED[1]:
        reason = f"the corner speeds would need {share:.2f} times this kart's grip: check the kart and its grip"
        return ShownGrip(factor=withheld(reason), low=low, high=high, corners=corners)
    error = math.hypot(ERROR, math.sqrt(float(found.covariance[SHARE, SHARE])))
    return ShownGrip(
        factor=Measured(share, error), low=low, high=high, corners=corners,
        note=f"from the speed in {len(corners)} corners limited by grip, eight in ten of which show {low:.2f} to "
        f"{high:.2f} of the kart's grip",
    )  # fmt: skip
