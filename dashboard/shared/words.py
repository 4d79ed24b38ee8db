"""Figures in words: an estimate is never shown without its n and its 95 % interval."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import polars as pl

from models.records.measure import Measure
from models.stats.results import Estimate
from pipelines.kinds.base import Kind

METHOD = "How this was worked out, and how far it can be trusted"
"""The only place for the names of methods."""
COLUMNS = {
    "capture_file": "capture", "captured_at": "day", "share_pct": "share, %", "low": "95 % from", "high": "95 % to",
    "running_pct": "over four weeks, %", "risk_pct": "came back, %", "odd_pct": "furthest off, %", "points": "points",
    "raw_pct": "as it is, %", "name": "name", "relative_pct": "of the median, %", "group_pct": "usual, %",
    "deviation_pct": "against the usual, %", "usual_low": "usual from, %", "usual_high": "usual to, %",
    "limit_low": "odd below, %", "limit_high": "odd above, %", "pattern_pct": "usual, %",
    "predict_low": "healthy from, %", "predict_high": "healthy to, %", "low_95": "95 of 100 from, %",
    "high_95": "95 of 100 to, %", "low_999": "999 of 1000 from, %", "high_999": "999 of 1000 to, %",
    "threshold_pct": "limit, %", "expected_cost": "cost of a capture", "time_s": "time, s", "what": "what",
    "spread_pct": "spread, %", "place_pct": "place in the usual range, %", "chance_pct": "chance from, %",
    "chance_to_pct": "chance to, %", "gauge_loss_pct": "gauge below the best, %", "at": "day", "n": "n",
    "repair_order": "job", "standing": "against chance", "fitted": "trend, %",
}  # fmt: skip
"""Columns of the tables behind charts, in words."""
COUNTED = {1: "one", 2: "two", 3: "three", 4: "four", 5: "five", 6: "six"}


PLAIN = ("all, robust", "all its captures, odd ones held apart")


def plain(text: str) -> str:
    """A model's sentence without the short name of a basis that is a method's."""
    return text.replace(*PLAIN)


def column(name: str) -> str:
    """A column of a frame as a table shows it."""
    return COLUMNS.get(name, name.replace("_pct", ", %").replace("_", " "))


def number(value: float, digits: int = 0) -> str:
    """A number for a sentence, with a true minus sign and no negative zero."""
    text = f"{value:,.{digits}f}".replace(",", " ")
    if float(text.replace(" ", "")) == 0:
        text = text.removeprefix("-")
    return text.replace("-", "−")


def fine(value: float) -> str:
    """A spread for a sentence: small ones, which would all read alike, with one digit more."""
    return number(value, 1 if abs(value) >= 1 else 2)


def money(value: float, currency: str) -> str:
    """An amount with what the shop calls its money, where it has said so."""
    return f"{number(value)} {currency}".strip()


def money_unit(currency: str) -> str:
    """The unit of an axis or a field of money."""
    return currency or "money"


def percent(value: float | None, digits: int = 0) -> str:
    """A part of one as a percentage."""
    return "unknown" if value is None else f"{number(100 * value, digits)} %"


def share(estimate: Estimate, *, digits: int = 0) -> str:
    """A share (in parts of one) with interval and n, or why there is none."""
    return _worded(estimate, scale=100.0, unit=" %", digits=digits)


def points(estimate: Estimate, *, digits: int = 1) -> str:
    """A difference of shares in percentage points, signed, with interval and n."""
    return _worded(estimate, scale=100.0, unit=" points", digits=digits, signed=True)


def figure(estimate: Estimate, unit: str, *, digits: int = 1, signed: bool = False) -> str:
    """Any estimate in its own unit, with interval and n."""
    return _worded(estimate, scale=1.0, unit=unit, digits=digits, signed=signed)


def brief(estimate: Estimate, *, digits: int = 0, scale: float = 100.0, unit: str = " %") -> str:
    """A figure for a table's cell: `72 % (55 to 87, n = 25)`; the table's caption says what the brackets hold."""
    if estimate.estimate is None:
        return f"too little to say (n = {estimate.n})"
    value = f"{number(scale * estimate.estimate, digits)}{unit}"
    if estimate.low is None or estimate.high is None:
        return f"{value} (n = {estimate.n})"
    low, high = number(scale * estimate.low, digits), number(scale * estimate.high, digits)
    return f"{value} ({low} to {high}, n = {estimate.n})"


def _worded(estimate: Estimate, *, scale: float, unit: str, digits: int, signed: bool = False) -> str:
    if estimate.estimate is None:
        why = (estimate.why or "too little to say").removesuffix(".")
        return f"{why} (n = {estimate.n})"
    value = scale * estimate.estimate
    text = ("+" if signed and value > 0 else "") + number(value, digits) + unit
    if estimate.low is None or estimate.high is None:
        return f"{text} (n = {estimate.n})"
    low, high = number(scale * estimate.low, digits), number(scale * estimate.high, digits)
    return f"{text} (95 % interval {low} to {high}{unit}, n = {estimate.n})"


def clear_sign(estimate: Estimate, *, digits: int = 6) -> int:
    """+1 or −1 where the whole interval lies on one side of zero as shown with so many digits, else 0."""
    if estimate.estimate is None or estimate.low is None or estimate.high is None:
        return 0
    return 1 if round(estimate.low, digits) > 0 else -1 if round(estimate.high, digits) < 0 else 0


def elements(kind: Kind, numbers: Sequence[int]) -> str:
    """`tooth 3`, `bars 3 and 4`: the noun is the kind's own."""
    names = [str(n) for n in numbers]
    if not names:
        return f"no {kind.element.noun}"
    if len(names) == 1:
        return f"{kind.element.noun} {names[0]}"
    return f"{kind.element.nouns} {', '.join(names[:-1])} and {names[-1]}"


