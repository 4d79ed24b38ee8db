"""The kind's own table of checks against the names the warehouse knows and what the README says."""

from __future__ import annotations

from pathlib import Path

from pipelines.kinds.base import CHECK_NAMES
from pipelines.kinds.relative_compression.declared import CHECKS


def test_every_check_is_declared_once_with_what_it_saw_and_what_to_do() -> None:
    names = [check.name for check in CHECKS]
    assert len(names) == len(set(names))
    assert set(names) == set(CHECK_NAMES)
    assert all(
        check.saw and check.do and check.severity in ("note", "warning", "unusable") for check in CHECKS
    )


def test_the_readme_says_what_each_check_saw_in_the_same_words() -> None:
    readme = (Path(__file__).parent.parent / "README.md").read_text()
    assert [check.name for check in CHECKS if f"| `{check.name}` | {check.saw} |" not in readme] == []
