"""The report: the shop's answers as one document, every estimate with its n and interval."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

import polars as pl

from models.jobs.adoption import Adoption
from models.jobs.comebacks import Comebacks
from models.jobs.comparison import Group
from models.people.coaching import CoachingList
from models.people.skill import TechnicianSkill
from models.stats.results import Estimate
from pipelines.errors import ShopspreadError
from pipelines.fit.beside import BESIDE_FRAMES, beside_of
from pipelines.fit.figures import (
    COST_FRAMES,
    PEOPLE_FRAMES,
    Figures,
    figures_of,
    last_day,
    load_beside,
    load_costs,
    load_figures,
    load_limit_figure,
    people_settings,
    people_shop,
)
from pipelines.fit.limits import CURVES, GAUGE, LimitFigure, costs_of
from pipelines.kinds import kinds
from pipelines.reports.groups import GROUP_FRAMES, family_reports, test_reports
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.decisions import read_settings
from pipelines.warehouse.shops import frames_of

__all__ = [
    "BESIDE_FRAMES", "CURVES", "GAUGE", "Figures", "LimitFigure", "beside_of", "build_report", "last_day",
    "load_beside", "load_figures", "load_limit_figure", "people_settings",
]  # fmt: skip

# A file that waits has no time of its own: as of any day, it waits.
STATUSES = ("read", "unusable", "waiting", "refused")


def refuse_future(warehouse: Warehouse, day: dt.date) -> None:
    """Nothing is known of a day that has not begun.

    Raises:
        ShopspreadError: when the day lies after today and after the newest day on record.
    """
    newest = max(dt.date.today(), last_day(warehouse.frame("last_day")))
    if day > newest:
        raise ShopspreadError(f"{day} has not begun yet; name a day up to {newest}.")


def build_report(
    warehouse: Warehouse, *, as_of: dt.date | None = None, shop: str | None = None
) -> dict[str, Any]:
    """The report document.

    As of the newest day the figures the last fit stored are read, as long as nothing they depend on has changed
    since; as of an earlier day, or after a change, they are worked out.

    Args:
        as_of: the shop as it stood at the end of this day. Default: the newest day on record, because
            follow-up of repairs ends where the records end, not today.
        shop: one of several; None where there is but one.

    Raises:
        WarehouseError: when the warehouse cannot be read.
    """
    newest = last_day(frames_of(warehouse, ("last_day",), shop)["last_day"])
    day = as_of or newest
    figures, costs = None, None
    if day == newest:
        figures, costs = load_figures(warehouse, charts=False, shop=shop), load_costs(warehouse, shop)
    if figures is None:
        frames = frames_of(warehouse, PEOPLE_FRAMES, shop)
        figures = figures_of(people_shop(frames), people_settings(read_settings(warehouse)), day)
        del frames
    end = dt.datetime.combine(day, dt.time.max)
    if costs is None:
        costs = costs_of(frames_of(warehouse, COST_FRAMES, shop), end)
    names = (*GROUP_FRAMES, "status_counts", "group_counts")
    frames = frames_of(warehouse, names, shop, {"until": end})
    tests = test_reports(frames, costs)
    counts = dict(frames["status_counts"].group_by("status").agg(pl.col("captures").sum()).iter_rows())
    first = next(iter(kinds()))
    named = {} if shop is None else {"shop": shop}
    return named | {
        "as_of": day.isoformat(),
        "captures": {status: counts.get(status, 0) for status in STATUSES},
        "adoption": _adoption(figures.adoption),
        "comebacks": _comebacks(figures.comebacks),
        "technicians": [_technician(skill, figures.coaching) for skill in figures.skills],
        "families": family_reports(next((test for test in tests if test["test"] == first), {"groups": []})),
        "tests": tests,
    }


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
        ("calls", skill.corrected.right),
        ("sensitivity", skill.corrected.sensitivity),
        ("specificity", skill.corrected.specificity),
        ("adoption", skill.adoption),
        ("hookup", skill.hookup),
    )
    return {
        "technician": skill.technician,
        "captures": skill.captures,
        **{name: estimate.to_dict() for name, estimate in estimates},
        # which calls get confirmed hangs on the call: these read too high or too low, and stand here for the record
        "among_confirmed": {
            "calls": skill.calls.to_dict(),
            "sensitivity": skill.sensitivity.to_dict(),
            "specificity": skill.specificity.to_dict(),
        },
        "drills": {"target": skill.drills.target, "done": skill.drills.done},
        "trend": {
            "usable_per_month": skill.usable_per_month.to_dict(),
            "calls_per_month": skill.calls_per_month.to_dict(),
        },
        "coaching": {"needed": bool(reasons), "reasons": reasons},
    }
