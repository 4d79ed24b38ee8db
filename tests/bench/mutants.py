"""Break the models one line at a time and see whether a test notices: `python -m tests.bench.mutants FILE...`.

The faults are cosmic-ray's (`pip install cosmic-ray`; a few of its operators, those that change a figure), the tests
those that run the broken line, quickest first. What survives is printed with its line, to be judged by hand: a
test is missing, or the two forms say the same. Never part of the test run.

    python -m tests.bench.mutants --record FOLDER models/people/skill.py
    python -m tests.bench.mutants --lines FOLDER --per-file 20 --seed 1 models/people/skill.py

What is recorded are all test files that reach one of the given files by their imports, by way of `models` and the
tests' own helpers; which of their tests run a line, coverage says. Test files that reach it only through the program
(pages, commands) cost hours and are left out: a survivor may be noticed there. `--record FOLDER tests/test_skill.py`
records one test file beside what is recorded already.
"""

# ruff: noqa: T201
from __future__ import annotations

import argparse
import ast
import difflib
import importlib.abc
import importlib.util
import os
import subprocess
import sys
import time
import xml.etree.ElementTree as ElementTree
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.machinery import ModuleSpec
from pathlib import Path
from types import ModuleType

import numpy as np

SWAPS = [
    "Add_Sub",
    "Sub_Add",
    "Mul_Div",
    "Div_Mul",
    "Pow_Mul",
    "FloorDiv_Mul",
    "Mod_Add",
    "BitAnd_BitOr",
    "BitOr_BitAnd",
]
COMPARISONS = [
    "Lt_LtE",
    "LtE_Lt",
    "Gt_GtE",
    "GtE_Gt",
    "Lt_Gt",
    "Gt_Lt",
    "GtE_Lt",
    "LtE_Gt",
    "Eq_NotEq",
    "NotEq_Eq",
    "Is_IsNot",
    "IsNot_Is",
]
OPERATORS = (
    *(f"ReplaceBinaryOperator_{one}" for one in SWAPS),
    *(f"ReplaceComparisonOperator_{one}" for one in COMPARISONS),
    "ReplaceUnaryOperator_USub_UAdd",
    "ReplaceUnaryOperator_Invert_UAdd",
    "ReplaceUnaryOperator_Delete_Not",
    "AddNot",
    "ReplaceTrueWithFalse",
    "ReplaceFalseWithTrue",
    "ReplaceAndWithOr",
    "ReplaceOrWithAnd",
    "ReplaceBreakWithContinue",
    "ReplaceContinueWithBreak",
    "NumberReplacer",
    "ZeroIterationForLoop",
)
LONGEST_S = 240.0
"""A broken line that never ends is noticed too."""
_SOUND: set[str] = set()
"""Tests that have passed without a fault in this run."""
KILLED, SURVIVED, UNREACHED = "killed", "survived", "no test runs it"


@dataclass(frozen=True, slots=True)
class Mutant:
    """One file with one fault: `line` counts from 1, `source` is the whole text."""

    path: Path
    operator: str
    line: int
    source: str


@dataclass(frozen=True, slots=True)
class Place:
    """Where an operator makes a fault: the how-manieth of its places in the file, and on which line."""

    operator: str
    occurrence: int
    line: int


def places(path: Path) -> list[Place]:
    """All places where the operators make a fault, without annotations, docstrings and declarations."""
    from cosmic_ray.ast import ast_nodes, get_ast
    from cosmic_ray.plugins import get_operator

    text = path.read_text(encoding="utf-8")
    skipped, typed = _declared_lines(text), _annotations(text)
    nodes = list(ast_nodes(get_ast(text)))
    found = []
    for name in OPERATORS:
        operator = get_operator(f"core/{name}")()
        begins = [begin for node in nodes for begin, _ in operator.mutation_positions(node)]
        found += [
            Place(name, at, begin[0])
            for at, begin in enumerate(begins)
            if begin[0] not in skipped and not any(first <= begin < last for first, last in typed)
        ]
    return found


