"""How the minimum lap time changes with each of the kart's numbers, from the solution's multipliers."""

from __future__ import annotations

import numpy as np

from linelab.grip import SIZE, KartNumbers, unpack
from linelab.solve.mintime import Solution
from linelab.solve.stage import Z_SCALE
from linelab.solve.task import TYPICAL_TIME
from linelab.solve.transcription import parameter_sizes, sensitivity


def time_gradient(solution: Solution) -> KartNumbers:
    """Derivative of the lap time by each of the kart's numbers, line and speed re-optimised.

    By the envelope theorem the optimal time changes with a parameter as the Lagrangian does at the solution
    (A. V. Fiacco, *Introduction to Sensitivity and Stability Analysis in Nonlinear Programming*, 1983, theorem 3.4.1).

    Returns
    -------
    KartNumbers
        dT/d(field) in seconds per the field's own unit: ``mu_y`` [s], ``mass`` [s/kg], ...  ``drag`` holds the mass
        in it, so a change of mass also changes ``drag``; combine the two.
    """
    iterate = solution.iterate
    slope = np.asarray(sensitivity(iterate.structure)(iterate.x, iterate.parameters, iterate.lam_g)).ravel()
    found = unpack(slope * TYPICAL_TIME / iterate.structure.intervals)
    # The top speed is the upper bound of each coefficient of v², and a bound moved a little is worth its multiplier.
    structure = iterate.structure
    held = np.asarray(iterate.lam_x).ravel()[-(structure.intervals if structure.closed else structure.intervals + 2) :]
    first = sum(parameter_sizes(structure)[:2])
    top = 2.0 * float(unpack(iterate.parameters[first : first + SIZE]).top_speed) / Z_SCALE
    by_top = -float(np.maximum(held, 0.0).sum()) * top * TYPICAL_TIME / structure.intervals
    return found._replace(top_speed=found.top_speed + by_top)
