"""Which of several shops a stamp is of: what is read under it is theirs alone, and is kept apart from any other's."""

from __future__ import annotations

from collections.abc import Iterable

from models.records.shops import MARK

_SHOPS = "shops="


def named(stamp: str, shops: Iterable[str]) -> str:
    """A stamp of everything as one of these shops."""
    place, _, version = stamp.rpartition("|")
    return f"{place}|{_SHOPS}{''.join(shop + MARK for shop in shops)}|{version}"


def everything(stamp: str) -> str:
    """The stamp of every shop's rows at the same moment."""
    place, _, version = stamp.rpartition("|")
    before, _, shops = place.rpartition("|")
    return f"{before}|{version}" if shops.startswith(_SHOPS) else stamp


def shown(stamp: str) -> tuple[str, ...] | None:
    """The shops a stamp, or a work stamp, is of; None where that is no question."""
    part = stamp.rsplit("|", 2)[1] if stamp.count("|") > 1 else ""
    return tuple(part.removeprefix(_SHOPS).split(MARK)[:-1]) if part.startswith(_SHOPS) else None