def _annotations(text: str) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Where the types of names with a value stand, (line, column) from and to: they are never worked out."""
    return [
        ((one.lineno, one.col_offset), (one.end_lineno or one.lineno, one.end_col_offset or 0))
        for one in (node.annotation for node in ast.walk(ast.parse(text)) if isinstance(node, ast.AnnAssign))
    ]


def made(path: Path, place: Place) -> Mutant | None:
    """The file with one fault; None where the operator changes nothing."""
    from cosmic_ray.mutating import mutate_code
    from cosmic_ray.plugins import get_operator

    text = path.read_text(encoding="utf-8")
    source = mutate_code(text.encode(), get_operator(f"core/{place.operator}")(), place.occurrence)
    return None if source is None or source == text else Mutant(path, place.operator, place.line, source)


def _declared_lines(text: str) -> set[int]:
    """Lines of signatures, annotated fields without a value, decorators and imports: nothing there is a figure."""
    lines: set[int] = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef):
            lines.update(range(node.lineno, node.body[0].lineno))
            lines.update(one.lineno for one in node.decorator_list)
        elif isinstance(node, ast.ClassDef):
            lines.update(one.lineno for one in node.decorator_list)
        elif isinstance(node, ast.AnnAssign) and node.value is None:
            lines.update(range(node.lineno, (node.end_lineno or node.lineno) + 1))
    return lines


class _Broken(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Hands out one module with its fault; everything else is imported as usual."""

    def __init__(self, mutant: Mutant, module: str) -> None:
        self.mutant, self.module = mutant, module

    def find_spec(self, fullname: str, *_where: object) -> ModuleSpec | None:
        if fullname != self.module:
            return None
        return importlib.util.spec_from_loader(fullname, self, origin=str(self.mutant.path))

    def create_module(self, _spec: ModuleSpec) -> None:
        return None

    def exec_module(self, module: ModuleType) -> None:
        module.__file__ = str(self.mutant.path)
        exec(compile(self.mutant.source, str(self.mutant.path), "exec"), module.__dict__)


def files_that_test(paths: Sequence[Path]) -> list[Path]:
    """Test files that import one of the files, themselves or through `models` and the tests' helpers."""
    known = {
        ".".join(path.with_suffix("").parts): path
        for folder in (Path("models"), Path("tests"))
        for path in folder.rglob("*.py")
    }
    leads = {name: _imported(path) & known.keys() for name, path in known.items()}
    reached = {".".join(path.with_suffix("").parts) for path in paths}
    while True:
        more = {name for name, to in leads.items() if to & reached} - reached
        if not more:
            break
        reached |= more
    return sorted(known[name] for name in reached if known[name].match("test_*.py"))


def _imported(path: Path) -> set[str]:
    """Modules a file imports, wherever in it; `from a import b` may mean the module a.b."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {one.name for one in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module, *(f"{node.module}.{one.name}" for one in node.names)}
    return names


def record(folder: Path, files: Sequence[str]) -> None:
    """Run the tests once and keep which lines each runs and how long it takes, beside what is kept already.

    Args:
        files: test files as they are; for files of the models all test files that reach them.
    """
    folder.mkdir(parents=True, exist_ok=True)
    given = [Path(name) for name in files]
    tests = {path for path in given if path.parts[0] == "tests"}
    tests |= set(files_that_test([path for path in given if path.parts[0] != "tests"]))
    environment = {**os.environ, "COVERAGE_FILE": str(folder / "lines")}
    times = folder / f"times-{len(list(folder.glob('times-*.xml')))}.xml"
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "--cov=models", "--cov-append"]
    command += ["--cov-context=test", "--cov-report=", f"--junitxml={times}", "-o", "junit_family=xunit1"]
    subprocess.run([*command, *sorted(map(str, tests))], env=environment, check=True)


def tests_by_line(folder: Path, path: Path) -> dict[int, list[tuple[float, str]]]:
    """For each line of a file the tests that run its statement with their seconds, quickest first.

    A statement of several lines is run as a whole: the tracer names only some of its lines.
    """
    from coverage import CoverageData

    data = CoverageData(basename=str(folder / "lines"))
    data.read()
    seconds = _seconds(folder)
    names: dict[int, set[str]] = {}
    for line, contexts in data.contexts_by_lineno(str(path.resolve())).items():
        names[line] = {context.split("|")[0] for context in contexts if context}
    found: dict[int, list[tuple[float, str]]] = {}
    for line, (first, last) in _statements(path.read_text(encoding="utf-8")).items():
        running = set().union(*(names.get(one, set()) for one in range(first, last + 1)))
        found[line] = sorted((seconds.get(name, 1.0), name) for name in running)
    return found


def _seconds(folder: Path) -> dict[str, float]:
    """How long each recorded test took."""
    return {
        f"{case.get('file')}::{case.get('name')}": float(case.get("time") or 0)
        for times in sorted(folder.glob("times-*.xml"))
        for case in ElementTree.parse(times).getroot().iter("testcase")
    }


def _statements(text: str) -> dict[int, tuple[int, int]]:
    """First and last line of the smallest statement each line belongs to (of a compound one its head)."""
    found: dict[int, tuple[int, int]] = {}
    for node in ast.walk(ast.parse(text)):  # outer statements come before what is in them
        if isinstance(node, ast.stmt):
            body = getattr(node, "body", None)
            last = body[0].lineno - 1 if body else node.end_lineno or node.lineno
            found.update(dict.fromkeys(range(node.lineno, max(last, node.lineno) + 1), (node.lineno, last)))
    return found


def fate(mutant: Mutant, tests: Sequence[str], longest_s: float = LONGEST_S) -> str:
    """Run the tests on one broken file in a process of its own.

    Args:
        tests: in the order in which they are to run; the first that fails ends it.
    """
    module = ".".join(mutant.path.with_suffix("").parts)
    child = os.fork()
    if child == 0:
        import pytest

        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 1)
        os.dup2(nowhere, 2)
        sys.meta_path.insert(0, _Broken(mutant, module))
        code = 1
        try:
            # without the plugins their marks are unknown, which must be no error
            options = [
                "-q",
                "-x",
                "-p",
                "no:cacheprovider",
                "-p",
                "no:cov",
                "-o",
                "addopts=--import-mode=importlib",
            ]
            code = int(pytest.main([*options, *tests]))
        finally:
            os._exit(min(code, 125))
    until = time.monotonic() + longest_s
    while time.monotonic() < until:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return SURVIVED if os.waitstatus_to_exitcode(status) == 0 else KILLED
        time.sleep(0.05)
    os.kill(child, 9)
    os.waitpid(child, 0)
    return KILLED


def main() -> None:
    """Print the fate of a drawn share of every file's faults, and a table by file."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument(
        "--record", type=Path, help="run the tests of these files and keep the lines they run in this folder"
    )
    parser.add_argument("--lines", type=Path, help="folder written by --record")
    parser.add_argument("--per-file", type=int, default=20)
    parser.add_argument("--most-s", type=float, default=120.0, help="seconds of tests for one fault at most")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("files", nargs="+")
    asked = parser.parse_args()
    if asked.record:
        record(asked.record, asked.files)
        return
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = (
        "1"  # none of them is needed, and each start would pay for all
    )
    for library in (
        "polars",
        "pytest",
        "scipy.optimize",
        "scipy.stats",
        "sklearn.ensemble",
        "statsmodels.api",
        "statsmodels.stats.inter_rater",
        "statsmodels.stats.multitest",
        "streamlit",
        "altair",
        "duckdb",
        "causaldata",
    ):
        importlib.import_module(library)  # once, before the forks
    for name in asked.files:
        _report(Path(name), asked)


