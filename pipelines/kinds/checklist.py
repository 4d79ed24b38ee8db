"""Setup checks of a kind in one table: what each saw, how bad it is, what to do next time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipelines.kinds.base import Check, SetupCheck, Severity


@dataclass(frozen=True, slots=True)
class CheckKind:
    """One check: how the README says it, how bad it is, what to do next time, and whether it is a habit."""

    saw: str
    short: str
    severity: Severity
    advice: str
    habit: bool = True


def found(table: Mapping[str, CheckKind], name: str) -> Check:
    """The check `name` of a kind's table as found in a capture.

    Raises:
        KeyError: when there is no such check.
    """
    return Check(name, table[name].severity, table[name].advice)


def declared(table: Mapping[str, CheckKind]) -> tuple[SetupCheck, ...]:
    """A kind's table as its declaration holds it."""
    return tuple(
        SetupCheck(name, one.saw, one.short, one.habit, one.advice.rstrip(".")) for name, one in table.items()
    )
