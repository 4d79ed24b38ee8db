"""What a test kind declares, what it takes and what it gives.

Every test looks at some elements that should be alike (cylinders of an engine, bars of a commutator), or at one
thing against its own known-good spread. A kind is one folder below `pipelines/kinds/` whose package defines a
`KIND`; everything the program does with it (spread, outliers, thresholds, known-good captures, calls, drills, pages,
sheet, digest) follows from what it declares here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from models.records.measure import Element, FeatureWords, Measure
from pipelines.kinds.engine import SYNC_KINDS, EngineFamily, SyncKind
from pipelines.kinds.simulated import Simulation
from pipelines.waveform import Waveform

__all__ = [
    "SYNC_KINDS", "Check", "Element", "ElementReading", "EngineFamily", "Events", "Feature", "Figure", "Hookup", "Kind",
    "Layout", "Measure", "Reading", "SetupCheck", "Signal", "SyncKind", "Wording",
]  # fmt: skip

Severity = Literal["note", "warning", "unusable"]
Identified = Literal["sync", "pair", "none"]
Bad = Literal["low", "high", "either", "none"]


# -- what a reader takes and gives -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Hookup:
    """How the scope was connected, as the capture log says.

    `signals` and `scales` are in channel order; a scale multiplies the file's number into V or A.
    """

    signals: tuple[str, ...]
    scales: tuple[float, ...]
    sync_cylinder: int = 1


@dataclass(frozen=True, slots=True)
class Check:
    """A setup check that failed: `detail` is a sentence that says what to do next time."""

    check: str
    severity: Severity
    detail: str


@dataclass(frozen=True, slots=True)
class ElementReading:
    """One element of one capture by one measure.

    Attributes:
        element: element number; None where `identified` is `none`.
        position: 1-based place in the sequence (from the index pulse where there is one, else from the first event
            of the stretch that was read).
        relative_pct: in % of this capture's median element (of what is usual, for a test of one thing).
        se_pct: standard error of `relative_pct`, from the repeats in the capture.
        companion: the other candidate where `identified` is `pair`.
        measure: which of the kind's measures; empty = its first.
    """

    element: int | None
    position: int
    relative_pct: float
    se_pct: float
    identified: Identified
    companion: int | None = None
    measure: str = ""


@dataclass(frozen=True, slots=True)
class Events:
    """What the reader saw, for drawing and for the known-good overlay.

    Attributes:
        start_s, end_s: the stretch that was used, on the file's time axis.
        index_s: times of the index (sync) pulses used, in s.
        event_s: times of the elements' events, in s.
        position: 1-based position of each of `event_s`.
        mean_shape: mean signal over the repeats on a uniform grid over one turn of the sequence, starting at the
            event of position 1, on the scale the kind's `Figure` names; empty where there is none.
    """

    start_s: float
    end_s: float
    index_s: npt.NDArray[np.float64]
    event_s: npt.NDArray[np.float64]
    position: npt.NDArray[np.int64]
    mean_shape: npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Reading:
    """All that one capture says.

    `status` is `read`, or `unusable` (no honest reading exists; `reason` says why and what to do).
    `features` are capture-level numbers by name with the unit in the name; NaN where unknown.
    """

    status: Literal["read", "unusable"]
    reason: str
    features: dict[str, float]
    elements: tuple[ElementReading, ...] = ()
    checks: tuple[Check, ...] = ()
    events: Events | None = None
    reader_version: int = 1
    notes: tuple[str, ...] = field(default=())


# -- what a kind declares --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Signal:
    """One signal the test can use: its name as `captures.csv` says it, in words, and its unit (V or A).

    `many`: several channels may carry it, one for each element.
    """

    name: str
    title: str
    unit: Literal["V", "A"]
    many: bool = False


@dataclass(frozen=True, slots=True)
class Feature:
    """One capture-level number: name with its unit, in words, its unit, its meaning, and which side is bad.

    Attributes:
        made: says how the capture was made (how much of it there is), and nothing of the vehicle: by these known-good
            captures are held against paid ones.
    """

    name: str
    title: str
    unit: str
    meaning: str
    bad: Bad = "none"
    made: bool = False


@dataclass(frozen=True, slots=True)
class SetupCheck:
    """One thing that can be wrong with how the capture was made.

    Attributes:
        saw: what the check saw, as the README says it.
        short: the same as a noun phrase for lists.
        habit: about how the scope was hooked up and set, so that the person can be coached; False where the vehicle
            or the file is to blame.
        todo: what to do next time, without its full stop.
    """

    name: str
    saw: str
    short: str
    habit: bool = True
    todo: str = ""


@dataclass(frozen=True, slots=True)
class Wording:
    """How calls, findings and figures of this test are said.

    Attributes:
        calls: what `even`, `odd` and `unsure` mean when a technician says them.
        findings: what `even`, `odd` and `other` mean when they are confirmed.
        stands: how an odd element stands to the others: `below the others`.
        reference: the test that confirms it, with its article: `a gauge test`.
        nothing_left: what to say of an element that shows nothing at all.
        reminder: what the figures must not be taken for, a sentence; empty where there is no such danger.
    """

    calls: Mapping[str, str]
    findings: Mapping[str, str]
    stands: str
    reference: str
    nothing_left: str
    reminder: str = ""


@dataclass(frozen=True, slots=True)
class Figure:
    """How a capture of this test is drawn.

    Attributes:
        event, index: what one element's event and one index pulse are called.
        along, span, along_unit: the axis of one turn of the sequence, and its length in that unit.
        across, across_unit: the axis of `Events.mean_shape`.
        usual_length_s: how much of a record is shown at first.
    """

    event: str
    index: str
    along: str
    span: float
    along_unit: str
    across: str
    across_unit: str
    usual_length_s: float = 1.6


@dataclass(frozen=True, slots=True)
class Layout:
    """A group's elements: their number, the order their positions come in, and where each lies on one turn (0 to 1)."""

    elements: int
    sequence: tuple[int, ...]
    places: tuple[float, ...]

    @classmethod
    def even(cls, elements: int) -> Layout:
        """Elements that follow each other by number, evenly spaced."""
        return cls(elements, tuple(range(1, elements + 1)), tuple(at / elements for at in range(elements)))


