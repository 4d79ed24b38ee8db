"""Result objects shared by all models: an estimate never travels without its `n` and interval."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with the number of observations behind it and its 95 % interval.

    Attributes:
        n: observations the figure rests on.
        estimate: the figure, or None where there is too little to say.
        low, high: ends of the 95 % interval, None where there is none.
        why: a sentence, set exactly when `estimate` is None.
    """

    n: int
    estimate: float | None
    low: float | None = None
    high: float | None = None
    why: str | None = None

    def __post_init__(self) -> None:
        for value in (self.estimate, self.low, self.high):
            if value is not None and not math.isfinite(value):
                raise ValueError(f"an estimate holds finite numbers or None, not {value!r}")
        if (self.estimate is None) != (self.why is not None):
            raise ValueError("`why` stands exactly where the estimate is None")

    @classmethod
    def nothing(cls, n: int, why: str) -> Estimate:
        """Too little to say: the count and the reason, no number."""
        return cls(n=n, estimate=None, why=why)

    def to_dict(self) -> dict[str, Any]:
        """The document form of the report: `n`, `estimate`, `low`, `high`, and `why` where set."""
        document: dict[str, Any] = {
            "n": self.n,
            "estimate": self.estimate,
            "low": self.low,
            "high": self.high,
        }
        if self.why is not None:
            document["why"] = self.why
        return document
