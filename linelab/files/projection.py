"""Longitude and latitude to a local plane about the track, and back.

The plane is an azimuthal equidistant projection of the WGS 84 ellipsoid centred on the track: x points east
and y north at the origin, and distances from the origin are exact geodesics.  Between any two points within
2 km of the origin the plane distance differs from the geodesic by at most 0.02 mm, within 5 km by 0.4 mm and
within 10 km by 2.8 mm (measured against geographiclib at latitude 47°; a transverse Mercator plane is three
times worse).  The plane lies on the ellipsoid: on ground at elevation h [m] real distances are longer by
h / 6.4e6, 16 parts per million each 100 m, which is left uncorrected.

This module is the home of pyproj, loaded only when a function runs.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from linelab.errors import InputError
from linelab.units import Array

if TYPE_CHECKING:
    from pyproj import Proj

Degrees = Array | Sequence[float] | float


@dataclass(frozen=True, kw_only=True, slots=True)
class LocalPlane:
    """A local east-north plane.

    Parameters
    ----------
    origin_lon, origin_lat : float
        Where x = y = 0 [deg], WGS 84.

    Raises
    ------
    InputError
        An origin that is not a place on Earth.
    """

    origin_lon: float
    origin_lat: float

    def __post_init__(self) -> None:
        lon, lat = self.origin_lon, self.origin_lat
        if not (-180.0 <= lon <= 180.0 and -90.0 <= lat <= 90.0):
            raise InputError(
                f"longitude {lon:g}, latitude {lat:g} is not a place on Earth",
                where="origin",
                remedy="Give degrees, longitude first",
            )


def to_plane(plane: LocalPlane, lon: Degrees, lat: Degrees) -> tuple[Array, Array]:
    """Project longitude and latitude to the plane.

    Parameters
    ----------
    plane : LocalPlane
    lon, lat : array_like
        Same shape [deg].

    Returns
    -------
    x, y : array
        East and north of the origin [m].

    Raises
    ------
    InputError
        A point that cannot be projected (not finite, or a latitude beyond 90°).
    """
    lon_array, lat_array = np.asarray(lon, dtype=np.float64), np.asarray(lat, dtype=np.float64)
    bad = ~(np.isfinite(lon_array) & (np.abs(lat_array) <= 90.0))
    if np.any(bad):
        index = int(np.flatnonzero(np.atleast_1d(bad))[0])
        raise InputError(
            f"point {index} has no usable longitude and latitude", remedy="Check the order: longitude first"
        )
    x, y = _projection(plane.origin_lon, plane.origin_lat)(lon_array, lat_array)
    return np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)


def on_plane(points: Array, plane: LocalPlane) -> Array:
    """Points (K, 2 or 3) of longitude, latitude [deg] and perhaps elevation [m] in the plane [m]."""
    x, y = to_plane(plane, points[:, 0], points[:, 1])
    return np.column_stack([x, y, *points[:, 2:].T])


def to_lonlat(plane: LocalPlane, x: Degrees, y: Degrees) -> tuple[Array, Array]:
    """Longitude and latitude [deg] of plane points x, y [m] (same shape); the inverse of :func:`to_plane`."""
    x_array, y_array = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    lon, lat = _projection(plane.origin_lon, plane.origin_lat)(x_array, y_array, inverse=True)
    return np.asarray(lon, dtype=np.float64), np.asarray(lat, dtype=np.float64)


def plane_about(lon: Degrees, lat: Degrees) -> LocalPlane:
    """Return a plane centred on the middle of the points' extent, rounded to 1e-6 deg so that it reads well.

    Points on both sides of the 180° meridian are handled.
    """
    lon_array, lat_array = np.asarray(lon, dtype=np.float64), np.asarray(lat, dtype=np.float64)
    first = float(lon_array.flat[0])
    around = np.mod(lon_array - first + 180.0, 360.0) - 180.0
    middle = first + (float(around.min()) + float(around.max())) / 2.0
    return LocalPlane(
        origin_lon=round((middle + 180.0) % 360.0 - 180.0, 6),
        origin_lat=round((float(lat_array.min()) + float(lat_array.max())) / 2.0, 6),
    )


#: Code of longitude and latitude on WGS 84 in the EPSG register.
WGS84 = 4326


def grid_code(text: str) -> int:
    """Number in the EPSG register of a coordinate system as people name it; 4326 for longitude and latitude.

    Parameters
    ----------
    text : str
        "EPSG:25832", "25832", "UTM 32N", "33S", "lon/lat".

    Raises
    ------
    InputError
        Something else.

    References
    ----------
    EPSG Geodetic Parameter Dataset: 32601 to 32660 and 32701 to 32760 are UTM zones on WGS 84, north and south.
    """
    plain = re.sub(r"[^a-z0-9]+", "", text.lower())
    if plain in ("lonlat", "wgs84", "longitudelatitude"):
        return WGS84
    if zone := re.fullmatch(r"(?:utm)?(?:zone)?(\d{1,2})([ns])", plain):
        if 1 <= int(zone[1]) <= 60:
            return (32600 if zone[2] == "n" else 32700) + int(zone[1])
    elif code := re.fullmatch(r"(?:epsg)?(\d{4,6})", plain):
        return int(code[1])
    raise InputError(
        f"'{text}' names no coordinate system",
        where="coordinate system",
        remedy="Give its EPSG number, such as EPSG:25832, or a zone, such as UTM 32N",
    )


def from_grid(code: int, x: Degrees, y: Degrees) -> tuple[Array, Array]:
    """Longitude and latitude [deg] of points in a coordinate system of the EPSG register.

    Parameters
    ----------
    code : int
        Number in the EPSG register.
    x, y : array_like
        Same shape, in the system's unit: east before north, or longitude before latitude, whatever the register says.

    Raises
    ------
    InputError
        There is no such system, it cannot be related to the Earth, or a point lies where it does not hold.
    """
    to_degrees = _from_grid(code)
    lon, lat = to_degrees(np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64))
    lon_array, lat_array = np.asarray(lon, dtype=np.float64), np.asarray(lat, dtype=np.float64)
    if not (np.isfinite(lon_array).all() and (np.abs(lat_array) <= 90.0).all()):
        raise InputError(
            f"a point lies where EPSG:{code} does not hold", where="coordinate system",
            remedy="Check the numbers and their order: east before north",
        )  # fmt: skip
    return lon_array, lat_array


@lru_cache(maxsize=8)
def _from_grid(code: int) -> Callable[[Array, Array], tuple[Array, Array]]:
    from pyproj import CRS, Transformer, network
    from pyproj.exceptions import ProjError

    network.set_network_enabled(False)  # type: ignore[attr-defined]  # nothing is fetched: shifts between data that need a grid are left out
    try:
        system = CRS.from_epsg(code)
        if system.is_geocentric or not (system.is_projected or system.is_geographic):
            raise ProjError("no system of places on the map")
        found = Transformer.from_crs(system, WGS84, always_xy=True).transform
    except ProjError as error:
        raise InputError(
            f"EPSG:{code} is no coordinate system that is known here", where="coordinate system",
            remedy="Look the number up where the picture comes from",
        ) from error  # fmt: skip
    return found


@lru_cache(maxsize=32)
def _projection(lon: float, lat: float) -> Proj:
    from pyproj import Proj

    return Proj(proj="aeqd", lon_0=lon, lat_0=lat, ellps="WGS84")
