"""What a test measures by element, and how it is spoken of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Direction = Literal["low", "high", "either"]


@dataclass(frozen=True, slots=True)
class Element:
    """The noun of what a test sets side by side.

    Attributes:
        noun, nouns: `tooth`, `teeth`; `bar`, `bars`.
        odd: what one that stands apart in the bad direction is called: `weak`, `worn`.
    """

    noun: str
    nouns: str
    odd: str


@dataclass(frozen=True, slots=True)
class Measure:
    """One number by element: always relative, in % of the capture's own median element (or of what is usual).

    Starters, batteries, scopes and pumps differ, so a value says little by itself; the odd one out does.

    Attributes:
        name: as `export.elements` says it.
        title: in words, for headings and axes.
        against: what is 100 %, in words.
        direction: on which side of the others a fault stands. Oddness is always larger when odder.
        usual_spread_pct: healthy spread (standard deviation of one element) assumed while nothing is known.
        whole: the test looks at one thing, not at elements beside each other: a capture has one value, held against
            its group's own known-good spread. 100 is then whatever the reader takes as nominal.
        cycle_pct: for one thing that is an angle: after so many % the same comes again. A group's captures are then
            taken on the branch about the group's own middle. 0 = no angle.
    """

    name: str
    title: str
    against: str
    direction: Direction = "low"
    usual_spread_pct: float = 1.5
    whole: bool = False
    cycle_pct: float = 0.0

    def __post_init__(self) -> None:
        if self.direction not in ("low", "high", "either"):
            raise ValueError(f"direction is low, high or either, not {self.direction!r}")
        if not self.usual_spread_pct > 0:
            raise ValueError(f"usual_spread_pct is positive, not {self.usual_spread_pct!r}")
        if self.cycle_pct < 0 or (self.cycle_pct and not self.whole):
            raise ValueError("cycle_pct is positive, and only of one thing")


@dataclass(frozen=True, slots=True)
class FeatureWords:
    """How a feature is spoken of: its name in words and its unit (empty without one)."""

    title: str
    unit: str = ""
