"""Test kinds: one folder a kind, discovered by being there; an import error in one is never swallowed."""

from __future__ import annotations

import importlib
import pkgutil
from functools import cache

from pipelines.kinds.base import (
    Check,
    ElementReading,
    EngineFamily,
    Events,
    Hookup,
    Kind,
    Reading,
    SetupCheck,
)

__all__ = [
    "GENERAL_NOUN",
    "OFF_HOUSE_SETUP",
    "Check",
    "ElementReading",
    "EngineFamily",
    "Events",
    "Hookup",
    "Kind",
    "Reading",
    "SetupCheck",
    "checks",
    "forget",
    "habits",
    "kind",
    "kinds",
    "register",
]

GENERAL_NOUN = "cylinder"
"""An outcome that names no test speaks of every test on these elements."""

OFF_HOUSE_SETUP = SetupCheck(
    "off_house_setup",
    "the hookup differs from the shop's own standing one",
    "differs from the standing hookup",
    todo="hook up as the standing hookup says; set the attenuator's factor in the scope and in the log alike",
)
"""The one check every test has: made by the fit and not by a reader, because the standing hookup can change."""

_registered: dict[str, Kind] = {}


@cache
def _packages() -> frozenset[str]:
    return frozenset(module_info.name for module_info in pkgutil.iter_modules(__path__) if module_info.ispkg)


@cache
def _declared(package: str) -> Kind:
    declared: Kind = importlib.import_module(f"{__name__}.{package}").KIND
    return declared


@cache
def _found() -> dict[str, Kind]:
    found = [_declared(package) for package in _packages()]
    return {declared.name: declared for declared in sorted(found, key=lambda declared: declared.lesson)}


def kinds() -> dict[str, Kind]:
    """Every test kind by name, in the order of the course: each package here with a `KIND`."""
    return _found() | _registered


def kind(name: str) -> Kind | None:
    """The kind of that name, or None where no such test is known."""
    if name in _packages() and name not in _registered:
        # Its own package alone: a worker process reads with one kind, and loading all takes longer than a capture.
        declared = _declared(name)
        if declared.name == name:
            return declared
    return kinds().get(name)


def register(declared: Kind) -> None:
    """Add a kind that lives outside this package, for this process (worker processes do not see it)."""
    _registered[declared.name] = declared


def forget(name: str) -> None:
    """Take a registered kind away again."""
    _registered.pop(name, None)


def checks() -> dict[str, SetupCheck]:
    """Every setup check by name; several kinds may share one."""
    found = {check.name: check for known in kinds().values() for check in known.checks}
    return found | {OFF_HOUSE_SETUP.name: OFF_HOUSE_SETUP}


def habits() -> frozenset[tuple[str, str]]:
    """Every (test, check) that is about how the scope was hooked up, so that a person can be coached in it."""
    return frozenset(
        (known.name, check.name)
        for known in kinds().values()
        for check in (*known.checks, OFF_HOUSE_SETUP)
        if check.habit
    )
