"""The public names exist, load lazily, and survive being imported in any order."""

from __future__ import annotations

import ast
import re
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


def test_only_public_names_are_listed():
    assert _python("import linelab; linelab.load_track; print(dir(linelab) == sorted(linelab.__all__))") == "True"


def test_types_and_lazy_loading_know_the_same_names():
    """What a type checker reads, what is loaded when used, and what is listed."""
    tree = ast.parse((ROOT / "linelab" / "__init__.py").read_text(encoding="utf-8"))
    (checked,) = (node for node in tree.body if isinstance(node, ast.If))
    seen = {alias.name: item.module for item in checked.body for alias in item.names}
    assert seen == linelab._HOMES
    assert sorted(seen) == linelab.__all__


def test_the_reference_lists_every_public_name():
    text = (ROOT / "docs" / "api.rst").read_text(encoding="utf-8")
    assert set(re.findall(r":: linelab\.(\w+)$", text, re.MULTILINE)) == set(linelab.__all__)


def test_unknown_names_are_attribute_errors():
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        linelab.nonsense  # noqa: B018


def test_compare_is_the_function_whatever_was_imported_before():
    """No module shares the function's name: the import system would put it in the function's place."""
    code = (
        "import linelab, linelab.coaching.compare, linelab.recorded.laps\n"
        "from linelab import compare\n"
        "assert linelab.compare is compare is linelab.coaching.compare.compare\n"
        "print(type(linelab.compare).__name__)"
    )
    assert _python(code) == "function"


def test_no_submodule_shares_a_public_name():
    inside = {path.stem for path in (ROOT / "linelab").iterdir()}
    assert not inside & set(linelab.__all__)