@dataclass(frozen=True, slots=True)
class Kind:
    """One test: what it hooks up and minds, what it compares, how it is read and spoken of.

    Attributes:
        name: as `captures.csv` says it. title: in words. lesson: its place in the course, from 1.
        element: the noun of what is set side by side. measures: by element, the first one decides the order.
        signals: the signals it can use. hookup: the usual one, for setting up and for files whose row names none.
        needs_engine: whether a reading needs an engine family.
        layout: a group's elements from its engine family; None where readings tell how many there are.
        read: reads one capture. Never raises for a bad signal: that is status `unusable` with a reason; it raises
            ShopspreadError only where the call itself makes no sense (no usable signal named, say).
        simulation: makes the physical simulation for the demo and the tests, or None; a function, so that declaring a
            kind costs nothing. The first lesson's is richer and is used by the demo directly.
        simulation_of: the same for a test that needs an engine: it is told the shop's families, and its groups are
            names of them.
        also_as: of a document of one reading (its features by name, its elements as rows), names of its own that other
            programs rely on; None where the kind has none.
        reader_version: raised whenever readings change.
    """

    name: str
    title: str
    lesson: int
    element: Element
    measures: tuple[Measure, ...]
    signals: tuple[Signal, ...]
    hookup: Hookup
    needs_engine: bool
    features: tuple[Feature, ...]
    checks: tuple[SetupCheck, ...]
    wording: Wording
    figure: Figure
    cautions: tuple[str, ...]
    read: Callable[[Waveform, Hookup, EngineFamily | None], Reading]
    layout: Callable[[EngineFamily], Layout] | None = None
    simulation: Callable[[], Simulation] | None = None
    simulation_of: Callable[[tuple[EngineFamily, ...]], Simulation] | None = None
    also_as: Callable[[Mapping[str, Any], Sequence[Mapping[str, Any]]], dict[str, Any]] | None = None
    reader_version: int = 1

    def measure(self, name: str) -> Measure:
        """The measure of that name; the first for an empty one.

        Raises:
            KeyError: when the kind has none of that name.
        """
        if not name:
            return self.measures[0]
        return {measure.name: measure for measure in self.measures}[name]

    @property
    def made_features(self) -> tuple[str, ...]:
        """Features that say how a capture was made."""
        return tuple(one.name for one in self.features if one.made)

    @property
    def feature_words(self) -> dict[str, FeatureWords]:
        """How each feature, declared or made from the scores, is spoken of."""
        made = _score_words(self)
        return made | {feature.name: FeatureWords(feature.title, feature.unit) for feature in self.features}


def _score_words(kind: Kind) -> dict[str, FeatureWords]:
    noun = kind.element.noun
    found: dict[str, FeatureWords] = {}
    for at, measure in enumerate(kind.measures):
        prefix = "" if at == 0 else f"{measure.name}_"
        of = "" if at == 0 else f" ({measure.title.lower()})"
        worst = {"low": "lowest", "high": "highest", "either": "oddest"}[measure.direction]
        found |= {
            f"{prefix}odd_pct": FeatureWords(f"Gap of the {worst} {noun} to the others{of}", "%"),
            f"{prefix}odd_se_pct": FeatureWords(f"Standard error of that gap{of}", "%"),
            f"{prefix}element_scatter_pct": FeatureWords(
                f"Scatter of the {kind.element.nouns} about what is usual{of}", "%"
            ),
            f"{prefix}highest_above_pct": FeatureWords(
                f"Height of the highest {noun} above the middle one{of}", "%"
            ),
        }
    return found
