"""Pictures in their place: by two points, a distance, world files and GeoTIFF tags, against places known beforehand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image, TiffImagePlugin
from pyproj import CRS, Transformer

from linelab.app.library import Library
from linelab.app.tasks.drawn.picture_placing import place_picture, read_tiff
from linelab.errors import InputError
from linelab.files.projection import LocalPlane, from_grid, grid_code, to_plane
from linelab.units import Array

SIZE = [1200, 900]
#: Where the invented circuits lie [deg].
LON, LAT = 63.5, 51.25
UTM = 32641
#: A drawing there that is to stay.
ELSEWHERE = {"origin": [LON, LAT], "fixed": True}


def silent(_: str) -> None:
    """Steps are for people."""


def placed(**given: Any) -> dict[str, Any]:
    return place_picture(Path(), {"size": SIZE, "origin": None, "fixed": False, "system": "", **given}, silent)


def applied(matrix: list[float], pixels: Any) -> Array:
    a, b, c, d, e, f = matrix
    u, v = np.asarray(pixels, dtype=np.float64).T
    return np.column_stack([a * u + c * v + e, b * u + d * v + f])


def on_plane(origin: list[float], lon: Any, lat: Any) -> Array:
    return np.column_stack(to_plane(LocalPlane(origin_lon=origin[0], origin_lat=origin[1]), lon, lat))


def test_two_points_of_a_plan_turn_and_scale() -> None:
    angle, size = np.radians(20.0), 0.25
    pixels = np.array([[100.0, 800.0], [1100.0, 100.0]])
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    truth = (pixels * [size, -size]) @ turn.T + [12.0, -7.0]
    found = placed(how="points", pixels=pixels.tolist(), known=truth.tolist())
    assert np.allclose(applied(found["matrix"], pixels), truth)
    third = np.array([[600.0, 20.0]])
    assert np.allclose(applied(found["matrix"], third), (third * [size, -size]) @ turn.T + [12.0, -7.0])
    assert found["pixel"] == pytest.approx(size)
    assert found["turned"] == pytest.approx(20.0)
    assert found["origin"] is None


def test_two_points_in_degrees() -> None:
    pixels = [[0.0, 900.0], [1200.0, 0.0]]
    known = [[LON, LAT], [LON + 0.003, LAT + 0.002]]
    found = placed(how="points", system="lon/lat", pixels=pixels, known=known)
    lon, lat = zip(*known)
    assert np.allclose(applied(found["matrix"], pixels), on_plane(found["origin"], lon, lat), atol=1e-6)
    # The drawing's own plane is kept where there is one.
    again = placed(how="points", system="lon/lat", pixels=pixels, known=known, origin=[LON + 0.01, LAT], fixed=True)
    assert again["origin"] == [LON + 0.01, LAT]
    assert np.allclose(applied(again["matrix"], pixels), on_plane(again["origin"], lon, lat), atol=1e-6)


def test_a_distance_gives_the_scale_and_keeps_the_middle() -> None:
    found = placed(how="distance", pixels=[[0, 0], [300, 400]], metres=125.0, middle=[10.0, -20.0])
    assert found["pixel"] == pytest.approx(0.25)
    assert np.allclose(applied(found["matrix"], [[600.0, 450.0]]), [[10.0, -20.0]])
    north, south = applied(found["matrix"], [[600.0, 0.0], [600.0, 900.0]])
    assert north[0] == pytest.approx(south[0])
    assert north[1] - south[1] == pytest.approx(225.0)


@pytest.mark.parametrize("system", ["EPSG:32641", "UTM 41N", "41n"])
def test_a_world_file_of_a_map_grid(system: str) -> None:
    to_grid = Transformer.from_crs(4326, UTM, always_xy=True)
    east, north = to_grid.transform(LON, LAT)
    text = f"0,2\n0,0\n0,0\n-0,2\n{east + 0.1:.3f}\n{north - 0.1:.3f}\n".replace(",", ".")
    found = placed(how="world", numbers=text, system=system)
    pixels = np.array([[0.0, 0.0], [1200.0, 0.0], [0.0, 900.0], [1200.0, 900.0]])
    lon, lat = to_grid.transform(east + 0.2 * pixels[:, 0], north - 0.2 * pixels[:, 1], direction="INVERSE")
    assert np.allclose(applied(found["matrix"], pixels), on_plane(found["origin"], lon, lat), atol=2e-3)
    assert found["misfit"] < 0.002
    assert found["pixel"] == pytest.approx(0.2, rel=1e-3)
    # The grid's north is not the plane's: 0.39 degrees here, by the convergence of meridians (63 E - 63.5 E) sin 51.25.
    assert abs(found["turned"]) == pytest.approx(0.39, abs=0.02)


def test_a_world_file_in_degrees_says_so_itself() -> None:
    found = placed(how="world", numbers=f"0.000002\n0\n0\n-0.0000013\n{LON}\n{LAT}")
    corner = applied(found["matrix"], [[0.5, 0.5]])
    assert np.allclose(corner, on_plane(found["origin"], [LON], [LAT]), atol=1e-3)


def test_a_web_map_is_not_taken_at_its_own_scale() -> None:
    to_web = Transformer.from_crs(4326, 3857, always_xy=True)
    x, y = to_web.transform(LON, LAT)
    found = placed(how="world", numbers=[0.3, 0, 0, -0.3, x, y], system="EPSG:3857")
    assert found["pixel"] == pytest.approx(0.3 * np.cos(np.radians(LAT)), rel=3e-3)


@pytest.mark.parametrize(
    ("given", "word"),
    [
        ({"how": "world", "numbers": "1 2 3", "system": ""}, "six numbers"),
        ({"how": "world", "numbers": "1 0 0 -1 0 x", "system": ""}, "six numbers"),
        ({"how": "world", "numbers": "50 0 0 -50 0 0", "system": ""}, "pixel would be"),
        ({"how": "world", "numbers": "1 0 0 1 0 0", "system": ""}, "mirrored"),
        ({"how": "world", "numbers": "1 0 0 -1 0 0", "system": "Atlantis"}, "coordinate system"),
        ({"how": "world", "numbers": "1 0 0 -1 0 0", "system": "EPSG:999999"}, "no coordinate system"),
        ({"how": "points", "pixels": [[1, 1], [1, 1]], "known": [[0, 0], [9, 9]]}, "same on the picture"),
        ({"how": "points", "pixels": [[1, 1], [90, 90]], "known": [[5, 5], [5, 5]]}, "same coordinates"),
        ({"how": "points", "pixels": [[1, 1]], "known": [[5, 5], [6, 5]]}, "two points"),
        ({"how": "points", "system": "lon/lat", "pixels": [[1, 1], [90, 90]], "known": [[5e5, 5], [5e6, 5]]}, "long"),
        ({"how": "points", "pixels": [[1, 1], [90, 90]], "known": [[0, 0], [9, 9]], **ELSEWHERE}, "and latitude"),
        ({"how": "points", "system": "lon/lat", "pixels": [[1, 1], [900, 90]], "known": [[10, 5], [10.001, 5]],
          **ELSEWHERE}, "km from the drawing"),
        ({"how": "distance", "pixels": [[1, 1], [90, 90]], "metres": 0, "middle": [0, 0]}, "distance"),
    ],
)  # fmt: skip
def test_what_cannot_be_says_why(given: dict[str, Any], word: str) -> None:
    with pytest.raises(InputError, match=word) as caught:
        placed(**given)
    assert caught.value.remedy


def test_grid_names() -> None:
    assert [grid_code(text) for text in ("EPSG:25832", "25832", "utm 33s", "UTM zone 5 N", "lon/lat", "WGS 84")] == [
        25832, 25832, 32733, 32605, 4326, 4326,
    ]  # fmt: skip
    for text in ("", "UTM 61N", "here", "EPSG:"):
        with pytest.raises(InputError):
            grid_code(text)


def test_grids_by_an_independent_formula() -> None:
    """Transverse Mercator by Krueger's series to third order, good to a millimetre here (C. Karney, 2011, eq. 7-11)."""
    a, f, k0 = 6378137.0, 1 / 298.257223563, 0.9996
    n = f / (2 - f)
    rectifying = a / (1 + n) * (1 + n**2 / 4 + n**4 / 64)
    alpha = [n / 2 - 2 / 3 * n**2 + 5 / 16 * n**3, 13 / 48 * n**2 - 3 / 5 * n**3, 61 / 240 * n**3]
    lam, phi, e = np.radians(LON - 63.0), np.radians(LAT), np.sqrt(f * (2 - f))
    conformal = np.sinh(np.arcsinh(np.tan(phi)) - e * np.arctanh(e * np.sin(phi)))
    xi, eta = np.arctan2(conformal, np.cos(lam)), np.arcsinh(np.sin(lam) / np.hypot(conformal, np.cos(lam)))
    j = np.arange(1, 4)
    north = k0 * rectifying * (xi + np.sum(alpha * np.sin(2 * j * xi) * np.cosh(2 * j * eta)))
    east = 500000.0 + k0 * rectifying * (eta + np.sum(alpha * np.cos(2 * j * xi) * np.sinh(2 * j * eta)))
    lon, lat = from_grid(UTM, [east], [north])
    assert lon[0] == pytest.approx(LON, abs=2e-8)
    assert lat[0] == pytest.approx(LAT, abs=2e-8)


