"""Roles and what each may see and do: one table, held by the data door and shown in the docs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from models.records.shops import own_name, qualified, shop_in
from pipelines.errors import ShopspreadError


class Role(StrEnum):
    """What somebody is in the shop; one person may be several."""

    OWNER = "owner"
    MANAGER = "manager"
    LEAD = "lead"
    TRAINER = "trainer"
    TECHNICIAN = "technician"


class Right(StrEnum):
    """One thing to see or to do. The value is the row of the table in words."""

    SEE_ENGINES = "see captures, normal spread, thresholds and known goods"
    SEE_JOBS = "see scope use, comebacks and money"
    SEE_NAMES = "see who captured and who worked on what"
    SEE_PEOPLE = "see figures about other people, and coaching"
    SEE_LOG = "see intake, the log and the settings"
    ENTER = "enter captures, labels and outcomes"
    DECIDE = "set thresholds and close what waits"
    COACH = "enter drills, coaching and technicians"
    UNDO = "take back what was entered"
    SET = "change settings"
    ADMIT = "say who may sign in, and as what"


RIGHTS: dict[Role, frozenset[Right]] = {
    Role.OWNER: frozenset(Right),
    Role.MANAGER: frozenset({Right.SEE_ENGINES, Right.SEE_JOBS, Right.SEE_LOG, Right.SET}),
    Role.LEAD: frozenset(
        {Right.SEE_ENGINES, Right.SEE_NAMES, Right.SEE_LOG, Right.ENTER, Right.DECIDE, Right.UNDO}
    ),
    Role.TRAINER: frozenset(
        {Right.SEE_ENGINES, Right.SEE_NAMES, Right.SEE_PEOPLE, Right.ENTER, Right.COACH, Right.UNDO}
    ),
    Role.TECHNICIAN: frozenset({Right.SEE_ENGINES, Right.ENTER}),
}
"""The whole table. Everybody sees what is on record about themselves, whatever their role."""


class NotAllowed(ShopspreadError):
    """Somebody asked for what their role does not give; nothing was shown or written."""


@dataclass(frozen=True, slots=True)
class Viewer:
    """Somebody who looks at the pages.

    Attributes:
        name: as they sign in; it stands beside everything they write. Empty where nobody signs in.
        technician: their key in the shop's tables; empty where they have none.
        shops: whose rows they see and write, where several share the warehouse; None for all of them.
    """

    name: str
    rights: frozenset[Right]
    technician: str = ""
    roles: tuple[Role, ...] = ()
    shops: tuple[str, ...] | None = None

    @property
    def all_rights(self) -> bool:
        """Whether nothing is hidden from this person."""
        return self.rights == frozenset(Right) and self.shops is None

    @property
    def sight(self) -> str:
        """A key that is the same for two people who are shown the same."""
        own = "" if self.may(Right.SEE_NAMES) else f"|{self.name}"
        shops = "" if self.shops is None else f"|{self.shops}"
        return f"{','.join(sorted(right.name for right in self.rights))}|{self.technician}{own}{shops}"

    def may(self, right: Right) -> bool:
        """Whether this is theirs to see or to do."""
        return right in self.rights

    def require(self, right: Right) -> None:
        """Refuse what is not theirs.

        Raises:
            NotAllowed: with a sentence for the person.
        """
        if not self.may(right):
            raise NotAllowed(self.refusal(right))

    def refusal(self, right: Right) -> str:
        """The sentence for what is not theirs."""
        who = f"As {' and '.join(self.roles)}" if self.roles else "Without a role"
        return f"{who} you may not {right.value}. The owner can change that."

    def require_shops(self, names: Iterable[str]) -> None:
        """Refuse what names something of a shop that is not theirs, or of the whole group where they have one shop.

        Args:
            names: of things (`models.records.shops`); an empty one is the whole group's.

        Raises:
            NotAllowed: with a sentence for the person.
        """
        if self.shops is not None and any(not name or shop_in(name) not in self.shops for name in names):
            raise NotAllowed(
                f"You may do that for {' and '.join(self.shops)} alone. The owner can change that."
            )

    def sees(self, technician: str) -> bool:
        """Whether figures about that person may be shown to this one."""
        return self.may(Right.SEE_PEOPLE) or (bool(technician) and technician == self.technician)


EVERYBODY = Viewer("", frozenset(Right))
"""Where nobody signs in: one shop on one computer, whoever sits there."""


def viewer_of(name: str, roles: Iterable[Role], technician: str = "", shops: Iterable[str] = ()) -> Viewer:
    """A person with the rights of all their roles together, in these shops or, where none is named, in all."""
    held = tuple(sorted(set(roles), key=list(Role).index))
    rights = frozenset().union(*(RIGHTS[role] for role in held)) if held else frozenset()
    own = tuple(shops)
    # their key is written as their shop has it, and stands inside with the shop's name before it
    if len(own) == 1 and technician:
        technician = qualified(own[0], own_name(technician))
    return Viewer(name, rights, technician, held, own or None)


def parse_roles(words: Iterable[str]) -> tuple[Role, ...]:
    """Roles by their names.

    Raises:
        ShopspreadError: for a word that is none, or where none is given.
    """
    found: list[Role] = []
    for word in words:
        try:
            found.append(Role(word.strip().lower()))
        except ValueError:
            raise ShopspreadError(f"There is no role {word!r}; there are {', '.join(Role)}.") from None
    if not found:
        raise ShopspreadError(f"Name at least one role: {', '.join(Role)}.")
    return tuple(dict.fromkeys(found))