def _report(path: Path, asked: argparse.Namespace) -> None:
    """Draw faults of one file, print those that no test notices, and a line with the counts."""
    everything = places(path)
    drawn = np.random.default_rng(asked.seed).permutation(len(everything))
    lines = tests_by_line(asked.lines, path)
    # what runs at the import, a constant say, belongs to no test: then every test of the file may notice it, those
    # first that name the module
    module = ".".join(path.with_suffix("").parts)
    naming = sorted((took, name) for name, took in _seconds(asked.lines).items() if f"[{module}." in name)
    everyone = naming + sorted({test for tests in lines.values() for test in tests})
    counts = dict.fromkeys((KILLED, SURVIVED, UNREACHED), 0)
    sound = Mutant(path, "none", 0, path.read_text(encoding="utf-8"))
    original = sound.source.splitlines()
    for index in drawn:
        if sum(counts.values()) == asked.per_file:
            break
        mutant = made(path, everything[index])
        if mutant is None:
            continue
        chosen = _within(lines.get(mutant.line) or everyone, asked.most_s)
        doubtful = [test for test in chosen if test not in _SOUND]
        if doubtful and fate(sound, doubtful, len(doubtful) * LONGEST_S) != SURVIVED:
            raise SystemExit(f"{path}: tests fail without any fault, so they would seem to notice every one")
        _SOUND.update(doubtful)
        outcome = fate(mutant, chosen) if chosen else UNREACHED
        counts[outcome] += 1
        if outcome != KILLED:
            changed = mutant.source.splitlines()
            diff = [
                one for one in difflib.unified_diff(original, changed, n=0, lineterm="") if one[:2] != "@@"
            ][2:]
            print(
                f"{outcome}: {path}:{mutant.line} {mutant.operator} ({len(chosen)} tests)",
                *diff,
                sep="\n    ",
            )
    print(f"== {path}: {len(everything)} faults, {sum(counts.values())} drawn, {counts}", flush=True)


def _within(tests: Sequence[tuple[float, str]], most_s: float) -> list[str]:
    """The quickest tests that fit into so many seconds, one at least."""
    spent: float = 0.0
    chosen: list[str] = []
    for seconds, test in tests:
        spent += seconds
        if chosen and spent > most_s:
            break
        chosen.append(test)
    return chosen


if __name__ == "__main__":
    main()
