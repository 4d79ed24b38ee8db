"""The shop's records as one frozen bundle: what every model is given."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace

import polars as pl

from models.records import schemas
from models.records.schemas import FrameSchema


@dataclass(frozen=True, slots=True)
class Shop:
    """Every frame the models read, each held to its schema (`models.records.schemas`) when the bundle is made.

    A frame that is not given is empty. Frames are never changed in place.

    Raises:
        WrongFrame: when a frame is not what its schema says.
    """

    captures: pl.DataFrame = field(default_factory=schemas.CAPTURES.empty)
    elements: pl.DataFrame = field(default_factory=schemas.ELEMENTS.empty)
    features: pl.DataFrame = field(default_factory=schemas.FEATURES.empty)
    checks: pl.DataFrame = field(default_factory=schemas.CHECKS.empty)
    groups: pl.DataFrame = field(default_factory=schemas.GROUPS.empty)
    outcomes: pl.DataFrame = field(default_factory=schemas.OUTCOMES.empty)
    orders: pl.DataFrame = field(default_factory=schemas.ORDERS.empty)
    technicians: pl.DataFrame = field(default_factory=schemas.TECHNICIANS.empty)
    drills: pl.DataFrame = field(default_factory=schemas.DRILLS.empty)
    coaching: pl.DataFrame = field(default_factory=schemas.COACHING.empty)

    def __post_init__(self) -> None:
        for schema in schemas.ALL:
            object.__setattr__(self, schema.name, schema.check(getattr(self, schema.name)))

    @classmethod
    def made(cls, **frames: pl.DataFrame) -> Shop:
        """A bundle from frames made by hand: missing columns are filled with null, numbers are cast.

        Raises:
            TypeError: a frame of no such name.
        """
        known: Mapping[str, FrameSchema] = {schema.name: schema for schema in schemas.ALL}
        unknown = set(frames) - set(known)
        if unknown:
            raise TypeError(f"there is no frame {', '.join(sorted(unknown))}")
        return cls(**{name: known[name].of(frame) for name, frame in frames.items()})

    def of_test(self, test: str, measure: str | None = None) -> Shop:
        """The same shop as if only this test were ever made; with `measure`, only its elements.

        Orders and technicians stay whole: they belong to no test.
        """
        own = pl.col("test") == test
        captures = self.captures.filter(own)
        elements = self.elements.join(captures.select("capture_file"), on="capture_file", how="semi")
        if measure is not None:
            elements = elements.filter(pl.col("measure") == measure)
        return replace(
            self,
            captures=captures,
            elements=elements,
            features=self.features.join(captures.select("capture_file"), on="capture_file", how="semi"),
            checks=self.checks.join(captures.select("capture_file"), on="capture_file", how="semi"),
            groups=self.groups.filter(own),
            outcomes=self.outcomes.filter(own),
            drills=self.drills.filter(own),
            coaching=self.coaching.filter(own | pl.col("test").is_null()),
        )

    def with_frames(self, **frames: pl.DataFrame) -> Shop:
        """A copy with some frames replaced."""
        return replace(self, **frames)

    @property
    def tests(self) -> tuple[str, ...]:
        """Tests the shop has logged, by name."""
        return tuple(sorted(self.captures["test"].drop_nulls().unique().to_list()))


FRAMES: tuple[str, ...] = tuple(entry.name for entry in fields(Shop))
