"""Lines laid on a track: from an offset function to a path over the ground."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from linelab.errors import TrackError
from linelab.geometry.curve import curve_at
from linelab.grip import Surface
from linelab.gripfield import grip_at
from linelab.lap import Line
from linelab.solve.kinematics import PathState, path_state, surface_on_path
from linelab.solve.quadrature import POINTS, between, integrated
from linelab.track import Track, along
from linelab.units import Array
from linelab.values import frozen_array, require_increasing


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


def surface_slopes(track: Track) -> tuple[Array, Array]:
    """Derivatives of slope and bank by station (N,) [1/m]."""
    if track.closed:
        step = track.reference.step

        def derivative(values: Array) -> Array:
            wide = np.concatenate([[values[-2]], values, [values[1]]])
            return np.asarray((wide[2:] - wide[:-2]) / (2.0 * step))

        return derivative(track.slope), derivative(track.bank)
    return np.gradient(track.slope, track.s), np.gradient(track.bank, track.s)
