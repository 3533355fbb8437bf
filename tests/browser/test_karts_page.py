"""Karts in a real browser: changed with pictures that follow, faults at their fields, undo, saved, two windows."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from app_server import RunningApp, running_app
from webdriver import Browser

from linelab.app.library import FRESH, Library
from linelab.files.kart_file import load_kart

#: Longest that an answer may take on a machine that does much else [s].
PATIENT = 90.0
DRAWN = "return document.querySelectorAll('#pictures svg[role=img]').length === 2"
PULL = "return document.querySelector('#pictures .pull').getAttribute('d')"
STATE = "return document.querySelector('#state').innerText"
FAULT = (
    "const slot = document.querySelector('#field-' + arguments[0] + '-fault');return slot.hidden ? '' : slot.innerText"
)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("karts")


@pytest.fixture(scope="module")
def app(place: Path) -> Iterator[RunningApp]:
    with running_app(place) as running:
        yield running


@pytest.fixture
def browser_in(browser: Browser, app: RunningApp) -> Browser:
    browser.open(app.address)
    return browser


@pytest.fixture
def page(browser_in: Browser, app: RunningApp) -> Browser:
    """A bundled kart, opened in metric units."""
    return opened(browser_in, app, "senior-single-speed")


def opened(page: Browser, app: RunningApp, name: str) -> Browser:
    if page.run("return !!document.querySelector('#undo')"):
        forget(page)  # of a test that has failed
    page.run("localStorage.setItem('linelab-units', 'metric')")
    page.open(f"{app.origin}/kart/{name}")
    page.wait(DRAWN, seconds=PATIENT)
    return page


def put(page: Browser, field: str, text: str) -> None:
    """Type into a field and leave it."""
    page.run(
        "const field = document.getElementById(arguments[0]); field.value = arguments[1];"
        "field.dispatchEvent(new Event('input')); field.dispatchEvent(new Event('change'))",
        f"field-{field}",
        text,
    )


def choose_engine(page: Browser, kind: str) -> None:
    page.run(
        "const one = document.querySelector('#engine-kind'); one.value = arguments[0];"
        "one.dispatchEvent(new Event('change'))",
        kind,
    )


def changed(page: Browser, before: str) -> str:
    """The drive's curve, when it is another one."""
    page.wait(
        "return document.querySelector('#pictures .pull').getAttribute('d') !== arguments[0]", before, seconds=PATIENT
    )
    return str(page.run(PULL))


def forget(page: Browser) -> None:
    """Take back what was typed, so that leaving asks nothing."""
    page.run("while (!document.querySelector('#undo').disabled) document.querySelector('#undo').click()")


def errors(page: Browser) -> list[str]:
    return [entry["message"] for entry in page.log("browser") if "status of 4" not in entry["message"]]


def saved_as(page: Browser, title: str) -> None:
    page.click("#save-as")
    page.wait("return document.activeElement.tagName === 'INPUT' && !!document.activeElement.closest('dialog')")
    page.run("document.activeElement.value = arguments[0]", title)
    page.keys("Enter")


def test_pictures_follow_each_change(page: Browser) -> None:
    before = page.run(PULL)
    times = []
    for teeth in ("77", "78", "79", "80"):
        begun = time.perf_counter()
        put(page, "engine-axle_sprocket_teeth", teeth)
        before = changed(page, before)
        times.append(time.perf_counter() - begun)
    print(f"typed to drawn: {sorted(times)[len(times) // 2] * 1000:.0f} ms, at most {max(times) * 1000:.0f} ms")
    assert page.run("return document.querySelectorAll('#pictures .before').length") > 0  # as saved, behind it
    top = page.run("return document.querySelector('#pictures .strong').textContent")
    assert top.split()[1] == "km/h,"
    page.run(
        "document.querySelector('#shown-units').value = 'imperial';"
        "document.querySelector('#shown-units').dispatchEvent(new Event('change'))"
    )
    page.wait("return document.querySelector('#field-mass_kg').value === '357.15'", seconds=PATIENT)
    page.wait("return document.querySelector('#pictures .strong').textContent.includes('mph')", seconds=PATIENT)
    assert page.run("return document.querySelector('#field-engine-axle_sprocket_teeth').value") == "80"
    page.run(
        "document.querySelector('#shown-units').value = 'metric';"
        "document.querySelector('#shown-units').dispatchEvent(new Event('change'))"
    )
    page.wait("return document.querySelector('#field-mass_kg').value === '162'", seconds=PATIENT)
    forget(page)
    assert errors(page) == []


