"""Test kinds: one module a kind, discovered by name; an import error in one is never swallowed."""

from __future__ import annotations

import importlib
import pkgutil
from functools import cache

from pipelines.kinds.base import (
    Check,
    CylinderReading,
    EngineFamily,
    Events,
    Hookup,
    Reading,
    TestKind,
)

__all__ = [
    "Check",
    "CylinderReading",
    "EngineFamily",
    "Events",
    "Hookup",
    "Reading",
    "TestKind",
    "kind",
    "kinds",
]


@cache
def kinds() -> dict[str, TestKind]:
    """Every test kind by name: each module of this package that defines a `KIND`."""
    found: dict[str, TestKind] = {}
    for module_info in pkgutil.iter_modules(__path__):
        module = importlib.import_module(f"{__name__}.{module_info.name}")
        declared = getattr(module, "KIND", None)
        if declared is not None:
            found[declared.name] = declared
    return found


def kind(name: str) -> TestKind | None:
    """The kind of that name, or None where no such test is known."""
    return kinds().get(name)
