"""Every room's rule: which rooms a file may import from. An arrow that is not written here is an error."""

from __future__ import annotations

import ast
import io
import tokenize
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
TOPS = ("models", "pipelines", "dashboard", "demo_warehouse")
KIND = "pipelines.kinds.<kind>"
PAGE = "dashboard.views.<page>"
BASE = "pipelines"
"""Files that stand directly in `pipelines/`: errors, the waveform, bytes and text of a file, threads."""

MODELS = {
    "models.stats",
    "models.records",
    "models.spread",
    "models.outliers",
    "models.thresholds",
    "models.jobs",
    "models.shops",
}
# Each room, and the rooms it may import from; read from top to bottom nothing points upward.
RULES: dict[str, set[str]] = {
    "models": set(),
    "models.stats": set(),
    "models.records": {"models.stats"},
    "models.spread": {"models.records", "models.stats"},
    "models.outliers": {"models.records", "models.stats", "models.spread"},
    "models.thresholds": {"models.records", "models.stats", "models.spread"},
    "models.jobs": {"models.records", "models.stats"},
    "models.people": {"models.records", "models.stats", "models.jobs"},
    "models.shops": {"models.records", "models.stats"},
    BASE: set(),
    KIND: {BASE, "pipelines.kinds", "models.records", "models.stats"},
    "pipelines.kinds": {BASE, "models.records", "models.outliers"},
    "pipelines.readers": {BASE},
    "pipelines.warehouse": {BASE, "pipelines.kinds", "models.records", "models.thresholds"},
    "pipelines.access": {BASE, "models.records"},
    "pipelines.intake": {
        BASE, "pipelines.kinds", "pipelines.readers", "pipelines.warehouse", "models.records",
        # a leaver's name goes with their sign-in
        "pipelines.access",
    },
    "pipelines.fit": {BASE, "pipelines.kinds", "pipelines.warehouse"} | MODELS | {"models.people"},
    "pipelines.reports": {BASE, "pipelines.kinds", "pipelines.warehouse", "pipelines.fit"} | MODELS | {"models.people"},
    "pipelines.cli": {
        BASE, "pipelines.kinds", "pipelines.readers", "pipelines.warehouse", "pipelines.intake", "pipelines.fit",
        "pipelines.reports", "models.records",
        "pipelines.access",
        # only inside the functions that open them
        "dashboard", "dashboard.documents", "demo_warehouse",
    },
    "demo_warehouse": {
        BASE, KIND, "pipelines.kinds", "pipelines.warehouse", "pipelines.intake", "pipelines.fit", "pipelines.cli",
        "models.records",
    },
    "dashboard": {
        BASE, "pipelines.kinds", "pipelines.warehouse", "pipelines.intake", "pipelines.fit", "pipelines.reports",
        "pipelines.access", "dashboard.shared",
    } | MODELS | {"models.people"},
    "dashboard.door": {"dashboard", BASE, "pipelines.access"},
    "dashboard.shared": {"dashboard", BASE, "pipelines.access", "pipelines.kinds", "pipelines.reports"}
    | MODELS
    | {"models.people"},
    "dashboard.documents": {"dashboard", "dashboard.shared", BASE, "pipelines.kinds", "pipelines.reports"}
    | MODELS
    | {"models.people"},
    PAGE: {
        "dashboard", "dashboard.shared", "dashboard.documents", BASE, "pipelines.kinds", "pipelines.warehouse",
        "pipelines.reports",
    }
    | MODELS
    | {"models.people"},
}  # fmt: skip


def room(module: str) -> str:
    """The room a module stands in; of a name imported from a package, the package's."""
    parts = module.split(".")
    if parts[:2] == ["pipelines", "kinds"]:
        inside = len(parts) > 2 and (ROOT / "pipelines" / "kinds" / parts[2]).is_dir()
        return KIND if inside else "pipelines.kinds"
    if parts[:2] == ["dashboard", "views"]:
        return PAGE if len(parts) > 2 else "dashboard"
    if len(parts) > 1 and (ROOT / parts[0] / parts[1]).is_dir():
        return ".".join(parts[:2])
    return parts[0]


def place(path: Path) -> str:
    """The module name of a file."""
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def imports(path: Path) -> set[str]:
    """Modules of ours that a file imports, wherever in it the import stands."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return {name for name in found if name.split(".")[0] in TOPS}


SOURCES = sorted(path for top in TOPS for path in (ROOT / top).rglob("*.py"))


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_file_imports_only_what_its_room_may(path: Path) -> None:
    own = room(place(path))
    allowed = RULES[own] | {own}
    wrong = {name: room(name) for name in imports(path) if room(name) not in allowed}
    assert not wrong, f"{own} may not import from {sorted(set(wrong.values()))}: {sorted(wrong)}"


@pytest.mark.parametrize("path", [p for p in SOURCES if room(place(p)) in (KIND, PAGE)], ids=place)
def test_kinds_and_pages_do_not_know_each_other(path: Path) -> None:
    own = place(path).split(".")[:3]
    others = [
        name for name in imports(path) if room(name) == room(place(path)) and name.split(".")[:3] != own
    ]
    assert not others


def test_no_arrow_of_the_rules_runs_in_a_circle() -> None:
    def reachable(start: str) -> set[str]:
        found: set[str] = set()
        todo = list(RULES[start])
        while todo:
            here = todo.pop()
            if here not in found:
                found.add(here)
                todo += RULES[here]
        return found

    # The command opens the pages and the demo, which use its output: inside functions, so no circle of imports.
    circles = {name for name in RULES if name in reachable(name)}
    assert circles <= {"dashboard", "dashboard.shared", "pipelines.cli", "demo_warehouse"}


def test_every_room_has_a_rule_and_the_table_of_the_docs_names_it() -> None:
    rooms = {room(place(path)) for path in SOURCES}
    assert rooms == set(RULES)
    developers = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for name in rooms - {KIND, PAGE}:
        assert f"`{name.replace('.', '/')}/`" in developers, name


LONGEST_FILE = 400
LONGEST_FUNCTION = 60
_NO_CODE = {
    tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT, tokenize.ENDMARKER,
}  # fmt: skip


def code_lines(source: str) -> dict[str, int]:
    """Lines of code of each function, its signature included: no blank line, comment or docstring."""
    code: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type not in _NO_CODE:
            code |= set(range(token.start[0], token.end[0] + 1))
    found = {}
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            own = set(range(node.lineno, (node.end_lineno or node.lineno) + 1))
            first = node.body[0]
            if isinstance(first, ast.Expr) and ast.get_docstring(node) is not None:
                own -= set(range(first.lineno, (first.end_lineno or first.lineno) + 1))
            found[f"{node.name}:{node.lineno}"] = len(own & code)
    return found


def test_lines_of_code_are_counted_without_docstrings_comments_and_blank_lines() -> None:
    source = 'def f(\n    x,\n):\n    """Says\n\n    so."""\n    # why\n\n    y = """two\n    lines"""\n    return y\n'
    assert code_lines(source) == {"f:1": 6}


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_files_and_functions_can_be_read_at_one_sitting(path: Path) -> None:
    source = path.read_text(encoding="utf-8")
    assert len(source.splitlines()) <= LONGEST_FILE
    long = {name: lines for name, lines in code_lines(source).items() if lines > LONGEST_FUNCTION}
    assert not long, "split these"
