"""What the adjusted comparison shows and what it does not, in words."""

from __future__ import annotations

from dataclasses import dataclass

from models.jobs.returns import ADJUSTED_FOR
from models.stats.results import Estimate


@dataclass(frozen=True, slots=True)
class EValue:
    """How strong something unrecorded would have to be (risk ratio with both): estimate and near limit."""

    estimate: float
    limit: float


def headline_of(over_looks: Estimate) -> tuple[str, str]:
    """Answer (`yes`, `no`, `not clear`) and headline to 'do scoped jobs come back less?'."""
    value, low, high = over_looks.estimate or 0.0, over_looks.low or 0.0, over_looks.high or 0.0
    size = f"{abs(100 * value):.0f} in 100"
    if high < 0:
        return "yes", f"Yes: {size} fewer among like jobs"
    if low > 0:
        return "no", f"No: {size} more among like jobs"
    return "not clear", "Not clear yet"


def caution_sentence(
    difference: Estimate,
    strength: EValue | None,
    comparable: float,
    known: tuple[str, ...] = ADJUSTED_FOR,
    missing: tuple[str, ...] = (),
) -> str:
    """What the adjusted figure shows and what it does not, for the page."""
    if difference.estimate is None or difference.low is None or difference.high is None:
        return "No comparison is shown."
    points, low, high = (100 * v for v in (difference.estimate, difference.low, difference.high))
    range_text = f"95 % interval {low:+.1f} to {high:+.1f} points"
    if low <= 0 <= high:
        shown = f"Between comparable orders no clear difference shows ({points:+.1f} points, {range_text})"
    else:
        word = "less" if points < 0 else "more"
        shown = f"Among comparable orders, scoped ones came back {abs(points):.1f} points {word} often ({range_text})"
    text = (
        f"{shown}, allowing for {', '.join(known[:-1])} and {known[-1]}. Nobody drew lots over which "
        "order is scoped, so this does not show what the scope alone does"
    )
    if strength is not None and not low <= 0 <= high:
        text += (
            f": something the log does not record could account for it if it went with both scoping and "
            f"comebacks by a factor of about {strength.estimate:.1f} ({strength.limit:.1f} to move the interval to "
            "none)"
        )
    text += "."
    if missing:
        text += f" Not recorded, so not allowed for: {' and '.join(missing)}."
    if comparable < 0.9:
        text += f" Only {100 * comparable:.0f} % of the orders have comparable ones in the other group."
    return text
