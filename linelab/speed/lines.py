"""Lines laid on a track: a lateral offset n(s) from the reference line as a path, for arrays and CasADi alike.

The path is the curve p(s) = r(s) + n(s)·e_n(s).  With q = 1 - n·kappa_c and primes for d/ds:

    dσ/ds   = J = sqrt(q² + n'²)                       path length per station
    tan xi  = n'/q                                     heading relative to the reference tangent
    kappa   = (xi' + kappa_c)/J,   xi' = (n''·q - n'·q')/J²,   q' = -(n'·kappa_c + n·kappa_c')

which is the path's exact curvature (differentiate tan xi and use dpsi_c/ds = kappa_c); the same relations as
dn/ds = q·tan xi and dxi/ds = q·kappa/cos xi - kappa_c of R. Lot & F. Biral, "A curvilinear abscissa approach for
the lap time optimization of racing vehicles", IFAC Proc. 47(3), 2014, eqs. 3-6, solved for the curvature.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np

from linelab.arrays import frozen_array, require_increasing
from linelab.errors import TrackError
from linelab.geometry.curve import curve_at
from linelab.model.grip import Surface
from linelab.model.grip_field import grip_at
from linelab.model.lap import Line
from linelab.model.track import Track, along
from linelab.speed.grid import POINTS, between, integrated
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


class Offsets(NamedTuple):
    """An offset function sampled at stations, with derivatives by station; all (M,)."""

    s: Array  #: [m]
    n: Array  #: [m]
    n1: Array  #: dn/ds [-]
    n2: Array  #: d²n/ds² [1/m]


def line_on_track(track: Track, s: Array, n: Array, *, half_width: float = 0.0, grip: float = 1.0) -> Line:
    """Path at offsets ``n`` from the reference line.

    Parameters
    ----------
    track : Track
    s : (M,) array
        Stations, increasing [m].  A closed track's line must span exactly one lap (last = first + length).
    n : (M,) array
        Offsets [m]; derivatives are taken by second-order differences, so M should resolve the line.
    half_width : float
        Half the kart's width, which decides when it is on a kerb [m].
    grip : float
        Factor on mu for the whole track (dry 1) [-].

    Returns
    -------
    Line

    Raises
    ------
    InputError, TrackError
        Stations not increasing, or an offset beyond the centre of curvature.
    """
    s = frozen_array("line_on_track", "s", s, shape=(None,))
    n = frozen_array("line_on_track", "n", n, shape=(s.size,))
    require_increasing("line_on_track", "s", s)
    closed = track.closed and abs(s[-1] - s[0] - track.length) < 1e-6 * track.length
    n1 = _derivative(s, n, closed)
    return line_from_offsets(track, Offsets(s, n, n1, _derivative(s, n1, closed)), half_width=half_width, grip=grip)


def reference_line(track: Track, step: float = 1.0, *, half_width: float = 0.0, grip: float = 1.0) -> Line:
    """The track's own reference line, sampled about every ``step`` metres."""
    s = np.linspace(0.0, track.length, max(int(np.ceil(track.length / step)), 8) + 1)
    zero = np.zeros_like(s)
    return line_from_offsets(track, Offsets(s, zero, zero, zero), half_width=half_width, grip=grip)


def line_from_offsets(track: Track, offsets: Offsets, *, half_width: float, grip: float) -> Line:
    """Path of an offset function whose derivatives are known; arguments as :func:`line_on_track`."""
    s, n, n1, n2 = offsets
    at = curve_at(track.reference, s)
    room = 1.0 - n * at.kappa
    if room.min() <= 0.0:
        worst = int(np.argmin(room))
        raise TrackError(
            "the line lies beyond the reference line's centre of curvature",
            station=float(s[worst]),
            remedy="Keep the offset between the edges",
        )
    path = path_state(n, n1, n2, at.kappa, at.dkappa)
    surface = surface_under(track, s, n, path, half_width=half_width, grip=grip)
    closed = track.closed and abs(s[-1] - s[0] - track.length) < 1e-6 * track.length
    return Line(
        distance=_path_length(track, offsets),
        x=at.x - n * np.sin(at.psi),
        y=at.y + n * np.cos(at.psi),
        psi=at.psi + np.arctan2(n1, room),
        kappa=path.kappa,
        s=s,
        n=n,
        **surface._asdict(),
        closed=closed,
    )


def surface_under(track: Track, s: Array, n: Array, path: PathState, *, half_width: float, grip: float) -> Surface:
    """Slope, bank, vertical curvature and grip that a path meets at points (s, n) (M,)."""
    return surface_with(track, s, path, grip * grip_at(track, s, n, half_width))


def surface_with(track: Track, s: Array, path: PathState, grip: Array) -> Surface:
    """:func:`surface_under` with known factors on mu (M,) [-]."""
    slope, bank, dslope, dbank = (
        along(track, values, s) for values in (track.slope, track.bank, *surface_slopes(track))
    )
    return surface_on_path(slope, bank, dslope, dbank, path, grip)


def _derivative(s: Array, values: Array, closed: bool) -> Array:
    """Second-order derivative on a non-uniform grid; wrapped when closed."""
    if not closed:
        return np.asarray(np.gradient(values, s))
    wide = np.concatenate([[values[-2]], values, [values[1]]])
    at = np.concatenate([[s[0] - (s[-1] - s[-2])], s, [s[-1] + (s[1] - s[0])]])
    return np.asarray(np.gradient(wide, at)[1:-1])


def _path_length(track: Track, offsets: Offsets) -> Array:
    """Path length from the first point (M,): Gauss quadrature of J, n interpolated by quintic Hermite polynomials."""
    s, n, n1, n2 = offsets
    value, slope = _quintic(POINTS, np.diff(s)[:, None], n, n1, n2)
    kappa = curve_at(track.reference, between(s)).kappa
    return integrated(s, np.sqrt((1.0 - value * kappa) ** 2 + slope**2))


def _quintic(u: Array, h: Array, n: Array, n1: Array, n2: Array) -> tuple[Array, Array]:
    """Quintic Hermite value and slope inside each interval (M-1, K)."""
    a, b, c = n[:-1, None], h * n1[:-1, None], 0.5 * h * h * n2[:-1, None]
    jump, tilt = n[1:, None] - a - b - c, h * n1[1:, None] - b - 2.0 * c
    bend = h * h * n2[1:, None] - 2.0 * c
    d, e, f = 10 * jump - 4 * tilt + bend / 2, -15 * jump + 7 * tilt - bend, 6 * jump - 3 * tilt + bend / 2
    value = a + u * (b + u * (c + u * (d + u * (e + u * f))))
    slope = (b + u * (2 * c + u * (3 * d + u * (4 * e + 5 * u * f)))) / h
    return value, slope


@lru_cache(maxsize=8)
def surface_slopes(track: Track) -> tuple[Array, Array]:
    """Derivatives of slope and bank by station (N,) [1/m]."""
    slope, bank = (_derivative(track.s, values, track.closed) for values in (track.slope, track.bank))
    return slope, bank
