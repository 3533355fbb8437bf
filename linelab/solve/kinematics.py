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

from linelab.grip import Surface


class PathState(NamedTuple):
    """A path relative to its reference line; any array shape, or CasADi expressions."""

    stretch: Any  #: J = path length per station [-]
    kappa: Any  #: path curvature [1/m]
    cos_xi: Any
    sin_xi: Any


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
    return PathState(stretch, (xi1 + kappa_c) / stretch, q / stretch, n1 / stretch)


def surface_on_path(slope: Any, bank: Any, dslope: Any, dbank: Any, path: PathState, grip: Any) -> Surface:
    """Slope, bank and vertical curvature met along the path.

    The ground is taken as a surface whose slope and bank do not vary across the track; its height h has
    h_s = slope, h_n = -bank.  Along a heading xi the slope is h_s cos xi + h_n sin xi, the cross slope follows by
    rotation, and the normal curvature is h_ss cos² xi + 2 h_sn sin xi cos xi (small slopes).
    """
    c, s = path.cos_xi, path.sin_xi
    return Surface(
        slope=slope * c - bank * s,
        bank=bank * c + slope * s,
        vertical_curvature=c * (dslope * c - 2.0 * dbank * s),
        grip=grip,
    )
