"""Every write of the pages as every role: whether it asks for its right, and keeps the name signed in with."""

from __future__ import annotations

import inspect

import pytest

from dashboard import access, data, rules, writing
from pipelines.access.hiding import Hiding
from pipelines.access.roles import RIGHTS, NotAllowed, Right, Role, viewer_of
from pipelines.warehouse.decisions import Place

RULED = {name: work for name, work in vars(writing).items() if hasattr(work, "needs")}


class Reached(Exception):
    """The work itself began."""


@pytest.mark.parametrize("role", Role)
@pytest.mark.parametrize("name", sorted(RULED))
def test_a_write_asks_for_its_right_and_keeps_the_name_signed_in_with(
    name: str, role: Role, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept: dict[str, object] = {}
    work = RULED[name]
    monkeypatch.setattr(access, "present", lambda: viewer_of("Ann", [role], "ann"))
    monkeypatch.setattr(rules, "hiding_from", lambda _person: Hiding())

    def warehouse(**_: object) -> None:
        frame = inspect.currentframe()
        while frame is not None and frame.f_code.co_name != name:
            frame = frame.f_back
        if frame is None:  # the rule asks whose names a write carries, before the write itself begins
            return
        kept.update(frame.f_locals)
        raise Reached

    monkeypatch.setattr(data, "warehouse", warehouse)
    monkeypatch.setattr(writing, "keys_of", lambda *_: [])
    tables = ("outcomes", "drills") if work.needs is writing._right else ("",)
    for table in tables:
        right = work.needs if isinstance(work.needs, Right) else work.needs(table)
        given = dict.fromkeys(inspect.signature(work).parameters, "somebody typed this")
        needed = {right, *(writing.ALL_ROWS if name == "tables_zip" else ())}
        arguments = {
            "table": table,
            "row": {},
            "rows": [],
            "files": [],
            "place": Place("wheel_teeth", "", "hub"),
        }
        given |= {one: value for one, value in arguments.items() if one in given}
        first = [given.pop("table")] if "table" in given else []
        with pytest.raises(Reached if needed <= RIGHTS[role] else NotAllowed):
            work(*first, **given)
        for who in {"by", "set_by"} & set(kept):
            assert kept[who] == "Ann"


def test_no_write_is_without_a_rule() -> None:
    opens = {
        name
        for name, work in inspect.getmembers(writing, inspect.isfunction)
        if work.__module__ == writing.__name__
        and not name.startswith("_")
        and "data.warehouse(" in inspect.getsource(work)
    }
    assert opens <= set(RULED)
    assert len(opens) > 10
