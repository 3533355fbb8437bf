"""The list of sessions in a real browser: searched and filtered, removed with undo, two windows, keyboard, phone."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from app_server import RunningApp, running_app
from webdriver import Browser

from linelab.app.library import FRESH, Library

#: Longest that an answer may take on a machine that does much else [s].
PATIENT = 60.0
CARDS = "return [...document.querySelectorAll('#sessions h3')].map((one) => one.innerText)"
LOADED = "return document.querySelectorAll('#sessions li').length === arguments[0]"


@pytest.fixture
def app(tmp_path: Path) -> Iterator[RunningApp]:
    """Four sessions of two drivers, one that is damaged, and a recording put in by hand."""
    library = Library(tmp_path)
    library.prepare()
    for day, driver, track, notes in (
        ("2026-04-12", "Ilse Brandvær", "ostrelle_sprint", "new axle"),
        ("2026-05-03", "Ilse Brandvær", "tinmarsh_rental", ""),
        ("2026-06-21", "Piet Okonjo-Marr", "ostrelle_sprint", "<b>wet</b> kerbs"),
        ("2026-07-05", "Piet Okonjo-Marr", "", ""),
    ):
        file = library.folder / "dropped"
        file.write_text("t,x,y\n0,0,0\n")
        known = FRESH | {"day": day, "driver": driver, "track": track, "notes": notes}
        library.new_session(f"{day}-run", known, [(file, f"run of {day}.csv")])
    with running_app(tmp_path) as running:
        yield running


@pytest.fixture
def page(browser: Browser, app: RunningApp) -> Browser:
    browser.open(app.address)
    browser.wait(LOADED, 4, seconds=PATIENT)
    return browser


def typed(page: Browser, selector: str, text: str) -> None:
    page.run(
        "const [selector, text] = arguments; const field = document.querySelector(selector); field.value = text;"
        "field.dispatchEvent(new Event('input', { bubbles: true })); field.dispatchEvent(new Event('change'))",
        selector,
        text,
    )


def said(page: Browser, text: str) -> None:
    page.wait("return document.querySelector('#said').innerText.includes(arguments[0])", text, seconds=PATIENT)


def errors(page: Browser) -> list[str]:
    return [entry["message"] for entry in page.log("browser") if "status of 4" not in entry["message"]]


def test_search_and_filters(page: Browser) -> None:
    assert page.run(CARDS)[0] == "run of 2026-07-05.csv, Piet Okonjo-Marr"  # the latest first
    for words, count in (("brandvær", 2), ("ILSE axle", 1), ("run 2026-06", 1), ("<b>", 1), ("nobody", 0), ("", 4)):
        typed(page, "#search", words)
        assert len(page.run(CARDS)) == count, words
        assert page.run("return document.querySelector('#nothing').hidden") is (count > 0)
    typed(page, "#of-driver", "Piet Okonjo-Marr")
    typed(page, "#of-track", "ostrelle_sprint")
    assert page.run(CARDS) == ["ostrelle_sprint, Piet Okonjo-Marr"]
    assert page.run("return document.querySelector('#count').innerText") == "1 of 4"
    assert errors(page) == []


def test_removed_and_taken_back(page: Browser, app: RunningApp) -> None:
    page.click("#session-2026-05-03-run .acts button:last-child")
    page.wait(LOADED, 3, seconds=PATIENT)
    said(page, "was removed")
    page.click("#said button")
    page.wait(LOADED, 4, seconds=PATIENT)
    said(page, "Put back")
    # From the list of what was removed, and for good only when that is confirmed.
    page.click("#session-2026-05-03-run .acts button:last-child")
    page.wait(LOADED, 3, seconds=PATIENT)
    page.run("document.querySelector('#removed-part').open = true")
    assert "2026-05-03-run" in page.run("return document.querySelector('#removed').innerText")
    page.click("#empty")
    page.keys("Escape")
    assert page.run("return document.querySelectorAll('#removed li').length") == 1
    page.click("#removed button")
    page.wait(LOADED, 4, seconds=PATIENT)
    page.click("#session-2026-05-03-run .acts button:last-child")
    page.wait(LOADED, 3, seconds=PATIENT)
    page.click("#empty")
    page.wait("return !!document.querySelector('dialog')")
    page.click("dialog button.main")
    page.wait("return document.querySelector('#removed-part').hidden", seconds=PATIENT)
    assert app.ask("GET", "/api/library")[1].count(b'"removed":[]') == 1
    assert errors(page) == []


def test_renamed(page: Browser) -> None:
    page.click("#session-2026-06-21-run .acts button")
    page.wait("return document.activeElement.tagName === 'INPUT'")
    page.run("document.activeElement.value = 'Wet heat'")
    page.keys("Enter")
    page.wait("return !!document.querySelector('#session-2026-06-21-wet-heat')", seconds=PATIENT)
    assert "Wet heat" in page.run(CARDS)
    page.wait("return document.activeElement.closest('#session-2026-06-21-wet-heat') !== null", seconds=PATIENT)
    assert page.run("return document.querySelector('#session-2026-06-21-wet-heat a').getAttribute('href')").endswith(
        "/session/2026-06-21-wet-heat"
    )


def test_another_window_saves(page: Browser, app: RunningApp) -> None:
    """A rename that began before another window's save changes nothing; what is removed there goes here, too."""
    page.click("#session-2026-06-21-run .acts button")
    page.wait("return document.activeElement.tagName === 'INPUT'")
    page.run("document.activeElement.value = 'Mine'")
    save = (
        "const key = document.querySelector('meta[name=\"linelab-key\"]').content;"
        "const [path, method, change] = arguments; const headers = { 'X-Linelab-Key': key };"
        "fetch(path).then((answer) => answer.json()).then((one) => fetch(path, { method, headers, "
        "body: JSON.stringify({ ...change, revision: one.revision }) })).then(() => { window.saved = true })"
    )
    page.run(save, "/api/sessions/2026-06-21-run", "PUT", {"driver": "Other"})
    page.wait("return window.saved")
    page.keys("Enter")
    said(page, "another window")
    page.wait(
        "return [...document.querySelectorAll('#sessions h3')].some((one) => one.innerText.includes('Other'))",
        seconds=PATIENT,
    )
    assert "Mine" not in " ".join(page.run(CARDS))
    with_two = page.run("return location.origin")
    page.run("window.second = window.open(arguments[0], 'second')", with_two)
    page.run("return new Promise((done) => setTimeout(done, 1500))")
    page.run(
        "fetch('/api/sessions/2026-07-05-run/remove', { method: 'POST', headers: { 'X-Linelab-Key': "
        "document.querySelector('meta[name=\"linelab-key\"]').content } }).then(() => {"
        "new BroadcastChannel('linelab').postMessage('changed') })"
    )
    page.wait("return !document.querySelector('#session-2026-07-05-run')", seconds=PATIENT)
    page.run("window.second?.close()")


