"""One way in, one direction: capture file -> pipelines -> warehouse -> models -> warehouse -> dashboard."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("pipelines", "models", "dashboard", "demo_warehouse")
# What each package may never import, and the files that may all the same.
FORBIDDEN = {
    "models": ({"duckdb", "streamlit", "altair", "pipelines", "dashboard", "demo_warehouse"}, set()),
    "pipelines": ({"streamlit", "dashboard", "demo_warehouse"}, {"pipelines/cli/app.py"}),
    "dashboard": ({"duckdb", "demo_warehouse"}, set()),
    "demo_warehouse": ({"duckdb", "streamlit", "dashboard"}, set()),
}
SOURCES = sorted(path for package in PACKAGES for path in (ROOT / package).rglob("*.py"))


def imported(path: Path) -> set[str]:
    """Top-level names a file imports, wherever in it the import stands."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            names.add(node.module.split(".")[0])
    return names


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_imports_point_one_way(path: Path) -> None:
    forbidden, excepted = FORBIDDEN[path.relative_to(ROOT).parts[0]]
    if str(path.relative_to(ROOT)) in excepted:
        return
    assert not imported(path) & forbidden


def test_every_package_was_looked_at() -> None:
    assert {path.relative_to(ROOT).parts[0] for path in SOURCES} == set(PACKAGES)


def test_the_check_sees_an_import_inside_a_function(tmp_path: Path) -> None:
    source = tmp_path / "late.py"
    source.write_text("def f():\n    import duckdb.typing\n    from streamlit import cache\n")
    assert imported(source) == {"duckdb", "streamlit"}


@pytest.mark.parametrize("path", [p for p in SOURCES if p.stem == p.parent.name], ids=lambda path: path.stem)
def test_pages_hold_no_sql_and_no_arithmetic(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert not imported(path) & {"duckdb", "numpy", "scipy", "sklearn", "statsmodels"}
    arithmetic = (ast.Mult, ast.Div, ast.FloorDiv, ast.Mod, ast.Pow, ast.Sub)
    found = [
        node.lineno
        for node in ast.walk(tree)
        if isinstance(node, ast.BinOp) and isinstance(node.op, arithmetic)
    ]
    assert not found, f"arithmetic on lines {found}"
    words = [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value.startswith("SELECT ")
    ]
    assert not words


def test_only_the_data_module_opens_the_warehouse_for_the_dashboard() -> None:
    openers = [
        path.relative_to(ROOT).as_posix()
        for path in SOURCES
        if path.relative_to(ROOT).parts[0] == "dashboard"
        and "pipelines.warehouse.database" in path.read_text(encoding="utf-8")
    ]
    assert set(openers) <= {"dashboard/data.py", "dashboard/launch.py"}