def element_name(element: int | None, position: int, companion: int | None) -> str:
    """`3`, `1 or 4` for a pair, `no. 2` for a position that no index pulse names."""
    if element is None:
        return f"no. {position}"
    return f"{element} or {companion}" if companion is not None else str(element)


def oddest(kind: Kind, element: int | None, position: int | None, companion: int | None) -> str:
    """The element that stands furthest off, as far as it is named: `tooth 3`, `bar 1 or 5`, or its place."""
    if element is None:
        unsure = f"not named: no {kind.figure.index} tells for certain which"
        return f"the {kind.element.noun} in place {position} ({unsure})"
    return f"{kind.element.noun} {element_name(element, position or 0, companion)}"


EXTREMES = {"low": "lowest", "high": "highest", "either": "oddest"}


def extreme(measure: Measure) -> str:
    """`lowest`, `highest` or `oddest`: the side on which a fault stands."""
    return EXTREMES[measure.direction]


def stands(kind: Kind, measure: Measure) -> str:
    """How an odd element stands to the others, as the kind words it for its first measure."""
    if measure == kind.measures[0]:
        return kind.wording.stands
    return {"low": "below the others", "high": "above the others", "either": "away from the others"}[
        measure.direction
    ]


def gap_title(kind: Kind, measure: Measure) -> str:
    """The axis of how far the oddest element stands off: `Lowest bar below the others`."""
    return f"{extreme(measure).capitalize()} {kind.element.noun} {stands(kind, measure)}"


def unit_of(measure: Measure) -> str:
    """The unit of a measure: `% of the median bar`."""
    return f"% of {measure.against}"


def odd_bound(measure: Measure, odd_pct: float) -> float:
    """A gap for the eye: nothing can sit more than 100 % below the others."""
    return min(odd_pct, 100.0) if measure.direction == "low" else odd_pct


def many(noun: str) -> str:
    """More than one: `sync pulses`, `ends of the gap`."""
    head, of, rest = noun.partition(" of ")
    return f"{head}s{of}{rest}"


def plural(count: int, noun: str, many: str | None = None) -> str:
    """`1 capture`, `3 captures`."""
    return f"{number(count)} {noun if count == 1 else many or noun + 's'}"


def day(value: dt.date | dt.datetime | None) -> str:
    """A day as ISO 8601 writes it."""
    return "unknown day" if value is None else f"{value:%Y-%m-%d}"


def over(rows: pl.DataFrame, as_of: dt.date) -> pl.DataFrame:
    """Weekly rows without the week that is not over yet, which would look like a bad one."""
    return rows.filter(pl.col("week") <= as_of - dt.timedelta(days=6))


def gist(rows: pl.DataFrame, column: str, what: str, unit: str) -> str:
    """Named figures in one sentence, for whoever cannot see their chart: the first eight with their intervals."""
    parts = [
        f"{row['name']}: {number(row[column], 1)} ({number(row['low'], 1)} to {number(row['high'], 1)})"
        if row[column] is not None and row["low"] is not None and row["high"] is not None
        else f"{row['name']}: too little to say"
        for row in rows.head(8).iter_rows(named=True)
    ]
    more = f"; and {rows.height - 8} more in the table" if rows.height > 8 else ""
    return f"{what}, {unit}, with 95 % intervals. {'; '.join(parts)}{more}."


def once_in_years(per_year: float) -> str:
    """A yearly rate as `about once in 20 years`."""
    if per_year <= 0:
        return "practically never"
    years = 1 / per_year
    return f"about once in {number(years)} years" if years < 1000 else "less than once in 1 000 years"


def chance(p: float | None) -> str:
    """A p-value as a frequency anybody can picture."""
    if p is None:
        return "unknown"
    if p >= 0.1:
        return f"about {number(100 * p)} in 100"
    if p >= 0.01:
        return f"about {number(1000 * p)} in 1 000"
    return f"about {number(10000 * p)} in 10 000"
