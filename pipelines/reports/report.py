"""The report: the shop's answers as one document, every estimate with its n and interval."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

import polars as pl

from models.jobs.adoption import Adoption, adoption
from models.jobs.comebacks import Comebacks, comebacks
from models.jobs.comparison import Group
from models.people.coaching import CoachingList, needs_coaching
from models.people.skill import TechnicianSkill, technicians
from models.records.people_settings import PeopleSettings
from models.records.shop import Shop
from models.stats.results import Estimate
from pipelines.fit import standing_hookup
from pipelines.kinds import kinds
from pipelines.reports.groups import GROUP_FRAMES, family_reports, test_reports
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.decisions import read_settings
from pipelines.warehouse.shop import NAMES, shop_of

FRAMES = (*NAMES, *GROUP_FRAMES, "last_day")
# A file that waits has no time of its own: as of any day, it waits.
STATUSES = ("read", "unusable", "waiting", "refused")


def people_settings(settings: dict[str, Any]) -> PeopleSettings:
    """The shop's settings as the models about people take them."""
    return PeopleSettings(
        window_days=int(settings["comeback_window_days"]),
        hookups=standing_hookup.setups(settings["house_setup"]),
    )


def people_of(
    shop: Shop, chosen: PeopleSettings, day: dt.date
) -> tuple[tuple[TechnicianSkill, ...], CoachingList]:
    """Everybody's figures and the coaching list, as of the end of a day."""
    skills = technicians(shop, as_of=day, settings=chosen)
    return skills, needs_coaching(skills, shop, as_of=day, settings=chosen)


def build_report(warehouse: Warehouse, *, as_of: dt.date | None = None) -> dict[str, Any]:
    """The report document.

    Args:
        as_of: the shop as it stood at the end of this day. Default: the newest day on record, because
            follow-up of repairs ends where the records end, not today.

    Raises:
        WarehouseError: when the warehouse cannot be read.
    """
    settings = read_settings(warehouse)
    frames = warehouse.frames(FRAMES)
    shop = shop_of(frames)
    day = as_of or last_day(frames["last_day"])
    chosen = people_settings(settings)
    skills, coaching = people_of(shop, chosen, day)
    end = dt.datetime.combine(day, dt.time.max)
    until = shop.captures.filter(pl.col("captured_at").is_null() | (pl.col("captured_at") <= end))
    tests = test_reports(shop, frames, end)
    first = next(iter(kinds()))
    return {
        "as_of": day.isoformat(),
        "captures": {status: until.filter(pl.col("status") == status).height for status in STATUSES},
        "adoption": _adoption(adoption(shop, as_of=day, settings=chosen)),
        "comebacks": _comebacks(comebacks(shop, as_of=day, settings=chosen)),
        "technicians": [_technician(skill, coaching) for skill in skills],
        "families": family_reports(next((test for test in tests if test["test"] == first), {"groups": []})),
        "tests": tests,
    }


def last_day(frame: pl.DataFrame) -> dt.date:
    """The newest day on record; today for an empty warehouse."""
    found = frame["last_day"].drop_nulls()
    return found[0] if len(found) else dt.date.today()


def _adoption(value: Adoption) -> dict[str, Any]:
    overall = value.overall
    document: dict[str, Any] = {
        "eligible_orders": value.eligible,
        "scoped_orders": value.scoped,
        "share": overall.estimate,
        "n": overall.n,
        "low": overall.low,
        "high": overall.high,
    }
    if overall.why is not None:
        document["why"] = overall.why
    return document


def _comebacks(value: Comebacks) -> dict[str, Any]:
    adjusted = value.adjusted
    return {
        "window_days": value.window_days,
        "watched_whole_window": value.watched_whole,
        "crude": {
            "scoped": _group(value.crude.scoped),
            "not_scoped": _group(value.crude.not_scoped),
            "risk_difference": value.crude.risk_difference.to_dict(),
        },
        "adjusted": {
            "risk_difference": adjusted.risk_difference.to_dict(),
            "scoped_risk": adjusted.scoped_risk.to_dict(),
            "not_scoped_risk": adjusted.not_scoped_risk.to_dict(),
            "method": adjusted.method,
            "adjusted_for": list(adjusted.adjusted_for),
            "caution": adjusted.caution,
            "comparable_share": adjusted.comparable,
            "e_value": None
            if adjusted.e_value is None
            else {"estimate": adjusted.e_value.estimate, "limit": adjusted.e_value.limit},
        },
    }


def _group(value: Group) -> dict[str, Any]:
    risk = value.risk
    document: dict[str, Any] = {
        "orders": value.orders,
        "comebacks": value.comebacks,
        "risk": risk.estimate,
        "n": risk.n,
        "low": risk.low,
        "high": risk.high,
    }
    if risk.why is not None:
        document["why"] = risk.why
    return document


def _technician(skill: TechnicianSkill, coaching: CoachingList) -> dict[str, Any]:
    reasons = [item.evidence for item in coaching.items if item.technician == skill.technician]
    estimates: Sequence[tuple[str, Estimate]] = (
        ("usable", skill.usable),
        ("calls", skill.calls),
        ("sensitivity", skill.sensitivity),
        ("specificity", skill.specificity),
        ("adoption", skill.adoption),
        ("hookup", skill.hookup),
    )
    return {
        "technician": skill.technician,
        "captures": skill.captures,
        **{name: estimate.to_dict() for name, estimate in estimates},
        "drills": {"target": skill.drills.target, "done": skill.drills.done},
        "trend": {
            "usable_per_month": skill.usable_per_month.to_dict(),
            "calls_per_month": skill.calls_per_month.to_dict(),
        },
        "coaching": {"needed": bool(reasons), "reasons": reasons},
    }