# TIFF


@pytest.fixture
def library(tmp_path: Path) -> Library:
    found = Library(tmp_path / "library")
    found.prepare()
    found.save("drawing", "oval", "{}")
    return found


def tiff(path: Path, image: Image.Image, tags: dict[int, Any], **more: Any) -> Path:
    about = TiffImagePlugin.ImageFileDirectory_v2()
    for number, value in tags.items():
        about[number] = value
        about.tagtype[number] = 3 if number == 34735 else 12
    image.save(path, format="TIFF", tiffinfo=about, **more)
    return path


def keys(code: int, *, model: int = 1, raster: int = 1) -> tuple[int, ...]:
    return (1, 1, 1, 3, 1024, 0, 1, model, 1025, 0, 1, raster, 3072 if model == 1 else 2048, 0, 1, code)


@pytest.mark.parametrize(
    "how", [{}, {"compression": "tiff_deflate"}, {"compression": "tiff_lzw"}, {"compression": "jpeg"}]
)
@pytest.mark.parametrize("raster", [1, 2])
def test_a_tiff_brings_its_place(library: Library, tmp_path: Path, how: dict[str, str], raster: int) -> None:
    east, north = Transformer.from_crs(4326, UTM, always_xy=True).transform(LON, LAT)
    image = Image.new("RGB", (400, 300), (10, 200, 30))
    tags = {33550: (0.2, 0.2, 0.0), 33922: (0.0, 0.0, 0.0, east, north, 0.0), 34735: keys(UTM, raster=raster)}
    file = tiff(tmp_path / "above.tif", image, tags, **how)
    found = read_tiff(library.folder, {"name": "oval", "file": str(file), "title": "above.tif"}, silent)
    assert found["size"] == [400, 300]
    assert found["system"] == f"EPSG:{UTM}"
    picture = library.folder / "tracks" / found["file"]
    with Image.open(picture) as shown:
        assert shown.format == "PNG"
        assert np.allclose(np.asarray(shown.convert("RGB"))[150, 200], (10, 200, 30), atol=6)
    lies = place_picture(Path(), {"how": "world", "origin": None, "fixed": False, **found}, silent)
    pixel = 0.0 if raster == 1 else 0.5  # the tie is a pixel's corner, or its middle
    assert np.allclose(applied(lies["matrix"], [[pixel, pixel]]), on_plane(lies["origin"], [LON], [LAT]), atol=2e-3)
    assert not file.exists()


