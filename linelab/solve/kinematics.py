"""Geometry of a path written as a lateral offset n(s) from a reference line, for arrays and CasADi alike.

The path is the curve p(s) = r(s) + n(s)·e_n(s).  With q = 1 - n·kappa_c and primes for d/ds:

    dσ/ds   = J = sqrt(q² + n'²)                       path length per station
    tan xi  = n'/q                                     heading relative to the reference tangent
    kappa   = (xi' + kappa_c)/J,   xi' = (n''·q - n'·q')/J²,   q' = -(n'·kappa_c + n·kappa_c')

which is the path's exact curvature (differentiate tan xi and use dpsi_c/ds = kappa_c); the same relations as
dn/ds = q·tan xi and dxi/ds = q·kappa/cos xi - kappa_c of R. Lot & F. Biral, "A curvilinear abscissa approach for
the lap time optimization of racing vehicles", IFAC Proc. 47(3), 2014, eqs. 3-6, solved for the curvature.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from linelab.grip import Surface
from linelab.units import Array


class PathState(NamedTuple):
    """A path relative to its reference line; any array shape, or CasADi expressions."""

    kappa: Any  #: path curvature [1/m]
    cos_xi: Any
    sin_xi: Any
    rate: Any  #: ds/dσ = 1/J, stations passed per path length [-]
    turn: Any  #: kappa_c ds/dσ, how fast the reference line turns beside it [1/m]


def path_state(n: Any, n1: Any, n2: Any, kappa_c: Any, dkappa_c: Any) -> PathState:
    """Evaluate the relations of the module docstring.

    Parameters
    ----------
    n, n1, n2 : offset [m] and its derivatives by station [-], [1/m]
    kappa_c, dkappa_c : reference curvature [1/m] and its derivative [1/m²]
    """
    q = 1.0 - n * kappa_c
    q1 = -(n1 * kappa_c + n * dkappa_c)
    stretch2 = q * q + n1 * n1
    stretch = stretch2**0.5
    xi1 = (n2 * q - n1 * q1) / stretch2
    return PathState((xi1 + kappa_c) / stretch, q / stretch, n1 / stretch, 1.0 / stretch, kappa_c / stretch)


def path_beside(kappa: Array, xi: Array, n: Array, kappa_c: Array) -> PathState:
    """State of a path of known curvature [1/m] and heading relative to the reference line [rad], at ``n`` [m]."""
    cos = np.cos(xi)
    rate = cos / (1.0 - n * kappa_c)
    return PathState(kappa, cos, np.sin(xi), rate, kappa_c * rate)


def surface_on_path(slope: Any, bank: Any, dslope: Any, dbank: Any, path: PathState, grip: Any) -> Surface:
    """Slope, bank and vertical curvature met along the path.

    The ground is a surface of height h whose bank does not vary across the track: h_n = -bank, and on the reference
    line h_s = slope.  Along a heading xi the slope is slope·cos xi - bank·sin xi, the cross slope follows by rotation.
    The vertical curvature is that slope's derivative along the path.  In it d(slope)/dn = (kappa_c·slope - bank')/q,
    since q·slope and -bank are derivatives of one h, and what turns the heading relative to the reference line,
    dxi/dσ = kappa - kappa_c ds/dσ, turns bank into slope (small slopes).  On a plane kappa·bank and it cancel.
    """
    c, s = path.cos_xi, path.sin_xi
    across = bank * c + slope * s
    return Surface(
        slope=slope * c - bank * s,
        bank=across,
        vertical_curvature=path.rate * (dslope * c - 2.0 * dbank * s)
        + path.turn * slope * s
        - across * (path.kappa - path.turn),
        grip=grip,
    )
