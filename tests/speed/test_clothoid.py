"""The clothoid, whose curvature grows evenly with its length, against Fresnel's integrals.

CHECKS 23: C(1) = 0.779893, S(1) = 0.438259 (scipy.special.fresnel, itself after NIST DLMF, chapter 7).
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.special import fresnel
from staged import bare_kart, flat_line

from linelab.geometry.curve import Curve, curve_at
from linelab.geometry.frenet import xy_to_sn
from linelab.optimum.line_profile import speed_profile
from linelab.optimum.verify import simulate

SCALE = 30.0  #: length of the clothoid [m]; it turns through a quarter from a straight to a radius of 9.5 m


def clothoid(count: int) -> Curve:
    """Curvature πs/SCALE², tabulated at so many stations."""
    s = np.linspace(0.0, SCALE, count)
    sine, cosine = fresnel(s / SCALE)
    return Curve(
        s=s,
        x=SCALE * cosine,
        y=SCALE * sine,
        psi=0.5 * np.pi * (s / SCALE) ** 2,
        kappa=np.pi * s / SCALE**2,
        dkappa=np.full(count, np.pi / SCALE**2),
        closed=False,
    )


def test_the_printed_values():
    sine, cosine = fresnel(1.0)
    assert (round(cosine, 6), round(sine, 6)) == (0.779893, 0.438259)


def test_a_curve_between_its_stations():
    """As tightly as its documentation says: h⁴/384 times the fourth derivative, below 1e-3/m³ here."""
    s = np.linspace(0.0, SCALE, 997)
    sine, cosine = fresnel(s / SCALE)
    at = curve_at(clothoid(121), s)
    assert np.hypot(at.x - SCALE * cosine, at.y - SCALE * sine).max() < 0.25**4 / 384.0 * 2e-3
    np.testing.assert_allclose(at.psi, 0.5 * np.pi * (s / SCALE) ** 2, atol=1e-9)
    np.testing.assert_allclose(at.kappa, np.pi * s / SCALE**2, atol=1e-12)


def test_points_beside_it_are_put_on_their_station_and_offset():
    curve = clothoid(121)
    s = np.linspace(0.5, SCALE - 0.5, 61)
    n = 2.0 * np.sin(s)
    sine, cosine = fresnel(s / SCALE)
    psi = 0.5 * np.pi * (s / SCALE) ** 2
    found_s, found_n = xy_to_sn(curve, SCALE * cosine - n * np.sin(psi), SCALE * sine + n * np.cos(psi))
    np.testing.assert_allclose(found_s, s, atol=1e-6)
    np.testing.assert_allclose(found_n, n, atol=1e-6)


@pytest.mark.parametrize("count", [76, 301])
def test_the_simulation_drives_it(count):
    """From curvature and acceleration alone, simulated in time, the kart arrives where Fresnel's integrals say."""
    curve = clothoid(count)
    line = flat_line(curve.s, curve.kappa)
    lap = speed_profile(line, bare_kart(1.0), v_start=12.0)

    placed = dataclasses.replace(line, x=curve.x, y=curve.y, psi=curve.psi)
    time, off = simulate(dataclasses.replace(lap, line=placed))
    assert off < {76: 2e-6, 301: 1e-8}[count]
    assert time > SCALE / lap.v.max()
