"""Imports go one way and heavy libraries stay in their homes: read from the source, function-level imports included."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "linelab"

#: From the bottom up; a module imports only from its own layer's row (its own package) or from rows above it here.
LAYERS = (
    ("errors",),
    ("units",),
    ("arrays", "measured"),
    ("geometry",),
    ("model",),
    ("speed",),
    ("optimum",),
    ("files",),
    ("drive",),
    ("recorded",),
    ("motion",),
    ("fitted",),
    ("diagnosis",),
    ("coaching",),
    ("study",),
    ("output",),
    ("app",),
    ("cli",),
    ("__main__",),
)
RANK = {name: rank for rank, row in enumerate(LAYERS) for name in row}

#: Heavy library to the modules (as starts of paths below linelab/) that may import it.
HOMES = {
    "casadi": ("speed/", "optimum/"),
    "shapely": ("geometry/", "optimum/clearance"),
    "pyproj": ("files/projection.py",),
    "pydantic": ("files/",),
    "pydantic_core": ("files/",),
    "matplotlib": ("output/",),
    "PIL": ("app/tasks/drawn/picture_placing.py",),
    "jinja2": ("output/page/", "app/pages.py"),
    "markupsafe": ("output/page/",),
    "starlette": ("app/",),
    "uvicorn": ("app/server.py",),
    "click": ("cli/",),
    "rich": ("cli/",),
    "pyarrow": ("output/lap_files.py",),
    "pandas": ("arrays.py",),  # only inside to_dataframe()
}
#: Libraries whose cold import takes so long that no module of linelab may load them on import, with those excepted.
LATE = {"pandas": (), "scipy": (), "matplotlib": ("output/",), "pyproj": (), "rich": ()}

LINES_OF_A_MODULE, FILES_OF_A_FOLDER = 600, 14


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"), filename=str(path))


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def inside(path: Path) -> str:
    return path.relative_to(PACKAGE).as_posix()


def name_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def layer(module: str) -> str:
    """First part below linelab: ``linelab.speed.profile`` is of the layer solve."""
    return module.split(".")[1]


def imports(node: ast.AST) -> Iterator[tuple[str, int]]:
    """Modules imported at or below a node, with the line; ``from linelab import x`` counts as ``linelab.x``."""
    for item in ast.walk(node):
        if isinstance(item, ast.Import):
            yield from ((alias.name, item.lineno) for alias in item.names)
        elif isinstance(item, ast.ImportFrom):
            assert item.level == 0, f"relative import in line {item.lineno}: write it out"
            if item.module in ("linelab", *PACKAGES):
                yield from ((f"{item.module}.{alias.name}", item.lineno) for alias in item.names)
            else:
                yield str(item.module), item.lineno


PACKAGES = tuple(name_of(path) for path in PACKAGE.rglob("__init__.py") if path.parent != PACKAGE)


def imports_on_load(path: Path) -> Iterator[tuple[str, int]]:
    """Imports that run when the module is imported: neither inside functions nor under TYPE_CHECKING."""
    pending: list[ast.AST] = list(tree(path).body)
    while pending:
        node = pending.pop()
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            continue
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            pending += node.orelse
            continue
        if isinstance(node, ast.Import | ast.ImportFrom):
            yield from imports(node)
        pending += ast.iter_child_nodes(node)


def test_every_module_has_a_layer():
    tops = {path.name if path.is_dir() else path.stem for path in PACKAGE.iterdir()}
    tops -= {"__pycache__", "__init__", "data", "py.typed", "py"}
    assert tops == set(RANK)


def test_imports_go_one_way():
    wrong = [
        f"{inside(path)}:{line} imports {module}"
        for path in modules()
        if path != PACKAGE / "__init__.py"  # the public names, loaded when first used
        for module, line in imports(tree(path))
        if module.startswith("linelab.") and not allowed(layer(name_of(path)), layer(module))
    ]
    assert wrong == []


def allowed(importer: str, imported: str) -> bool:
    return importer == imported or RANK[imported] < RANK[importer]


def test_nothing_imports_the_public_names():
    """The module that has the name is imported, not the package linelab, which would load it late."""
    found = [
        f"{inside(path)}:{line}" for path in modules() for module, line in imports(tree(path)) if module == "linelab"
    ]
    assert found == []


@pytest.mark.parametrize("library", HOMES)
def test_libraries_stay_in_their_homes(library):
    strangers = [
        f"{inside(path)}:{line}"
        for path in modules()
        for module, line in imports(tree(path))
        if module.split(".")[0] == library and not inside(path).startswith(HOMES[library])
    ]
    assert strangers == []


@pytest.mark.parametrize("library", LATE)
def test_slow_libraries_are_loaded_where_they_are_used(library):
    early = [
        f"{inside(path)}:{line}"
        for path in modules()
        for module, line in imports_on_load(path)
        if module.split(".")[0] == library and not inside(path).startswith(LATE[library] or ("nowhere",))
    ]
    assert early == []


def test_modules_form_no_circle():
    """Also among the modules of one package; graphlib raises CycleError with the circle."""
    known = {name_of(path) for path in modules()}
    graph = {
        name_of(path): {
            module if module in known else module.rpartition(".")[0]
            for module, _ in imports(tree(path))
            if module.startswith("linelab.")
        }
        - {name_of(path), "linelab"}
        for path in modules()
        if path != PACKAGE / "__init__.py"
    }
    order = list(TopologicalSorter(graph).static_order())
    assert order.index("linelab.errors") < order.index("linelab.cli.main")


def test_library_code_does_not_print():
    calls = [
        f"{inside(path)}:{node.lineno}"
        for path in modules()
        for node in ast.walk(tree(path))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
    ]
    assert calls == []


def test_nothing_runs_on_import():
    """Calls as statements of a module would be side effects of importing it."""
    calls = [
        f"{inside(path)}:{node.lineno}"
        for path in modules()
        for node in tree(path).body
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Call)
    ]
    assert calls == []


def test_rooms_stay_small():
    """A module is one subject of up to about 600 lines, a folder one that can be seen at a glance."""
    lines = {inside(path): len(path.read_text(encoding="utf-8").splitlines()) for path in modules()}
    assert {name: count for name, count in lines.items() if count > 1.1 * LINES_OF_A_MODULE} == {}
    files = Counter(path.parent for path in modules())
    assert {inside(folder): count for folder, count in files.items() if count > FILES_OF_A_FOLDER} == {}


def test_no_file_name_twice():
    """A name says what is inside without its folder."""
    names = Counter(path.name for path in modules() if path.name != "__init__.py")
    assert {name: count for name, count in names.items() if count > 1} == {}


@pytest.mark.parametrize(
    ("code", "absent"),
    [
        ("import linelab", ("casadi", "matplotlib", "scipy", "pandas")),
        ("from linelab.cli import main; main.run(['--help'])", ("scipy", "matplotlib", "casadi", "numpy")),
        ("from linelab import load_track, load_kart, split_laps", ("casadi", "matplotlib", "pandas")),
    ],
)
def test_what_a_start_loads(code, absent):
    report = f"import sys; {code}; print('loaded', [name for name in {absent} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", report], capture_output=True, text=True, cwd=ROOT, timeout=120)
    assert done.returncode == 0, done.stderr
    assert done.stdout.rstrip().endswith("loaded []"), done.stdout