def test_faults_stand_at_their_fields(page: Browser) -> None:
    put(page, "mass_kg", "1600")
    page.wait(
        "return document.querySelector('#field-mass_kg').getAttribute('aria-invalid') === 'true'", seconds=PATIENT
    )
    assert "60 to 320 kg" in page.run(FAULT, "mass_kg")
    assert page.run("return document.querySelector('#save-as').disabled")
    assert page.run("return document.querySelector('#pictures').classList.contains('old')")
    put(page, "tyres-mu_lateral", "much")
    page.wait("return document.querySelector('#wrong').innerText === '2 fields to correct'", seconds=PATIENT)
    assert "is not a number" in page.run(FAULT, "tyres-mu_lateral")
    put(page, "engine-torque_nm-1", "9999")
    page.wait("return document.querySelector('#wrong').innerText === '3 fields to correct'", seconds=PATIENT)
    assert page.run(FAULT, "engine-torque_nm").startswith("Point 2:")
    put(page, "engine-torque_nm-1", "14,3")  # a comma is a decimal point, too
    put(page, "tyres-mu_lateral", "1.7")
    put(page, "mass_kg", "162")
    page.wait("return document.querySelector('#wrong').innerText === ''", seconds=PATIENT)
    assert page.run(FAULT, "mass_kg") == ""
    assert page.run("return document.querySelectorAll('[aria-invalid]').length") == 0
    put(page, "engine-axle_sprocket_teeth", "5")
    put(page, "engine-engine_sprocket_teeth", "200")  # a fault of both together
    page.wait("return document.querySelector('#wrong').innerText === 'One field to correct'", seconds=PATIENT)
    assert page.run(FAULT, "engine-axle_sprocket_teeth")
    forget(page)
    page.wait("return document.querySelector('#wrong').innerText === ''", seconds=PATIENT)


def test_undo_and_redo(page: Browser) -> None:
    first = page.run(PULL)
    put(page, "mass_kg", "180")
    put(page, "engine-rev_limit_rpm", "13000")
    second = changed(page, first)
    page.click("#undo")
    page.wait("return document.querySelector('#field-engine-rev_limit_rpm').value === '14000'", seconds=PATIENT)
    assert page.run("return document.querySelector('#field-mass_kg').value") == "180"
    page.run(
        "document.activeElement.blur();"
        "document.body.dispatchEvent(new KeyboardEvent('keydown', { key: 'z', ctrlKey: true, bubbles: true }))"
    )
    page.wait("return document.querySelector('#field-mass_kg').value === '162'", seconds=PATIENT)
    assert page.run("return document.querySelector('#undo').disabled")
    page.click("#redo")
    page.click("#redo")
    page.wait("return document.querySelector('#field-engine-rev_limit_rpm').value === '13000'", seconds=PATIENT)
    page.wait(
        "return document.querySelector('#pictures .pull').getAttribute('d') === arguments[0]", second, seconds=PATIENT
    )
    forget(page)


def test_the_engine_is_described_otherwise_and_back(page: Browser) -> None:
    before = page.run(PULL)
    choose_engine(page, "simple_drive")
    page.wait("return !!document.querySelector('#field-simple_drive-power_kw')", seconds=PATIENT)
    assert page.run("return document.activeElement.id") == "engine-kind"
    simple = changed(page, before)
    put(page, "simple_drive-power_kw", "25")
    changed(page, simple)
    choose_engine(page, "engine")
    page.wait(
        "return document.querySelector('#pictures .pull').getAttribute('d') === arguments[0]", before, seconds=PATIENT
    )
    page.run("document.querySelector('#has-axles').click()")
    page.wait("return !!document.querySelector('#field-axles-front_roll_share')", seconds=PATIENT)
    page.wait("return document.querySelector('#pictures').innerText.includes('From its axles')", seconds=PATIENT)
    # A point of the torque curve added and taken out.
    rows = "return document.querySelectorAll('.curve tbody tr').length"
    count = page.run(rows)
    page.run("[...document.querySelectorAll('#form button')].find((one) => one.innerText === 'Add a point').click()")
    page.wait(f"{rows} === arguments[0]", count + 1, seconds=PATIENT)
    page.run("[...document.querySelectorAll('.curve button')].at(-1).click()")
    page.wait(f"{rows} === arguments[0]", count, seconds=PATIENT)
    forget(page)
    page.wait("return !document.querySelector('#has-axles').checked", seconds=PATIENT)
    assert errors(page) == []


def test_saved_as_a_kart_of_ones_own_and_changed(page: Browser, app: RunningApp, place: Path) -> None:
    put(page, "mass_kg", "170")
    page.wait("return !document.querySelector('#save-as').disabled")
    saved_as(page, "Ilse's kart, dry")
    page.wait("return location.pathname === '/kart/ilse-s-kart-dry'", seconds=PATIENT)
    page.wait(DRAWN, seconds=PATIENT)
    assert page.run(STATE) == "Saved."
    assert load_kart(place / "karts" / "ilse-s-kart-dry.toml").mass == 170.0
    put(page, "mass_kg", "171.5")
    page.wait(f"{STATE} === 'Changed, not saved yet.'")
    page.click("#save")
    page.wait(f"{STATE} === 'Saved.'", seconds=PATIENT)
    assert load_kart(place / "karts" / "ilse-s-kart-dry.toml").mass == 171.5
    assert load_kart(place / "karts" / "ilse-s-kart-dry.toml").name == "Ilse's kart, dry"
    # The name is in use now.
    saved_as(page, "Ilse's kart, dry")
    page.wait("return document.querySelector('#failure').innerText.includes('already')", seconds=PATIENT)
    page.open(f"{app.origin}/karts")
    page.wait("return document.querySelector('#own').innerText.includes(\"Ilse's kart, dry\")", seconds=PATIENT)
    page.click("#own .acts button")
    page.wait("return !document.querySelector('#none').hidden", seconds=PATIENT)
    page.click("#said button")
    page.wait("return document.querySelectorAll('#own li').length === 1", seconds=PATIENT)
    assert errors(page) == []


