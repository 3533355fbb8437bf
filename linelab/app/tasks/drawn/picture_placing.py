"""Pictures from above put in their place under a drawing: by two known points, a world file, or GeoTIFF tags.

The answer is always six numbers ``[a, b, c, d, e, f]``: pixel (u, v), counted from the picture's upper left corner to
the right and down, lies at x = a u + c v + e, y = b u + d v + f in the drawing's plane [m].

References
----------
OGC 19-008r4, GeoTIFF Standard 1.1 (tags 33550, 33922, 34264, 34735; keys 1024, 1025, 2048, 3072).
World files: six lines, the size of a pixel and its turn, and the place of the middle of the upper left pixel.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from linelab.app.library import Library
from linelab.errors import InputError
from linelab.files.projection import WGS84, LocalPlane, from_grid, grid_code, plane_about, to_plane
from linelab.units import Array

Step = Callable[[str], None]

#: A picture farther from the drawing than this is of another place [m].
_ELSEWHERE = 20_000.0
#: Pixels of a picture that shows one track: from a close drone to a satellite [m].
_PIXELS = (0.001, 10.0)
#: Pixels that a TIFF may have; one of more than _SHOWN_SIDE a side is made smaller for the browser.
_MOST_PIXELS, _SHOWN_SIDE = 300_000_000, 6000
#: In a world file without a stated system, a pixel smaller than this is degrees and not metres.
_DEGREES = 1e-3


def place_picture(folder: Path, given: dict[str, Any], step: Step) -> dict[str, Any]:
    """Where a picture lies.

    Parameters
    ----------
    given : dict
        ``how``: "points", "distance" or "world".  ``size``: the picture's width and height [pixels].  ``origin``: of
        the drawing's plane, or None.  ``fixed``: True where shapes are to stay where they are, and so must the plane.
        For points: ``pixels`` [[u, v], [u, v]], ``known`` [[x, y], [x, y]]; for a distance: ``pixels``, ``metres``
        and ``middle``, where the picture's middle is now;
        for a world file: ``numbers``, six.  ``system``: the coordinate system's name, empty for metres of a plan.

    Returns
    -------
    dict
        ``matrix``, ``origin`` (None for a plan), ``pixel`` (its size [m]), ``turned`` [deg], ``note``.
    """
    width, height = (float(value) for value in given["size"])
    if given["how"] == "distance":
        return _by_distance(given)
    corners = np.array([[0.0, 0.0], [width, 0.0], [0.0, height], [width, height], [width / 2.0, height / 2.0]])
    system = str(given.get("system", "")).strip()
    if given["how"] == "world":
        numbers = _six_numbers(given["numbers"])
        if not system and max(abs(numbers[0]), abs(numbers[1])) < _DEGREES:
            system = "lon/lat"
        if system:
            plane, places = _on_plane(_applied(_from_world(numbers), corners), system, given)
            return _answer(*_fitted(corners, places), plane)
        matrix = _from_world(numbers)
    else:
        pixels, known = _points(given["pixels"]), _points(given["known"])
        if system:
            plane, places = _on_plane(known, system, given)
            return _answer(_similar(pixels, places), 0.0, plane)
        matrix = _similar(pixels, known)
    _refuse_real(given)
    return _answer(matrix, 0.0, None)


def read_tiff(folder: Path, given: dict[str, Any], step: Step) -> dict[str, Any]:
    """Turn an uploaded TIFF into a PNG beside a drawing, and read where it lies from its tags.

    Returns
    -------
    dict
        ``file``, ``size``, and, where the tags say it, ``numbers`` (as of a world file) and ``system``.
    """
    from PIL import Image, UnidentifiedImageError

    library, file = Library(folder), Path(given["file"])
    target = library.path("drawing", given["name"]).with_name(f"{given['name']}.picture.png")
    Image.MAX_IMAGE_PIXELS = _MOST_PIXELS // 2  # PIL refuses twice as many, before it takes their memory
    step("reading the picture")
    try:
        with Image.open(file, formats=["TIFF"]) as picture:
            tags = {number: picture.tag_v2.get(number) for number in (33550, 33922, 34264, 34735)}  # type: ignore[attr-defined]
            full = picture.size
            shown = _eight_bits(picture)
            shown.thumbnail((_SHOWN_SIDE, _SHOWN_SIDE))
            made = target.with_name(f".{target.name}")
            shown.save(made, format="PNG")
            made.replace(target)
    except (UnidentifiedImageError, Image.DecompressionBombError, OSError, ValueError, SyntaxError) as error:
        raise InputError(
            f"this TIFF cannot be read ({error})", where=given["title"], remedy="Save it as PNG with a world file"
        ) from error
    finally:
        file.unlink(missing_ok=True)
    found: dict[str, Any] = {"file": target.name, "size": list(shown.size)}
    raster = _from_tags(tags)
    if raster is not None:
        share = np.array([full[0] / shown.size[0], full[1] / shown.size[1]])
        a, b, c, d, e, f = raster
        scaled = [a * share[0], b * share[0], c * share[1], d * share[1]]
        middle = [e + 0.5 * (scaled[0] + scaled[2]), f + 0.5 * (scaled[1] + scaled[3])]
        found |= {"numbers": [*scaled, *middle], "system": _system_of(tags[34735])}
    return found


def _eight_bits(picture: Any) -> Any:
    """The picture in colours that every browser shows; more than eight bits a colour are scaled to the range in use."""
    if picture.mode in ("I;16", "I;16B", "I;16L", "I", "F"):
        values = np.asarray(picture, dtype=np.float64)
        low, high = np.percentile(values, [0.5, 99.5])
        from PIL import Image

        return Image.fromarray(np.clip(255.0 * (values - low) / max(high - low, 1e-9), 0.0, 255.0).astype(np.uint8))
    return picture.convert("RGBA" if "A" in picture.getbands() else "RGB")


def _from_tags(tags: dict[int, Any]) -> list[float] | None:
    """Pixel corner to map by the tags; None where they do not say it."""
    scale, tie, full, keys = (tags[number] for number in (33550, 33922, 34264, 34735))
    if full is not None and len(full) == 16:
        found = [full[0], full[4], full[1], full[5], full[3], full[7]]
    elif scale is not None and tie is not None and len(tie) >= 6 and len(scale) >= 2:
        found = [scale[0], 0.0, 0.0, -scale[1], tie[3] - tie[0] * scale[0], tie[4] + tie[1] * scale[1]]
    else:
        return None
    if _key(keys, 1025) == 2:  # the tie is the middle of a pixel
        found[4] -= 0.5 * (found[0] + found[2])
        found[5] -= 0.5 * (found[1] + found[3])
    return [float(value) for value in found]


def _key(keys: Any, number: int) -> int:
    """A short value of the directory of keys, 0 where there is none."""
    rows = np.array(keys or [], dtype=np.int64)
    rows = rows[: rows.size // 4 * 4].reshape(-1, 4)
    found = rows[1:][(rows[1:, 0] == number) & (rows[1:, 1] == 0)]
    return int(found[0, 3]) if len(found) else 0


def _system_of(keys: Any) -> str:
    """Name of the coordinate system of the keys; empty where they give no code of the EPSG register."""
    code = _key(keys, 3072) or (_key(keys, 2048) if _key(keys, 1024) == 2 else 0)
    return f"EPSG:{code}" if 1024 <= code < 32767 else ""


def _six_numbers(given: Any) -> list[float]:
    """The numbers of a world file: its text, or six numbers."""
    words = re.split(r"\s+", given.strip()) if isinstance(given, str) else list(given)
    try:
        numbers = [float(str(word).replace(",", ".")) for word in words]
        assert len(numbers) == 6
        assert all(math.isfinite(value) for value in numbers)
    except (ValueError, AssertionError):
        raise InputError(
            f"a world file has six numbers, this has {len(words)} words", where="world file",
            remedy="Use the file that came with the picture, or place it by two points",
        ) from None  # fmt: skip
    return numbers


def _from_world(numbers: list[float]) -> list[float]:
    """Pixel corner to map; a world file speaks of the middle of the first pixel."""
    a, b, c, d, e, f = numbers
    return [a, b, c, d, e - 0.5 * (a + c), f - 0.5 * (b + d)]


def _points(given: Any) -> Array:
    try:
        points = np.array(given, dtype=np.float64)
        assert points.shape == (2, 2)
        assert np.isfinite(points).all()
    except (ValueError, TypeError, AssertionError):
        raise InputError("two points with two numbers each are needed", where="picture", remedy="Give both") from None
    return points


def _applied(matrix: list[float], points: Array) -> Array:
    a, b, c, d, e, f = matrix
    return np.column_stack([a * points[:, 0] + c * points[:, 1] + e, b * points[:, 0] + d * points[:, 1] + f])


def _similar(pixels: Array, places: Array) -> list[float]:
    """The turn, scale and shift that take two pixels to two places; a picture is seen from above, never mirrored."""
    on_picture = complex(*(pixels[1] - pixels[0]) * [1.0, -1.0])
    if abs(on_picture) < 2.0:
        raise InputError("the two points are the same on the picture", where="picture", remedy="Choose distant points")
    factor = complex(*(places[1] - places[0])) / on_picture
    if abs(factor) == 0.0:
        raise InputError("the two points have the same coordinates", where="picture", remedy="Correct one of them")
    a, b = factor.real, factor.imag
    (u, v), (x, y) = pixels[0], places[0]
    return [a, b, b, -a, float(x - a * u - b * v), float(y - b * u + a * v)]


def _fitted(pixels: Array, places: Array) -> tuple[list[float], float]:
    """The six numbers that fit best, and by how much the worst point misses [m]."""
    known = np.column_stack([pixels, np.ones(len(pixels))])
    found, *_ = np.linalg.lstsq(known, places, rcond=None)
    misfit = float(np.hypot(*(known @ found - places).T).max())
    return [*found[0].tolist(), *found[1].tolist(), *found[2].tolist()], misfit


def _by_distance(given: dict[str, Any]) -> dict[str, Any]:
    """Only the scale is known: up on the picture is taken as north, and its middle stays where it is."""
    pixels, metres = _points(given["pixels"]), float(given["metres"] or 0.0)
    if not metres > 0.0:
        raise InputError("the distance is not known", where="picture", remedy="Give it in metres")
    apart = float(np.hypot(*(pixels[1] - pixels[0])))
    if apart < 2.0:
        raise InputError("the two points are the same on the picture", where="picture", remedy="Choose distant points")
    size = metres / apart
    (u, v), (x, y) = 0.5 * np.array(given["size"], dtype=np.float64), given["middle"]
    origin = given.get("origin")
    plane = None if origin is None else LocalPlane(origin_lon=origin[0], origin_lat=origin[1])
    return _answer([size, 0.0, 0.0, -size, x - size * u, y + size * v], 0.0, plane)


def _refuse_real(given: dict[str, Any]) -> None:
    """A drawing with a place on Earth cannot go on a plan whose place is not known."""
    if given.get("origin") is not None and given.get("fixed", True):
        raise InputError(
            "the drawing has longitude and latitude, these numbers have none",
            where="picture",
            remedy="Place the picture by points with longitude and latitude, or name the coordinate system",
        )


def _on_plane(places: Array, system: str, given: dict[str, Any]) -> tuple[LocalPlane, Array]:
    """Points of a coordinate system on the drawing's plane, or on one about them where it has none."""
    code = grid_code(system)
    lon, lat = places.T if code == WGS84 else from_grid(code, *places.T)
    if np.abs(lat).max() > 90.0 or np.abs(lon).max() > 180.0:
        raise InputError(
            f"{places[0, 0]:g}, {places[0, 1]:g} is no longitude and latitude",
            where="picture",
            remedy="Check the order, or name the coordinate system, such as EPSG:25832",
        )
    origin = given.get("origin")
    plane = plane_about(lon, lat) if origin is None else LocalPlane(origin_lon=origin[0], origin_lat=origin[1])
    x, y = to_plane(plane, lon, lat)
    if np.hypot(x, y).max() > _ELSEWHERE:
        if given.get("fixed", True):
            raise InputError(
                f"this place is {np.hypot(x, y).max() / 1000.0:.0f} km from the drawing",
                where="picture",
                remedy="Check the numbers and their order",
            )
        plane = plane_about(lon, lat)
        x, y = to_plane(plane, lon, lat)
    return plane, np.column_stack([x, y])


def _answer(matrix: list[float], misfit: float, plane: LocalPlane | None) -> dict[str, Any]:
    a, b, c, d, *_ = matrix
    pixel = math.sqrt(abs(a * d - b * c))
    low, high = _PIXELS
    if not low <= pixel <= high:
        raise InputError(
            f"a pixel would be {pixel:.3g} m large, outside {low:g} to {high:g} m", where="picture",
            remedy="Check the numbers, their order and the coordinate system",
        )  # fmt: skip
    if a * d - b * c > 0.0:
        raise InputError(
            "the picture would be mirrored", where="picture", remedy="Check the order of the numbers: east before north"
        )
    return {
        "matrix": [float(value) for value in matrix],
        "origin": None if plane is None else [plane.origin_lon, plane.origin_lat],
        "pixel": pixel,
        "turned": round(math.degrees(math.atan2(b, a)), 2),
        "misfit": round(misfit, 3),
    }
