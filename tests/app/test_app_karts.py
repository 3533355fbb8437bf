"""Karts in the app: each field checked, what it does drawn, saved as a file of the library, fitted to a session."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from app_server import RunningApp, running_app

from linelab.app.library import FRESH, Library
from linelab.app.tasks.kart_editing import look_at_kart, open_kart, save_kart
from linelab.app.tasks.kart_fitting import fit_kart_to_session
from linelab.app.tasks.kart_form import GROUPS, kart_form
from linelab.files.bundled import bundled_karts
from linelab.files.kart_fields import TABLES
from linelab.files.kart_file import kart_table, load_kart
from linelab.output.display import IMPERIAL, METRIC
from linelab.output.kart_facts import drive_lines, gg_boundary, top_speed
from linelab.units import STANDARD_GRAVITY


def quiet(text: str) -> None:
    """Nobody follows."""


@pytest.fixture
def library(tmp_path: Path) -> Library:
    found = Library(tmp_path)
    found.prepare()
    return found


def opened(library: Library, name: str = "senior-single-speed", units: str = "metric") -> dict[str, Any]:
    found = open_kart(library.folder, {"kart": name, "units": units}, quiet)
    json.dumps(found, allow_nan=False)
    return found


def looked(library: Library, table: dict[str, Any]) -> dict[str, Any]:
    return look_at_kart(library.folder, {"table": table, "units": "metric"}, quiet)


def test_the_form_has_every_field_once() -> None:
    fields = [field for group in GROUPS for field, _, _ in group.lines]
    known = [
        f"{table}.{name}".lstrip(".")
        for table, model in TABLES.items()
        for name in model.model_fields
        if not (table == "" and name in TABLES)
    ]
    assert sorted(fields) == sorted(known)


@pytest.mark.parametrize("units", [METRIC, IMPERIAL])
def test_the_form_gives_units_and_ranges_as_the_file_checks_them(library: Library, units: Any) -> None:
    about = {one["field"]: one for group in kart_form(units) for one in group["fields"]}
    mass = about["mass_kg"]
    assert (mass["low"], mass["high"], mass["needed"], mass["kind"]) == (60.0, 320.0, True, "number")
    assert mass["unit"] == ("kg" if units is METRIC else "lb")
    assert mass["size"] == pytest.approx(1.0 if units is METRIC else 0.45359237)
    assert about["engine.axle_sprocket_teeth"]["kind"] == "whole"
    assert about["engine.gearbox_ratios"]["kind"] == "numbers"
    assert about["air.cda_m2"]["default"] == 0.55
    # Just inside and just outside of a range, as the form states it.
    table = opened(library)["table"]
    for low, high in ((mass["low"], mass["high"]),):
        assert looked(library, table | {"mass_kg": low})["faults"] == []
        assert looked(library, table | {"mass_kg": high})["faults"] == []
        for wrong in (low * 0.999, high * 1.001):
            assert [one["field"] for one in looked(library, table | {"mass_kg": wrong})["faults"]] == ["mass_kg"]


def test_what_is_drawn_is_what_the_library_computes(library: Library) -> None:
    kart = load_kart("gearbox")
    picture = opened(library, "gearbox")["picture"]
    drive = picture["drive"]
    assert len(drive["gears"]) == 6
    assert drive["top"] == pytest.approx(top_speed(kart).v * 3.6, abs=0.01)
    lines = drive_lines(kart, 160)
    assert np.allclose(drive["speed"], lines.v * 3.6, atol=0.01)
    assert np.allclose(drive["drive"], lines.drive, atol=0.06)
    # The drive is the strongest of the gears that pull.
    gears = np.array([[np.nan if one is None else one for one in gear] for gear in drive["gears"]], dtype=float)
    pulled = ~np.isnan(gears).all(axis=0)
    assert np.allclose(np.nanmax(gears[:, pulled], axis=0), np.array(drive["drive"])[pulled], rtol=0.01)
    slow = picture["gg"][0]
    bound = gg_boundary(kart, float(slow["speed"].split()[0]) / 3.6)
    assert max(point[0] for point in slow["points"]) == pytest.approx(bound.ay.max() / STANDARD_GRAVITY, abs=0.002)
    assert min(point[1] for point in slow["points"]) == pytest.approx(bound.braking.min() / STANDARD_GRAVITY, abs=0.002)


@pytest.mark.parametrize(
    ("change", "fields"),
    [
        ({"mass_kg": "heavy"}, ["mass_kg"]),
        ({"mass_kg": 1600, "wheelbase_m": 0}, ["mass_kg", "wheelbase_m"]),
        ({"colour": "red"}, ["colour"]),
        ({"tyres": {"mu_lateral": 2.9, "mu_longitudinal": 1.0}}, ["tyres.mu_longitudinal"]),
        ({"simple_drive": {"power_kw": 10}}, ["engine, simple_drive"]),
        ({"engine": None}, ["engine, simple_drive"]),
        ({"engine.crank_rpm": [5000, 4000, 9000]}, ["engine.torque_nm", "engine.crank_rpm entry 2"]),
        ({"engine.torque_nm": [13, "x"]}, ["engine.torque_nm entry 2"]),
        ({"engine.axle_sprocket_teeth": 76.5}, ["engine.axle_sprocket_teeth"]),
        ({"engine.axle_sprocket_teeth": 10, "engine.engine_sprocket_teeth": 40}, ["engine.ratios"]),
        ({"driver.grip_share": True}, ["driver.grip_share"]),
        ({"name": ""}, ["name"]),
    ],
)
def test_a_fault_is_said_at_its_field(library: Library, change: dict[str, Any], fields: list[str]) -> None:
    table = opened(library)["table"]
    for name, value in change.items():
        section, _, field = name.rpartition(".")
        place = table.setdefault(section, {}) if section else table
        if value is None:
            del place[field]
        else:
            place[field] = value
    found = looked(library, table)
    assert [one["field"] for one in found["faults"]] == fields
    assert found["picture"] is None
    assert all(one["what"] for one in found["faults"])
    assert save_kart(library.folder, {"table": table, "title": "x", "revision": "", "text": ""}, quiet)["faults"]
    assert list((library.folder / "karts").iterdir()) == []


def test_a_fault_is_told_in_the_unit_that_the_form_shows(library: Library) -> None:
    table = opened(library)["table"] | {"mass_kg": 350.0}
    (fault,) = look_at_kart(library.folder, {"table": table, "units": "imperial"}, quiet)["faults"]
    assert fault["what"] == "771.6 lb is outside the allowed range 132.3 to 705.5 lb"
    (fault,) = looked(library, table)["faults"]
    assert fault["what"].startswith("350.0 kg is outside the allowed range 60 to 320 kg")


def test_a_bundled_kart_is_copied_and_its_origins_go_along(library: Library) -> None:
    kart = opened(library)
    table = kart["table"] | {"mass_kg": 170.0, "name": "Ilse's kart", "four_wheel_brakes": True}
    asked = {"table": table, "title": "Ilse's kart", "revision": "", "text": kart["text"]}
    made = save_kart(library.folder, asked, quiet)["saved"]
    assert made["name"] == "ilse-s-kart"
    stored = library.read("kart", "ilse-s-kart")
    assert (stored.revision, stored.bundled) == (made["revision"], False)
    lines = stored.text.splitlines()
    assert "mass_kg = 170.0  # changed in the app; was 162" in lines
    assert "four_wheel_brakes = true  # changed in the app" in lines
    assert "wheelbase_m = 1.05  # [common]" in lines
    assert "mu_lateral = 1.7  # dry slicks [memory: dry kart grip 1.3 to 2.0]" in lines
    assert lines[0].startswith("# A generic senior kart")
    saved, bundled = load_kart(library.path("kart", "ilse-s-kart")), load_kart("senior-single-speed")
    assert (saved.mass, saved.mu_lateral, saved.engine) == (170.0, bundled.mu_lateral, bundled.engine)
    # A second one of the name is not written over it, nor a change that began from an older revision.
    assert save_kart(library.folder, asked, quiet) == {"stale": {"revision": made["revision"], "name": "ilse-s-kart"}}
    again = asked | {"title": "ilse-s-kart", "revision": made["revision"], "text": stored.text}
    second = save_kart(library.folder, again | {"table": table | {"mass_kg": 172.0}}, quiet)["saved"]
    assert "stale" in save_kart(library.folder, again, quiet)
    assert load_kart(library.path("kart", "ilse-s-kart")).mass == 172.0
    assert second["revision"] != made["revision"]


@pytest.mark.parametrize("name", [*bundled_karts()])
def test_saved_unchanged_it_is_the_same_kart(library: Library, name: str) -> None:
    kart = opened(library, name)
    asked = {"table": kart["table"], "title": "copy", "revision": "", "text": kart["text"]}
    assert "saved" in save_kart(library.folder, asked, quiet)
    assert load_kart(library.path("kart", "copy")) == load_kart(name)


def test_what_no_json_holds_is_a_fault_of_its_field(library: Library) -> None:
    text = bundled_karts()["rental-four-stroke"].read_text(encoding="utf-8")
    odd = text.replace("mass_kg = 245.0", "mass_kg = nan").replace("wheelbase_m = 1.08", "wheelbase_m = 2026-05-31")
    (library.folder / "karts" / "odd.toml").write_text(odd, encoding="utf-8")
    assert [one["field"] for one in opened(library, "odd")["faults"]] == ["mass_kg", "wheelbase_m"]


def test_parts_that_a_kart_may_be_without_can_be_put_in(library: Library) -> None:
    kart = opened(library)
    table = {name: value for name, value in kart["table"].items() if name != "engine"}
    assert looked(library, table | {"simple_drive": kart["starts"]["simple_drive"]})["faults"] == []
    found = looked(library, kart["table"] | {"axles": kart["starts"]["axles"]})
    assert found["faults"] == []
    assert any("axles" in words for words in found["words"])
    rental = opened(library, "rental-four-stroke")["table"]
    assert looked(library, rental | {"engine": kart["starts"]["engine"]})["faults"] == []


def test_a_kart_is_fitted_to_a_session_and_saved(library: Library, small_session: Path) -> None:
    known = FRESH | {"track": "tinmarsh_rental", "position_error": 0.25}
    name = library.new_session("small", known, [(small_session, "Small session.csv")], copy=True)
    found = fit_kart_to_session(library.folder, {"session": name, "kart": "", "units": "metric"}, quiet)
    json.dumps(found, allow_nan=False)
    assert "Small session.csv" in found["words"][0]
    values = {one["label"]: one["value"] for one in found["figures"]}
    assert "±" in values["Cornering"]
    low = float(values["Cornering"].split()[0]) - float(values["Cornering"].split("±")[1].split()[0])
    high = float(values["Cornering"].split()[0]) + float(values["Cornering"].split("±")[1].split()[0])
    assert low < load_kart("rental-four-stroke").mu_lateral < high  # the kart that drove it
    table = found["table"] | {"name": "Fitted here"}
    made = save_kart(
        library.folder, {"table": table, "title": "Fitted here", "revision": "", "text": found["text"]}, quiet
    )
    stored = library.read("kart", made["saved"]["name"])
    assert "# fitted: " in stored.text
    assert stored.text.startswith("# Fitted to 3 laps of Small session.csv")
    assert kart_table(library.path("kart", stored.name))["name"] == "Fitted here"


# Over HTTP


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningApp]:
    with running_app(tmp_path_factory.mktemp("karts")) as running:
        yield running


def ask(app: RunningApp, method: str, path: str, body: Any = None) -> tuple[int, Any]:
    status, content, _ = app.ask(method, path, None if body is None else json.dumps(body).encode())
    return status, json.loads(content)


def worked(app: RunningApp, path: str, body: Any) -> dict[str, Any]:
    """The last thing that a piece of work says."""
    status, answer = ask(app, "POST", path, body)
    assert status == 200, answer
    _, content, _ = app.ask("POST", f"/api/jobs/{answer['job']}/follow")
    return json.loads(content.decode().strip().splitlines()[-1])  # type: ignore[no-any-return]


def test_a_kart_over_http(app: RunningApp) -> None:
    assert [one["name"] for one in ask(app, "GET", "/api/kart-list")[1]] == [
        "gearbox",
        "junior-single-speed",
        "rental-four-stroke",
        "senior-single-speed",
    ]
    kart = worked(app, "/api/karts/gearbox/open", {"units": "imperial"})["done"]
    asked = {
        "title": "Wet set-up",
        "revision": "",
        "text": kart["text"],
        "table": kart["table"] | {"name": "Wet set-up"},
    }
    made = worked(app, "/api/kart/save", asked)["done"]["saved"]
    listed = ask(app, "GET", "/api/kart-list")[1]
    assert (listed[0]["name"], listed[0]["title"], listed[0]["bundled"]) == ("wet-set-up", "Wet set-up", False)
    assert "stale" in worked(app, "/api/kart/save", asked)["done"]
    assert made["revision"] == worked(app, "/api/karts/wet-set-up/open", {})["done"]["revision"]
    assert ask(app, "POST", "/api/karts/gearbox/remove")[0] == 400
    word = ask(app, "POST", "/api/karts/wet-set-up/remove")[1]["word"]
    assert ask(app, "POST", f"/api/removed/{word}/restore")[1] == {"kind": "kart", "name": "wet-set-up"}


@pytest.mark.parametrize("body", [{}, {"table": 3}, {"table": [], "title": "x"}, {"table": {}, "title": "  "}])
def test_a_save_without_a_kart_is_refused(app: RunningApp, body: dict[str, Any]) -> None:
    assert ask(app, "POST", "/api/kart/save", body)[0] == 400


def test_a_damaged_kart_is_listed_with_its_fault(app: RunningApp, tmp_path: Path) -> None:
    with running_app(tmp_path) as other:
        (tmp_path / "karts" / "bad.toml").write_text("mass_kg = = 3\n")
        (tmp_path / "karts" / "binary.toml").write_bytes(b"\xff\xfe\x00")
        (tmp_path / "karts" / "odd.toml").write_text("name = 3\n")
        listed = {one["name"]: one for one in ask(other, "GET", "/api/kart-list")[1]}
        assert "cannot be read" in listed["bad"]["fault"]
        assert "cannot be read" in listed["binary"]["fault"]
        assert (listed["odd"]["title"], listed["odd"]["fault"]) == ("odd", "")
        failed = worked(other, "/api/karts/bad/open", {})["failed"]
        assert failed["where"] == "bad.toml, line 1"
        found = worked(other, "/api/karts/odd/open", {})["done"]
        assert {one["field"] for one in found["faults"]} >= {"name", "mass_kg", "tyres"}
