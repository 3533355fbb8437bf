"""The public names exist, load lazily, and survive being imported in any order."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import linelab

ROOT = Path(__file__).resolve().parents[2]
HEAVY = ("casadi", "matplotlib", "scipy", "shapely", "pandas", "pydantic", "pyproj", "rich")


def _python(code: str) -> str:
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, timeout=120)
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def test_importing_linelab_loads_nothing_heavy():
    loaded = _python(f"import sys, linelab; print([m for m in {HEAVY} if m in sys.modules])")
    assert loaded == "[]"


@pytest.mark.parametrize("name", linelab.__all__)
def test_every_public_name_can_be_loaded(name):
    assert callable(getattr(linelab, name))
    assert name in dir(linelab)


def test_documented_names_are_public():
    wanted = {
        "load_track",
        "save_track",
        "load_kart",
        "load_recording",
        "solve_min_time",
        "speed_profile",
        "split_laps",
        "compare",
    }
    assert wanted <= set(linelab.__all__)


def test_unknown_names_are_attribute_errors():
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        linelab.nonsense  # noqa: B018


def test_compare_stays_callable_after_its_package_is_imported():
    """The function and the package share a name; every import order must leave ``linelab.compare`` callable."""
    code = (
        "import linelab, linelab.compare.laps as laps\n"
        "from linelab import compare\n"
        "from linelab.errors import LinelabError\n"
        "assert callable(linelab.compare) and callable(compare) and laps.split_laps\n"
        "linelab.split_laps\n"
        "import linelab.compare.compare as module\n"
        "module.compare = lambda *a, **k: (a, k)\n"
        "print(linelab.compare(1, kart=2))"
    )
    assert _python(code) == "((1,), {'kart': 2})"
