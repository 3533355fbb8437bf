"""What a kart does beyond rolling down with both pedals up: what tells braking from a lift."""

from __future__ import annotations

import numpy as np

from linelab.grip import Surface, roll_down
from linelab.kart import Kart
from linelab.lap import Lap
from linelab.units import Array

#: A kart that slows by this much more than it does with both pedals up is braked [m/s²].  It is several times what the
#: engine braking and drag of a kart file are off by as a rule (common practice), and a sixth of a full braking.
BRAKED = 1.0


def beyond_rolling(lap: Lap, kart: Kart) -> Array:
    """Acceleration beyond that with both pedals up at this speed, slope and cornering (N,) [m/s²].

    Negative where the kart is braked, positive where it is driven.
    """
    line = lap.line
    ground = Surface(slope=line.slope, bank=line.bank, vertical_curvature=line.vertical_curvature, grip=line.grip)
    return np.asarray(lap.ax + roll_down(kart, lap.v, line.kappa, ground))
