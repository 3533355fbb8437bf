"""The local plane against an independent geodesic library and published geodesics (CHECKS 19 and 20)."""

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from linelab.errors import InputError
from linelab.files.projection import LocalPlane, plane_about, to_lonlat, to_plane

WGS84 = Geodesic.WGS84


def dms(degrees: float, minutes: float, seconds: float) -> float:
    return np.sign(degrees) * (abs(degrees) + minutes / 60.0 + seconds / 3600.0)


@pytest.mark.parametrize("lat0", [-65.0, 0.0, 10.3, 47.1, 80.0])
def test_plane_distances_match_geodesics_to_1_mm_over_2_km(lat0: float) -> None:
    # Independent reference: geographiclib (Karney, Algorithms for geodesics, J. Geodesy 87:43, 2013).
    rng = np.random.default_rng(7)
    points = [WGS84.Direct(lat0, 12.0, a, d) for a, d in zip(rng.uniform(0, 360, 30), rng.uniform(200, 2000, 30))]
    x, y = to_plane(
        LocalPlane(origin_lon=12.0, origin_lat=lat0), [p["lon2"] for p in points], [p["lat2"] for p in points]
    )
    worst = 0.0
    for i, p in enumerate(points):
        for j, q in enumerate(points[:i]):
            geodesic = WGS84.Inverse(p["lat2"], p["lon2"], q["lat2"], q["lon2"])["s12"]
            worst = max(worst, abs(geodesic - float(np.hypot(x[i] - x[j], y[i] - y[j]))))
    assert worst < 1e-3


def test_axes_point_east_and_north() -> None:
    for azimuth in (0.0, 37.0, 90.0, 200.0):
        p = WGS84.Direct(47.0, 12.0, azimuth, 1500.0)
        x, y = to_plane(LocalPlane(origin_lon=12.0, origin_lat=47.0), p["lon2"], p["lat2"])
        assert x == pytest.approx(1500.0 * np.sin(np.radians(azimuth)), abs=1e-4)
        assert y == pytest.approx(1500.0 * np.cos(np.radians(azimuth)), abs=1e-4)


def test_there_and_back() -> None:
    plane = LocalPlane(origin_lon=-101.5, origin_lat=-33.0)
    rng = np.random.default_rng(3)
    x, y = rng.uniform(-3000, 3000, (2, 200))
    x2, y2 = to_plane(plane, *to_lonlat(plane, x, y))
    assert np.max(np.hypot(x2 - x, y2 - y)) < 1e-6


def test_published_geodesics() -> None:
    # Vincenty's line as printed by Geoscience Australia: 54972.271 m, 306°52'05.37" (last digits half a unit).
    lat1, lon1 = dms(-37, 57, 3.72030), dms(144, 25, 29.52440)
    lat2, lon2 = dms(-37, 39, 10.15610), dms(143, 55, 35.38390)
    x, y = to_plane(LocalPlane(origin_lon=lon1, origin_lat=lat1), lon2, lat2)
    assert np.hypot(x, y) == pytest.approx(54972.271, abs=5e-4)
    azimuth = np.degrees(np.arctan2(x, y)) % 360.0
    assert azimuth == pytest.approx(dms(306, 52, 5.37), abs=0.005 / 3600.0)
    # Karney, GeographicLib documentation: (40.6, -73.8) to (49 01'N, 2 33'E), 5853226 m.
    x, y = to_plane(LocalPlane(origin_lon=-73.8, origin_lat=40.6), 2.55, 49.01666667)
    assert np.hypot(x, y) == pytest.approx(5853226.0, abs=0.5)


def test_metres_per_degree_at_45() -> None:
    # WGS 84 metres per degree at latitude 45: 111131.777 (lat), 78846.835 (lon); CHECKS 20.
    plane = LocalPlane(origin_lon=0.0, origin_lat=45.0)
    h = 1e-4
    _, north = to_plane(plane, [0.0, 0.0], [45.0 - h, 45.0 + h])
    east, _ = to_plane(plane, [-h, h], [45.0, 45.0])
    assert (north[1] - north[0]) / (2 * h) == pytest.approx(111131.777, abs=0.001)
    assert (east[1] - east[0]) / (2 * h) == pytest.approx(78846.835, abs=0.001)


def test_plane_about_crosses_the_180_meridian() -> None:
    plane = plane_about([179.99, -179.99], [-17.0, -17.0])
    assert abs(plane.origin_lon) == pytest.approx(180.0)
    x, _ = to_plane(plane, [179.99, -179.99], [-17.0, -17.0])
    assert x[0] == pytest.approx(-x[1], abs=1e-6)
    assert x[1] == pytest.approx(1064.7, abs=1.0)  # 0.01 deg at 17 S


@pytest.mark.parametrize(("lon", "lat"), [(181.0, 0.0), (0.0, 91.0), (float("nan"), 0.0)])
def test_impossible_origin_is_refused(lon: float, lat: float) -> None:
    with pytest.raises(InputError, match="not a place on Earth"):
        LocalPlane(origin_lon=lon, origin_lat=lat)


def test_unusable_point_is_named() -> None:
    with pytest.raises(InputError, match="point 1"):
        to_plane(LocalPlane(origin_lon=0.0, origin_lat=0.0), [0.0, 0.0], [0.0, 95.0])
