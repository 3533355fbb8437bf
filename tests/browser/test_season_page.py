"""A driver's progress in a real browser: sessions chosen, put in order, shown from the files, kept for next time."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from app_server import RunningApp, running_app
from webdriver import Browser

from linelab.app.library import FRESH, Library

#: Longest that the work may take on a machine that does much else [s].
PATIENT = 300.0


@pytest.fixture
def app(tmp_path: Path, coarse_session: Path) -> Iterator[RunningApp]:
    """Two sessions of one driver at one venue, and one of another driver."""
    library = Library(tmp_path)
    library.prepare()
    for day, driver, more in (
        ("2026-05-02", "Ilse Brandvær", {"weather": "dry"}),
        ("2026-06-02", "Ilse Brandvær", {"weather": "damp <b>", "tyres": "new"}),
        ("2026-06-03", "Piet Okonjo-Marr", {"track": ""}),
    ):
        known = FRESH | {"day": day, "driver": driver, "track": "tinmarsh_rental", "kart": "rental-four-stroke"} | more
        library.new_session(f"{day}-run", known, [(coarse_session, "run.csv")], copy=True)
    with running_app(tmp_path) as running:
        yield running


@pytest.mark.slow
def test_sessions_put_in_order(browser: Browser, app: RunningApp) -> None:
    page = browser
    page.open(app.address)
    page.open(f"{app.origin}/progress")
    page.wait("return document.querySelectorAll('#sessions input:checked').length === 2", seconds=PATIENT)
    assert page.run("return document.querySelector('#track').value") == "tinmarsh_rental"
    page.run(
        "const one = document.querySelector('#driver'); one.value = 'Piet Okonjo-Marr';"
        "one.dispatchEvent(new Event('change'))"
    )
    assert "track not known yet" in page.run("return document.querySelector('#sessions').innerText")
    assert page.run("return document.querySelectorAll('#sessions input:checked').length") == 0
    page.click("#begin")  # nothing is ticked
    page.wait("return document.querySelector('#failure').innerText.includes('no session is chosen')", seconds=PATIENT)
    page.run(
        "const one = document.querySelector('#driver'); one.value = 'Ilse Brandvær';"
        "one.dispatchEvent(new Event('change'));"
        "const track = document.querySelector('#track'); track.value = 'tinmarsh_rental';"
        "track.dispatchEvent(new Event('change'))"
    )
    page.run("document.querySelector('#begin').focus()")
    begun = time.monotonic()
    page.keys("Enter")
    page.wait("return !document.querySelector('#found').hidden", seconds=PATIENT)
    print(f"two coarse sessions in order after {time.monotonic() - begun:.1f} s")
    page.wait("return document.activeElement.id === 'found-title'")
    rows = page.run("return [...document.querySelectorAll('#venues tbody tr')].map((one) => one.innerText)")
    assert len(rows) == 2
    assert rows[0].startswith("2026-05-02*")
    assert "damp <b>" in rows[1]
    assert "±" in rows[0]
    page.wait(
        "return document.querySelector('#picture').complete && document.querySelector('#picture').naturalWidth > 0"
    )
    assert page.run("return document.querySelector('#picture').alt").startswith("Best and usual laps by date")
    # Loaded again, what was found is there; on a phone nothing is wider than the page.
    page.size(390, 844, phone=True)
    page.open(f"{app.origin}/progress")
    page.wait("return document.querySelectorAll('#venues tbody tr').length === 2", seconds=PATIENT)
    assert page.run("return document.documentElement.scrollWidth") <= 390
    status, content, headers = app.ask("GET", "/seasons/ilse-brandvr-tinmarsh_rental/progress.svg?save")
    assert status == 200
    assert b"<svg" in content
    assert "attachment" in headers["content-disposition"]
    assert [one["message"] for one in page.log("browser") if "status of 4" not in one["message"]] == []
