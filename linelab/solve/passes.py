"""Runs the forward and backward passes: a compiled scan for a single lap, arrays of laps for many.

Both run the same step (:mod:`linelab.solve.reach`).  A pass is sequential along the lap, so a lap alone is
done by a CasADi virtual-machine scan, and many laps side by side in NumPy, one vector operation for all of them.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from linelab.grip import KartNumbers
from linelab.solve.road import Passes, Road
from linelab.solve.rows import Many
from linelab.solve.scan import One
from linelab.units import Array

#: From this many laps on, NumPy across laps is faster than one scan after the other (measured).
MANY = 96


def run_passes(kart: KartNumbers, road: Road, *, closed: bool, first: Array | None = None) -> Passes:
    """Forward then backward pass over L laps.

    Parameters
    ----------
    kart : KartNumbers
    road : Road
        Closed laps are cut at their lowest limit and driven on until they meet themselves.
    closed : bool
    first : (L,) array or None
        v² at the first node; None for the limit itself.

    Returns
    -------
    Passes
    """
    blank = [np.empty_like(road.limit) for _ in range(4)]
    passes = Passes(*blank)
    start = road.limit[0] if first is None else np.minimum(first, road.limit[0])
    driver = (One if road.limit.shape[1] == 1 else Many)(kart, road, passes)
    with np.errstate(divide="ignore", invalid="ignore"):
        _rounds(driver.forward, start, passes.forward, -1, closed)
        _rounds(driver.backward, passes.forward[-1], passes.z, 0, closed)
    return passes


def _rounds(run: Callable[[Array, bool], None], start: Array, z: Array, end: int, closed: bool) -> None:
    """One pass, and for closed laps again from where it ended until nothing changes any more."""
    run(start, False)
    for _ in range(30 if closed else 0):
        last, begun = z[end], z[-1 - end]
        if (np.abs(last - begun) <= 1e-7 * last).all():
            break
        run(np.minimum(last, begun), True)
