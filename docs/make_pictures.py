"""Make the README's pictures from the demo: ``python docs/make_pictures.py``, with chromium and chromedriver installed.

The page is looked at in a real browser, on a desk and on a phone; the track sheet's first page is the demo's own.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "tests" / "helpers"))

from webdriver import Browser  # noqa: E402

from linelab.cli import main as cli  # noqa: E402

DOCS = ROOT / "docs"


def main() -> None:
    """Run the demo and draw its pictures."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if cli.run(["demo", "--out", str(folder)]) != 0:
            raise SystemExit(1)
        page = folder / "demo_review" / "review.html"
        browser = Browser(1200, 860)
        try:
            browser.media("light")
            browser.open(page)
            browser.picture(DOCS / "review_verdict.png")
            browser.drag(".speed .plot", [(0.52, 0.5), (0.56, 0.5)])
            for selector, name in (("#round", "review_round_the_lap"), ("details.corner", "review_corner")):
                browser.run("document.querySelector(arguments[0]).scrollIntoView({behavior: 'instant'})", selector)
                browser.picture(DOCS / f"{name}.png")
            browser.size(390, 844, phone=True)
            browser.media("dark")
            browser.open(page)
            browser.picture(DOCS / "review_phone.png")
        finally:
            browser.close()
        shutil.copy(folder / "demo_sheet" / "track_sheet_1.png", DOCS / "track_sheet.png")


if __name__ == "__main__":
    main()
