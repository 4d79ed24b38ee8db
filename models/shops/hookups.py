"""How a shop hooks a family up where it is otherwise than in the other shops."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from models.shops.beside import HOOKUP_CHECKS

TWICE, OFTEN = 2.0, 0.1
"""A sample rate so many times another's, and a share of failed checks so much above another's, are named (choices)."""


@dataclass(frozen=True, slots=True)
class HookupApart:
    """What is otherwise in one shop; None or empty where nothing is.

    Attributes:
        signals, scales: of its channels, where no other shop has them so; empty text where they are unknown.
        rates_hz: its sample rate and the others' usual one (median), where they are twice one another or more.
        checks: setup checks that fail more often by `OFTEN`: the check, its share here, the others' mean share.
    """

    signals: str | None
    scales: str | None
    rates_hz: tuple[float, float] | None
    checks: tuple[tuple[str, float, float], ...]

    @property
    def nothing(self) -> bool:
        """Whether it is hooked up as elsewhere."""
        return self.signals is None and self.scales is None and self.rates_hz is None and not self.checks


def hookup_apart(setup: pl.DataFrame, *, test: str, family: str, shop: str) -> HookupApart | None:
    """Hold one shop's hookup of a family against the other shops'.

    Args:
        setup: as `models.shops.beside.ShopsBeside.setup`.

    Returns:
        what is otherwise; None where the shop, or every other, has no capture of the family.
    """
    here = setup.filter(test=test, family=family)
    others = here.filter(pl.col("shop") != shop)
    if others.is_empty() or here.height == others.height:
        return None
    own = here.filter(shop=shop).row(0, named=True)
    usual_hz = others["rate_hz"].median()
    rates = None
    if own["rate_hz"] and isinstance(usual_hz, float) and not 1 / TWICE < own["rate_hz"] / usual_hz < TWICE:
        rates = (float(own["rate_hz"]), usual_hz)
    shares = ((check, float(own[check]), others[check].mean()) for check in HOOKUP_CHECKS)

    def otherwise(column: str) -> str | None:
        return None if own[column] in others[column].to_list() else own[column] or ""

    return HookupApart(
        otherwise("signals"),
        otherwise("scales"),
        rates,
        tuple(
            (c, mine, their) for c, mine, their in shares if isinstance(their, float) and mine - their > OFTEN
        ),
    )