def test_a_turned_tiff(library: Library, tmp_path: Path) -> None:
    matrix = (0.3, 0.1, 0.0, 1000.0, 0.1, -0.3, 0.0, 2000.0, 0, 0, 0, 0, 0, 0, 0, 1.0)
    file = tiff(tmp_path / "a.tif", Image.new("L", (50, 40), 90), {34264: matrix})
    found = read_tiff(library.folder, {"name": "oval", "file": str(file), "title": "a.tif"}, silent)
    assert found["system"] == ""
    a, b, c, d, e, f = found["numbers"]
    u, v = 10.0, 20.0  # from the middle of the first pixel
    assert (a * u + c * v + e, b * u + d * v + f) == pytest.approx(
        (0.3 * 10.5 + 0.1 * 20.5 + 1000, 0.1 * 10.5 - 0.3 * 20.5 + 2000)
    )


def test_a_large_tiff_is_made_smaller_and_keeps_its_place(library: Library, tmp_path: Path) -> None:
    tags = {33550: (0.1, 0.1, 0.0), 33922: (0.0, 0.0, 0.0, 5000.0, 9000.0, 0.0)}
    file = tiff(tmp_path / "a.tif", Image.new("L", (9000, 1500), 90), tags)
    found = read_tiff(library.folder, {"name": "oval", "file": str(file), "title": "a.tif"}, silent)
    assert found["size"] == [6000, 1000]
    a, _, _, d, e, f = found["numbers"]
    assert (a, d) == pytest.approx((0.15, -0.15))
    assert (e - 0.5 * a, f - 0.5 * d) == pytest.approx((5000.0, 9000.0))


def test_sixteen_bits_are_shown_in_their_own_range(library: Library, tmp_path: Path) -> None:
    values = np.linspace(3000, 5000, 64 * 64).reshape(64, 64).astype(np.uint16)
    file = tmp_path / "a.tif"
    Image.fromarray(values).save(file, format="TIFF")
    found = read_tiff(library.folder, {"name": "oval", "file": str(file), "title": "a.tif"}, silent)
    assert "numbers" not in found
    with Image.open(library.folder / "tracks" / found["file"]) as shown:
        assert np.ptp(np.asarray(shown.convert("L")).astype(int)) > 240


@pytest.mark.parametrize("content", [b"II*\0", b"II*\0" + b"\xff" * 400, b"\x89PNG\r\n\x1a\n", b""])
def test_no_picture_is_an_error_and_changes_nothing(library: Library, tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "a.tif"
    file.write_bytes(content)
    with pytest.raises(InputError, match="cannot be read"):
        read_tiff(library.folder, {"name": "oval", "file": str(file), "title": "a.tif"}, silent)
    assert [path.name for path in (library.folder / "tracks").iterdir()] == ["oval.drawing.json"]


def test_every_zone_is_what_it_is_called() -> None:
    for number in (1, 32, 60):
        for side, word in (("N", "north"), ("S", "south")):
            assert CRS.from_epsg(grid_code(f"UTM {number}{side}")).utm_zone == f"{number}{side}", word
