"""The engine families of the invented shop. None is any maker's; the names are plain words and a displacement."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import Literal

import numpy as np

from pipelines.kinds.relative_compression.simulation.electrics import Battery, CoilLoad, Starter
from pipelines.kinds.relative_compression.simulation.engine import CrankingEngine
from pipelines.kinds.relative_compression.simulation.randomised import random_starter

SyncKind = Literal["coil_on_plug", "waste_spark", "distributor"]


@dataclass(frozen=True, slots=True)
class Family:
    """One family of the demo.

    Attributes:
        share: of the shop's vehicles.
        speed_rpm: usual cranking speed.
        drift_cylinder, drift_pct_per_month: a cylinder that wears in the whole family, and how fast its trapped
            mass falls; 0 = none.
        hard: whether jobs on this family are harder than others (more comebacks, scoped more often).
    """

    name: str
    engine: CrankingEngine
    sync_kind: SyncKind
    share: float
    starter_kind: Literal["permanent_magnet", "series"] = "permanent_magnet"
    speed_rpm: float = 210.0
    strikes: int = 1
    drift_cylinder: int = 0
    drift_pct_per_month: float = 0.0
    hard: bool = False

    @property
    def elements(self) -> int:
        """How many alike elements the engine has."""
        return self.engine.cylinders

    @property
    def starter(self) -> Starter:
        """The family's starter, the same one every time."""
        rng = np.random.default_rng([len(self.name), self.engine.cylinders, round(self.speed_rpm)])
        usual = random_starter(rng, self.engine, Battery(), kind=self.starter_kind, speed_rpm=self.speed_rpm)
        return replace(usual, brush_drop_v=1.0)

    @property
    def coil(self) -> CoilLoad:
        """The family's ignition."""
        return CoilLoad(
            kind=self.sync_kind, strikes=self.strikes, advance_deg=5.0 + self.engine.cylinders / 2
        )

    def usual_trapped(self, on: date, start: date) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        """Usual trapped mass by cylinder at a date, relative: the healthy pattern with the family's drift."""
        pattern = np.array(self.engine.healthy_pattern or (1.0,) * self.engine.cylinders, dtype=np.float64)
        if self.drift_cylinder:
            months = (on - start).days / 30.44
            pattern[self.drift_cylinder - 1] *= 1.0 - 0.01 * self.drift_pct_per_month * months
        return pattern


FAMILIES: tuple[Family, ...] = (
    Family(
        "harrow-1.6-i4",
        CrankingEngine(
            4, (1, 3, 4, 2), bore_mm=79.0, stroke_mm=81.5, compression_ratio=10.4, friction_nm=17.0,
            viscous_nm_s=0.35, inertia_kg_m2=0.16, intake_close_deg=52.0, ring_leak_mm2=0.3,
        ),
        "coil_on_plug", 0.22, speed_rpm=215.0, drift_cylinder=4, drift_pct_per_month=0.4,
    ),
    Family(
        "tarn-1.2-i3",
        CrankingEngine(
            3, (1, 2, 3), bore_mm=75.0, stroke_mm=90.0, compression_ratio=11.0, friction_nm=13.0,
            viscous_nm_s=0.25, inertia_kg_m2=0.18, intake_close_deg=60.0, ring_leak_mm2=0.25,
        ),
        "coil_on_plug", 0.13, speed_rpm=240.0, strikes=3,
    ),
    Family(
        "moss-1.8-i4",
        CrankingEngine(
            4, (1, 4, 3, 2), bore_mm=82.0, stroke_mm=85.0, compression_ratio=9.8, friction_nm=21.0,
            viscous_nm_s=0.4, inertia_kg_m2=0.22, intake_close_deg=46.0, ring_leak_mm2=0.35,
        ),
        "coil_on_plug", 0.15, "series", speed_rpm=190.0,
    ),
    Family(
        "weir-2.0-i4",
        CrankingEngine(
            4, (1, 3, 4, 2), bore_mm=86.0, stroke_mm=86.0, compression_ratio=9.5, friction_nm=24.0,
            viscous_nm_s=0.45, inertia_kg_m2=0.26, intake_close_deg=50.0, ring_leak_mm2=0.4,
        ),
        "waste_spark", 0.14, speed_rpm=200.0,
    ),
    Family(
        "fenland-2.5-i5",
        CrankingEngine(
            5, (1, 2, 4, 5, 3), bore_mm=83.0, stroke_mm=92.4, compression_ratio=10.0, friction_nm=28.0,
            viscous_nm_s=0.5, inertia_kg_m2=0.28, intake_close_deg=54.0, ring_leak_mm2=0.4,
        ),
        "coil_on_plug", 0.03, speed_rpm=195.0, strikes=2,
    ),
    Family(
        "copse-2.8-i6",
        CrankingEngine(
            6, (1, 5, 3, 6, 2, 4), bore_mm=84.0, stroke_mm=84.0, compression_ratio=9.2, friction_nm=33.0,
            viscous_nm_s=0.6, inertia_kg_m2=0.3, intake_close_deg=48.0, ring_leak_mm2=0.4,
        ),
        "distributor", 0.09, "series", speed_rpm=175.0, hard=True,
    ),
    Family(
        "ridge-3.0-v6",
        CrankingEngine(
            6, (1, 6, 5, 4, 3, 2), firing_intervals_deg=(150.0, 90.0) * 3, bore_mm=89.0, stroke_mm=80.0,
            compression_ratio=9.6, friction_nm=35.0, viscous_nm_s=0.6, inertia_kg_m2=0.32,
            intake_close_deg=55.0, ring_leak_mm2=0.45,
        ),
        "coil_on_plug", 0.11, speed_rpm=185.0, hard=True,
    ),
    Family(
        "bluff-4.6-v8",
        CrankingEngine(
            8, (1, 8, 4, 3, 6, 5, 7, 2), bore_mm=90.0, stroke_mm=90.0, compression_ratio=9.8, friction_nm=48.0,
            viscous_nm_s=0.9, inertia_kg_m2=0.42, intake_close_deg=56.0, ring_leak_mm2=0.45,
            healthy_pattern=(1.03, 1.0, 0.975, 1.0, 1.02, 0.985, 1.0, 0.955),
        ),
        "coil_on_plug", 0.14, speed_rpm=180.0, strikes=2, hard=True,
    ),
)  # fmt: skip

BY_NAME: dict[str, Family] = {family.name: family for family in FAMILIES}
