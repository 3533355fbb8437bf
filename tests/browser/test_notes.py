"""A coach's notes: typed on the page, kept in the file that it saves, and only text wherever they are shown."""

from __future__ import annotations

from pathlib import Path

import pytest
from webdriver import Browser

NAUGHTY = "</textarea><script>window.hacked = 1</script>&amp; \"'<!-- ±\u2028\n  second line, <b>bold</b> {{7*7}}"
TYPE = (
    "const box = document.querySelector(`[data-note='${arguments[0]}'] textarea`); box.value = arguments[1];"
    "box.dispatchEvent(new Event('input', {bubbles: true}))"
)
READ = "return document.querySelector(`[data-note='${arguments[0]}'] textarea`).value"


@pytest.fixture
def downloads(browser: Browser, tmp_path: Path) -> Path:
    browser.devtools("Browser.setDownloadBehavior", behavior="allow", downloadPath=str(tmp_path))
    return tmp_path


def saved(page: Browser, folder: Path, name: str) -> Path:
    """The file that the page's button hands over."""
    page.click("#work .save")
    file = folder / name
    for _ in range(100):
        if file.exists() and file.read_text(encoding="utf-8").rstrip().endswith("</html>"):
            return file
        page.run("return new Promise(done => setTimeout(done, 50))")
    raise AssertionError(f"nothing was saved: {[item.name for item in folder.iterdir()]}")


def test_notes_are_kept_in_the_saved_page(page: Browser, downloads: Path, demo_folder: Path):
    corner = page.run("return document.querySelector('details.corner[open]').id.split('-')[1]")
    page.run("document.querySelector(\"[data-note='page'] textarea\").focus()")
    page.keys(*"Wet kerbs.")
    page.run(TYPE, corner, NAUGHTY)
    assert page.run("return document.getElementById('save').hidden") is False
    page.run(  # what was done on the page before is not saved with it
        "document.getElementById('lap').value = '0'; document.getElementById('lap').dispatchEvent(new Event('change'));"
        "document.getElementById('next').click(); document.querySelectorAll('#table thead button')[1].click()"
    )
    file = saved(page, downloads, "review-with-notes.html")
    assert page.run("return document.getElementById('save').hidden") is True

    page.requests()
    page.open(file)
    assert page.run(READ, "page") == "Wet kerbs."
    assert page.run(READ, corner) == NAUGHTY
    assert page.run("return window.hacked === undefined")
    assert page.log("browser") == []
    assert page.requests() == [file.as_uri()]
    everything = (
        "return [...document.querySelectorAll('*')].filter(e => !e.closest('.note, #saved'))"
        ".map(e => e.tagName + [...e.attributes].map(a => a.name + a.value).sort().join()).join()"
    )
    reopened = page.run(everything)
    page.open(demo_folder / "review.html")
    assert page.run(everything) == reopened


def test_notes_can_be_changed_and_saved_again(page: Browser, downloads: Path):
    page.run(TYPE, "page", "first")
    once = saved(page, downloads, "review-with-notes.html")
    page.open(once)
    page.run(TYPE, "page", "second")
    once.unlink()
    twice = saved(page, downloads, "review-with-notes.html")
    page.open(twice)
    assert page.run(READ, "page") == "second"


def test_notes_print_as_text_and_are_there_without_script(page: Browser, downloads: Path, tmp_path: Path):
    shown = (
        "return [...document.querySelectorAll('.note')].filter(e => e.querySelector('.noted').getClientRects().length)"
        ".map(e => [e.dataset.note, e.querySelector('.noted').textContent])"
    )
    page.run(TYPE, "page", "two\nlines")
    assert page.run(shown) == []
    page.media(kind="print")
    assert page.run(shown) == [["page", "two\nlines"]]
    assert page.run("return document.querySelector('.note textarea').getClientRects().length") == 0
    page.media("light")
    text = saved(page, downloads, "review-with-notes.html").read_text(encoding="utf-8")
    policy = '<meta http-equiv="Content-Security-Policy" content="script-src \'none\'">'
    (tmp_path / "bare.html").write_text(text.replace("<head>", f"<head>{policy}", 1), encoding="utf-8")
    page.open(tmp_path / "bare.html")
    assert page.run(shown) == [["page", "two\nlines"]]