def test_two_windows(browser_in: Browser, app: RunningApp, place: Path) -> None:
    """What another window has saved is not lost: this one is told, keeps its values and may save them elsewhere."""
    library = Library(place)
    text = library.read("kart", "gearbox").text
    library.save("kart", "two windows", text)
    page = opened(browser_in, app, "two-windows")
    put(page, "mass_kg", "180")
    at = library.read("kart", "two-windows")
    library.save("kart", "two-windows", at.text.replace("178.0", "179.0"), began_from=at.revision)
    page.wait("return !document.querySelector('#save').disabled")
    page.click("#save")
    page.wait("return document.querySelector('#failure').innerText.includes('another window')", seconds=PATIENT)
    assert load_kart(library.path("kart", "two-windows")).mass == 179.0
    assert page.run("return document.querySelector('#field-mass_kg').value") == "180"
    page.run("[...document.querySelectorAll('#failure button')].find((one) => one.innerText.includes('mine')).click()")
    page.wait("return !!document.querySelector('dialog')")
    page.run("document.querySelector('dialog input').value = 'Mine'")
    page.keys("Enter")
    page.wait("return location.pathname === '/kart/mine'", seconds=PATIENT)
    assert load_kart(library.path("kart", "mine")).mass == 180.0
    # With nothing typed, the page follows what another window saves.
    page.wait(DRAWN, seconds=PATIENT)
    at = library.read("kart", "mine")
    library.save("kart", "mine", at.text.replace("mass_kg = 180.0", "mass_kg = 181.0"), began_from=at.revision)
    page.run("window.dispatchEvent(new Event('focus'))")
    page.wait("return document.querySelector('#field-mass_kg').value === '181'", seconds=PATIENT)


def test_by_keyboard(page: Browser) -> None:
    """Up and down change a number; every field of an open group is reached by Tab."""
    page.run("document.querySelector('#field-mass_kg').focus()")
    before = page.run(PULL)
    page.keys("Down", "Down")
    assert page.run("return document.activeElement.value") == "160"
    page.keys("Tab")
    assert page.run("return document.activeElement.id") == "field-overall_width_m"
    assert page.run("return getComputedStyle(document.activeElement).outlineStyle") == "solid"
    page.run("document.querySelector('#field-engine-axle_sprocket_teeth').focus()")
    page.keys("\ue013")  # the arrow up
    changed(page, before)
    assert page.run("return document.activeElement.value") == "77"
    labelled = (
        "return [...document.querySelectorAll('#form input, #form select')]"
        ".filter((one) => !(one.labels?.length || one.ariaLabel)).map((one) => one.id)"
    )
    assert page.run(labelled) == []
    forget(page)


@pytest.mark.slow
def test_fitted_to_a_session(browser_in: Browser, app: RunningApp, place: Path, small_session: Path) -> None:
    known: dict[str, Any] = FRESH | {
        "track": "tinmarsh_rental",
        "position_error": 0.25,
        "driver": "Ilse",
        "day": "2026-05-31",
    }
    Library(place).new_session("small", known, [(small_session, "Small session.csv")], copy=True)
    page = browser_in
    page.open(f"{app.origin}/karts")
    page.wait("return document.querySelectorAll('#of-session option').length > 0", seconds=PATIENT)
    begun = time.monotonic()
    page.click("#begin")
    page.wait("return !document.querySelector('#fitted').hidden", seconds=PATIENT)
    print(f"asked to fitted: {time.monotonic() - begun:.1f} s")
    assert "±" in page.run("return document.querySelector('#figures').innerText")
    page.run("document.querySelector('#fitted-name').value = 'Fitted in May'")
    page.click("#keep button")
    page.wait("return location.pathname === '/kart/fitted-in-may'", seconds=PATIENT)
    page.wait(DRAWN, seconds=PATIENT)
    assert (place / "karts" / "fitted-in-may.toml").read_text(encoding="utf-8").startswith("# Fitted to 3 laps")
    assert errors(page) == []


def test_phone(page: Browser) -> None:
    page.size(390, 844, phone=True)
    time.sleep(0.3)
    page.run("for (const one of document.querySelectorAll('#form details')) one.open = true")
    assert page.run("return document.documentElement.scrollWidth") <= 390
