"""The page on paper: nothing beside the sheet, no page with a line or two, and the driver card alone on its own."""

from __future__ import annotations

from pathlib import Path

import pytest
from pdf_pages import texts_by_page
from shared import REAL, demo_review, real_review
from webdriver import Browser
from widely import widely

from linelab.output.page.html_file import review_page

#: What a browser prints on: A4 less the page's own margins [CSS pixels].
WIDE = round((210.0 - 2 * 12.0) / 25.4 * 96.0)
OUTSIDE = (
    "const wide = document.documentElement.clientWidth, box = e => e.getBoundingClientRect();"
    "return [...document.querySelectorAll('body *')].filter(e => box(e).width && (box(e).right > wide + 1 || "
    "box(e).left < -1) && !e.closest('.badge') && (!e.closest('svg') || ['svg', 'text'].includes(e.tagName)))"
    ".map(e => [e.tagName, e.className, e.textContent.slice(0, 40)].join(' '))"
)
CARD = "window.print = () => {}; document.getElementById('print-card').click()"


def made(session: str, folder: Path) -> Path:
    if session == "real" and not REAL.exists():
        pytest.skip("no outside recording here (LINELAB_SHARED)")
    file = folder / f"{session}.html"
    review = real_review() if session == "real" else demo_review()
    file.write_text(review_page(review, recorded=review.recorded), encoding="utf-8")
    return file


@pytest.mark.parametrize("session", widely(["demo", "real"], ["demo"]))
def test_nothing_off_the_paper_and_no_page_with_a_line(browser: Browser, tmp_path: Path, session: str):
    browser.open(made(session, tmp_path))
    browser.printed(tmp_path / "page.pdf")
    texts = texts_by_page((tmp_path / "page.pdf").read_bytes())
    assert 3 <= len(texts) <= 8
    assert min(texts) >= 20
    browser.size(WIDE, 1000)
    browser.media("light", "print")
    browser.open(tmp_path / f"{session}.html")
    assert browser.run(OUTSIDE) == []
    folded = (
        "return ['#table', '#grid', '#doubts ul', '.corner .marks', '.facts']"
        ".map(s => document.querySelector(s).getBoundingClientRect().height > 10)"
    )
    assert browser.run(folded) == [True] * 5  # folded on the screen, whole on paper
    browser.media("light")


@pytest.mark.parametrize("session", widely(["demo", "real"], ["demo"]))
def test_the_driver_card_is_one_page_with_three_pictures(browser: Browser, tmp_path: Path, session: str):
    browser.open(made(session, tmp_path))
    assert browser.run("return document.getElementById('card').getClientRects().length") == 0
    browser.run(CARD)
    browser.printed(tmp_path / "card.pdf")
    (texts,) = texts_by_page((tmp_path / "card.pdf").read_bytes())
    assert texts >= 20
    browser.size(WIDE, 1000)
    browser.media("light", "print")
    browser.open(tmp_path / f"{session}.html")
    browser.run(CARD)
    assert browser.run(OUTSIDE) == []
    review = real_review() if session == "real" else demo_review()
    titles = browser.run("return [...document.querySelectorAll('#card h3')].map(e => e.textContent)")
    assert titles == [f"{item.rank}. {item.title}" for item in review.priorities]
    text = browser.run("return document.getElementById('card').innerText")
    assert ("not surveyed" in text) == (review.track.survey.kind == "estimated")
    assert all(f"corner {item.corners[0]}" in text for item in review.priorities if item.corners)
    drawn = browser.run(
        "return [...document.querySelectorAll('#card svg')].map(e => e.querySelector('use').getBoundingClientRect())"
        ".filter(r => r.width > 50 && r.height > 50).length"
    )
    assert drawn == 3
    shown = browser.run(
        "return [...document.querySelectorAll('main > :not(#card), .top')]"
        ".filter(e => e.getClientRects().length).length"
    )
    assert shown == 0
    browser.media("light")
    browser.run("dispatchEvent(new Event('afterprint'))")
    assert browser.run("return document.getElementById('card').getClientRects().length") == 0


def test_the_card_follows_the_chosen_lap_and_the_note(page: Browser):
    page.run(
        "document.getElementById('lap').value = '1'; document.getElementById('lap').dispatchEvent(new Event('change'));"
        "const box = document.querySelector(\"[data-note='page'] textarea\"); box.value = 'Wet: smoother.';"
        "box.dispatchEvent(new Event('input', {bubbles: true}))"
    )
    text = page.run("return document.getElementById('card').textContent")
    label = page.run("return JSON.parse(document.getElementById('readings').textContent).laps[1].label")
    assert text.split(":")[1].split("card")[1].strip().lower() == label
    assert "Wet: smoother." in text
    page.open("about:blank")  # leaves the unsaved note here, so that the next test's log has no word of it
