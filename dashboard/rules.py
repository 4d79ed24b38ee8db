"""The rule of every write: the right it asks for at that very moment, and what of its answer a person may hear."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import replace
from typing import Any, ParamSpec, TypeVar

from dashboard import access, data
from pipelines.access.hiding import Hiding
from pipelines.access.roles import Right, Viewer
from pipelines.errors import ShopspreadError
from pipelines.intake.entry import Uploaded
from pipelines.intake.form import Entered
from pipelines.intake.undo import Undone

P = ParamSpec("P")
TRIES = 5
R = TypeVar("R")
Rule = Right | Callable[[str], Right]


def needs(
    rule: Rule, of: Callable[..., Iterable[str]] | None = None
) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Give a write its rule: the right it needs, or what says so from its first argument, a table.

    Args:
        of: from the same arguments, the names it is about, for who may write for which shop; an empty one is the
            whole group's.
    """

    def ruled(work: Callable[P, R]) -> Callable[P, R]:
        names = [name for name in inspect.signature(work).parameters if name in ("by", "set_by")]

        @functools.wraps(work)
        def asked(*args: P.args, **kwargs: P.kwargs) -> R:
            right = rule if isinstance(rule, Right) else rule(str(args[0]))
            person = access.allow(right)
            person.require_shops(of(*args, **kwargs) if of is not None else ())
            for name in names:
                kwargs[name] = person.name or kwargs[name]
            hides = hiding_from(person)
            try:
                found = work(*args, **kwargs)
            except ShopspreadError as error:
                error.args = tuple(hides.text(str(part)) for part in error.args)
                raise
            with suppress(ShopspreadError):  # what was written is on record by now
                hides = hiding_from(person)
            return _told(found, hides)

        asked.needs = rule  # type: ignore[attr-defined]
        return asked

    return ruled


def hiding_from(person: Viewer) -> Hiding:
    """What is hidden from somebody, looked up in the middle of a write; again where the warehouse has moved on.

    Raises:
        ShopspreadError: when it moves on all the time.
    """
    if person.may(Right.SEE_NAMES):
        return Hiding()
    for _ in range(TRIES):
        with suppress(data.Moved):
            return data.hiding(data.stamp(), person)
    raise ShopspreadError("Others are writing all the time; try again in a moment.")


def _told(found: R, hides: Hiding) -> R:
    """What a write says, as the person may hear it."""
    told: Any = found
    if not hides.active:
        return found
    if isinstance(told, Entered):
        told = replace(told, key=hides.text(told.key), notes=tuple(map(hides.text, told.notes)))
    elif isinstance(told, Undone):
        told = replace(told, kept=tuple(map(hides.text, told.kept)))
    elif isinstance(told, Uploaded):
        taken = tuple(
            replace(one, capture_file=None if one.capture_file is None else hides.file(one.capture_file))
            for one in told.taken
        )
        troubles = {hides.file(file): hides.text(why) for file, why in told.troubles.items()}
        told = replace(told, taken=taken, troubles=troubles)
    return told  # type: ignore[no-any-return]
