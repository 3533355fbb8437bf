"""What the wheel carries: every package, the demo tracks, karts and recording; what is required is what is imported."""

from __future__ import annotations

import ast
import sys
import tomllib
from fnmatch import fnmatch
from pathlib import Path

import pytest

from linelab.cli.demo import demo_recording
from linelab.files.bundled import DEMO_KART, DEMO_TRACK
from linelab.files.kart_file import bundled_karts
from linelab.files.tracks.track_file import bundled_tracks

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def project() -> dict:
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


#: Libraries that are imported under another name than they are installed by.
IMPORTED_AS = {"PIL": "pillow"}


#: Distributions that are imported by another name.
IMPORTED_AS = {"pillow": "PIL"}


def names(requirements: list[str]) -> set[str]:
    """Names by which requirements are imported, but for dashes."""
    found = {requirement.split("[")[0].split(">")[0].split("<")[0].split("=")[0] for requirement in requirements}
    return {IMPORTED_AS.get(name, name) for name in found}


def imported(folder: Path) -> set[str]:
    """Top-level names imported anywhere below a folder, apart from the standard library and linelab."""
    found = set()
    for path in folder.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found |= {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
                found.add(node.module.split(".")[0])
    return {IMPORTED_AS.get(name, name) for name in found} - set(sys.stdlib_module_names) - {"linelab"}


def test_every_package_is_listed(project):
    listed = set(project["tool"]["setuptools"]["packages"])
    on_disk = {".".join(path.parent.relative_to(ROOT).parts) for path in (ROOT / "linelab").rglob("__init__.py")}
    assert listed == on_disk | {"linelab.tracks"}


@pytest.mark.parametrize("folder", ["linelab", "tracks"])
def test_every_data_file_travels(project, folder):
    patterns = project["tool"]["setuptools"]["package-data"]["linelab" if folder == "linelab" else "linelab.tracks"]
    data = [
        path.relative_to(ROOT / folder)
        for path in (ROOT / folder).rglob("*")
        if path.is_file() and path.suffix not in (".py", ".pyc") and "__pycache__" not in path.parts
    ]
    assert len(data) >= 4
    assert [path.as_posix() for path in data if not any(fnmatch(path.as_posix(), p) for p in patterns)] == []


def test_bundled_files_exist():
    assert DEMO_TRACK in bundled_tracks()
    assert DEMO_KART in bundled_karts()
    assert demo_recording().is_file()


def test_the_library_requires_what_it_imports_and_nothing_else(project):
    required = {name.replace("-", "_") for name in names(project["project"]["dependencies"])}
    tables = names(project["project"]["optional-dependencies"]["tables"])
    # pydantic_core is pydantic's own core.
    assert imported(ROOT / "linelab") - {"pydantic_core"} == required | tables


def test_the_tests_import_nothing_but_the_extras(project):
    extras = project["project"]["optional-dependencies"]
    listed = names(project["project"]["dependencies"] + extras["tables"] + extras["test"])
    allowed = {name.replace("-", "_") for name in listed}
    helpers = {path.stem for path in (ROOT / "tests").rglob("*.py")}
    assert imported(ROOT / "tests") - helpers <= allowed


def test_requirements_have_ranges(project):
    for requirement in project["project"]["dependencies"]:
        assert ">=" in requirement, requirement
        assert "<" in requirement, requirement
