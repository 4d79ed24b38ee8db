"""The report document as a page a shop manager reads in a minute."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

WIDTH = 92
LEAST = 40


def report_text(document: Mapping[str, Any], width: int = WIDTH) -> str:
    """The document of `build_report` as plain text.

    Args:
        width: columns there are; a line that would be longer goes on below, indented. Never less than `LEAST`.
    """
    width = max(LEAST, min(width, WIDTH))
    parts = [
        f"Shopspread report, as of {document['as_of']}",
        "",
        *_captures(document),
        *_adoption(document),
        *_comebacks(document["comebacks"]),
        *_technicians(document["technicians"]),
        *(line for test in document["tests"] for line in _test(test)),
        "Brackets hold 95 % intervals. Figures about people are for coaching, not for ranking.",
    ]
    return "\n".join(fitted for line in parts for fitted in _fitted(line, width))


def _fitted(line: str, width: int) -> list[str]:
    """A line in so many columns; what does not fit goes on below, indented by two more."""
    line = line.rstrip()
    if len(line) <= width:
        return [line]
    indent = " " * (len(line) - len(line.lstrip()) + 2)
    first, rest = line[:width], line[width:]
    if not rest.startswith(" ") and " " in first.strip():
        at = first.rstrip().rfind("  ") if "  " in first.strip() else first.rfind(" ")
        at = at if at > len(indent) else first.rfind(" ")
        first, rest = line[:at], line[at:]
    return [first.rstrip(), *_fitted(f"{indent}{rest.strip()}", width)]


def percent(value: Mapping[str, Any], *, digits: int = 0) -> str:
    """A share as `62 % [55 to 69], n = 180`, or why there is none."""
    if value.get("estimate") is None:
        return f"too little to say (n = {value.get('n', 0)})"
    return f"{percent_short(value, digits=digits)}, n = {value['n']}"


def percent_short(value: Mapping[str, Any], *, digits: int = 0) -> str:
    """A share as `62 % [55 to 69]`, or a dash."""
    if value.get("estimate") is None:
        return f"- (n {value.get('n', 0)})"
    text = f"{100 * value['estimate']:.{digits}f} %"
    if value.get("low") is not None and value.get("high") is not None:
        text += f" [{100 * value['low']:.{digits}f} to {100 * value['high']:.{digits}f}]"
    return text


def points(value: Mapping[str, Any]) -> str:
    """A difference of shares in percentage points with its interval."""
    if value.get("estimate") is None:
        return value.get("why") or "too little to say"
    return (
        f"{100 * value['estimate']:+.1f} points [{100 * value['low']:+.1f} to {100 * value['high']:+.1f}], "
        f"n = {value['n']}"
    )


def _wrap(text: str, indent: str = "  ") -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent)


def _captures(document: Mapping[str, Any]) -> list[str]:
    counts = document["captures"]
    lines = [
        "Captures",
        f"  {counts['read']} read, {counts['unusable']} unusable, {counts['waiting']} waiting, "
        f"{counts['refused']} refused",
    ]
    if counts["waiting"] or counts["refused"]:
        lines += _wrap(
            "What waits or was refused, and why: the intake page of the dashboard, or ingest again."
        )
    return [*lines, ""]


def _adoption(document: Mapping[str, Any]) -> list[str]:
    value = document["adoption"]
    share = {
        "estimate": value["share"],
        "low": value.get("low"),
        "high": value.get("high"),
        "n": value["eligible_orders"],
    }
    return [
        "Is the scope being used?",
        *_wrap(
            f"{value['scoped_orders']} of {value['eligible_orders']} jobs where it would have served had a capture: "
            f"{percent_short(share)}."
        ),
        "",
    ]


def _comebacks(value: Mapping[str, Any]) -> list[str]:
    crude, adjusted = value["crude"], value["adjusted"]
    lines = [f"Do scoped jobs come back less? (within {value['window_days']} days)"]
    for label, key in (("scoped", "scoped"), ("not scoped", "not_scoped")):
        arm = crude[key]
        risk = {"estimate": arm["risk"], "low": arm["low"], "high": arm["high"], "n": arm["orders"]}
        lines.append(
            f"  {label:<11} {arm['comebacks']:>4} of {arm['orders']:>5} jobs: {percent_short(risk, digits=1)}"
        )
    lines.append(f"  difference  as counted   {points(crude['risk_difference'])}")
    lines.append(f"              like for like {points(adjusted['risk_difference'])}")
    if adjusted.get("adjusted_for"):
        lines += _wrap(
            f"Like for like means: {adjusted['method']}, over {', '.join(adjusted['adjusted_for'])}."
        )
    lines += _wrap(adjusted["caution"])
    return [*lines, ""]


def _technicians(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    if not rows:
        return ["Technicians", "  none in the warehouse yet", ""]
    width = max(10, *(len(row["technician"]) for row in rows))
    lines = [
        "Technicians (for coaching; by name)",
        f"  {'':<{width}} {'captures':>8}  {'usable':<20} {'calls right':<20} {'drills':>9}",
    ]
    for row in rows:
        drills = f"{row['drills']['done']} of {row['drills']['target']}"
        lines.append(
            f"  {row['technician']:<{width}} {row['captures']:>8}  {percent_short(row['usable']):<20} "
            f"{percent_short(row['calls']):<20} {drills:>9}"
        )
    for row in rows:
        if row["coaching"]["needed"]:
            lines += _wrap(f"Sit down with {row['technician']}: {' '.join(row['coaching']['reasons'])}")
    return [*lines, ""]


def _test(test: Mapping[str, Any]) -> list[str]:
    rows = test["groups"]
    heading = f"{test['title']}: from where on is a {test['element']} odd?"
    if not rows:
        return [heading, "  nothing fitted yet", ""]
    names = [row.get("engine_family") or row["component"] for row in rows]
    width = max(10, *(len(name) for name in names))
    lines = [
        heading,
        f"  {'':<{width}} {'captures':>8} {'known good':>10} {'spread':>8} {'odd from':>9}  "
        f"{'false alarms':<16} {'found':<16}",
    ]
    for name, row in zip(names, rows, strict=True):
        for at, measured in enumerate(row["measures"]):
            spread = "-" if measured["spread_pct"] is None else f"{measured['spread_pct']:.1f} %"
            limit = "-" if measured["threshold_pct"] is None else f"{measured['threshold_pct']:.1f} %"
            first = f"  {name:<{width}} {row['captures']:>8} {row['known_good']:>10}"
            further = f"  {'  ' + measured['measure'].replace('_', ' '):<{width + 20}}"
            lines.append(
                f"{first if at == 0 else further} {spread:>8} {limit:>9}  "
                f"{percent_short(measured['false_alarm']):<16} {percent_short(measured['detection']):<16}"
            )
    return [*lines, ""]