def test_damage_and_recordings_put_in_by_hand(page: Browser, tmp_path: Path) -> None:
    (tmp_path / "sessions" / "2026-04-12-run" / "session.json").write_text('{"driver": "Il')
    (tmp_path / "sessions" / "Old heat <i>.csv").write_text("t,x,y\n")
    page.run("window.dispatchEvent(new Event('focus'))")  # the user comes back from the folder
    page.wait("return document.querySelectorAll('#offered li').length === 1", seconds=PATIENT)
    assert "damaged" in page.run("return document.querySelector('#sessions .failure').innerText")
    page.click("#session-2026-04-12-run button")
    said(page, "Started anew")
    page.wait("return document.querySelectorAll('#sessions .failure').length === 0", seconds=PATIENT)
    page.click("#offered button")
    page.wait(LOADED, 5, seconds=PATIENT)
    assert page.run("return document.querySelector('#offered-part').hidden")
    assert any("Old heat <i>.csv" in one for one in page.run(CARDS))
    assert errors(page) == []


def test_by_keyboard(page: Browser) -> None:
    """To a session's Remove, and the undo of it, with the keyboard alone; the focus stays in the list."""
    page.run("document.querySelector('#search').focus()")
    seen = []
    for _ in range(12):
        page.keys("Tab")
        seen.append(
            page.run("return document.activeElement.getAttribute('aria-label') ?? document.activeElement.innerText")
        )
        if seen[-1].startswith("Remove"):
            break
    assert seen[-1] == "Remove run of 2026-07-05.csv, Piet Okonjo-Marr", seen
    page.keys("Enter")
    page.wait(LOADED, 3, seconds=PATIENT)
    page.wait("return document.activeElement.closest('#sessions') !== null", seconds=PATIENT)
    assert "was removed" in page.run("return document.querySelector('#said').innerText")
    page.run("document.querySelector('#said button').focus()")
    page.keys("Enter")
    page.wait(LOADED, 4, seconds=PATIENT)


def test_phone_and_dark(page: Browser, tmp_path: Path) -> None:
    page.size(390, 844, phone=True)
    page.media("dark")
    for path in ("/", "/karts", "/progress"):
        page.open(page.run("return location.origin") + path)
        page.wait("return document.readyState === 'complete'")
        time.sleep(0.5)
        assert page.run("return document.documentElement.scrollWidth") <= 390, path
    assert errors(page) == []
