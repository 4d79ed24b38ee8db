"""What goes right or wrong at the hookup, one recipe a kind of capture: how often, what the reader may say of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from tests.independent_engines import LAYOUTS, Conditions, Layout
from tests.independent_scope import SyncStyle

Named = Literal["sync", "pair", "none"]


@dataclass(frozen=True, slots=True)
class Recipe:
    """How a kind of capture is made and what an honest reading of it holds.

    Attributes:
        says: what it is, in a phrase.
        sync: the sync signal; None where the kind has none.
        named: what the reader can say of an odd cylinder's identity at best.
        expected: setup checks that must be raised; allowed: checks that may be.
        readable: False where no reading, or only an uncertain one, can be asked for.
        rates_hz, bits: what the scope is drawn from.
        crank_s: range of the cranking time.
        conditions: what the vehicle's state is drawn from.
        loss: range of the loss of peak pressure that is aimed at.
        advance_deg: range of the spark before top dead centre.
        only_pairs: only layouts whose cylinders have a companion 360 degrees away.
    """

    says: str
    sync: SyncStyle | None = "coil_on_plug"
    named: Named = "sync"
    expected: frozenset[str] = frozenset()
    allowed: frozenset[str] = frozenset()
    readable: bool = True
    rates_hz: tuple[float, ...] = (2e3, 4e3, 5e3, 8e3, 10e3, 20e3)
    bits: tuple[int, ...] = (8, 10, 12, 14)
    crank_s: tuple[float, float] = (3.5, 8.0)
    conditions: Conditions = field(default_factory=Conditions)
    only_pairs: bool = False
    loss: tuple[float, float] = (0.17, 0.6)
    advance_deg: tuple[float, float] = (-5.0, 12.0)

    def layouts(self) -> list[Layout]:
        """Layouts this kind is drawn from."""
        return [layout for layout in LAYOUTS if layout.has_companions or not self.only_pairs]


def _set(*names: str) -> frozenset[str]:
    return frozenset(names)


RECIPES: dict[str, Recipe] = {
    "clean": Recipe("good hookup, coil on plug"),
    "small_loss": Recipe("good hookup, faults of 15 to 24 % only", loss=(0.165, 0.23)),
    "far_spark": Recipe(
        "good hookup, spark from 25 deg before to 15 deg after the top", advance_deg=(-15.0, 25.0)
    ),
    "waste_spark": Recipe("one pulse in 360 degrees", sync="waste_spark", named="pair", only_pairs=True),
    "distributor": Recipe("a pulse for every cylinder", sync="distributor", named="none"),
    "other_sync": Recipe("sync on a cylinder other than one"),
    "ac_coupled": Recipe("battery channel AC coupled", expected=_set("ac_coupled")),
    "reversed": Recipe("leads of the battery channel reversed", expected=_set("reversed_leads")),
    "starter_current": Recipe("starter current by clamp instead of battery voltage"),
    "swapped": Recipe(
        "the two channels exchanged", expected=_set("swapped_channels"), allowed=_set("off_house_setup")
    ),
    "gain": Recipe("battery channel's scale wrong by a factor", allowed=_set("off_house_setup")),
    "missing_pulses": Recipe(
        "a tenth to a third of the sync pulses missing",
        rates_hz=(2e3, 4e3, 5e3),
        allowed=_set("low_sample_rate"),
    ),
    "ringing": Recipe("sync pulses that ring for milliseconds"),
    "clipped_sync": Recipe("sync without attenuator, cut off at the screen's top", allowed=_set("clipped")),
    "pickup": Recipe(
        "a pickup on the spark lead as sync",
        rates_hz=(5e3, 1e4, 2e4, 5e4),
        allowed=_set("clipped", "low_sample_rate"),
    ),
    "no_sync": Recipe("no sync signal", sync=None, named="none", expected=_set("no_sync")),
    "too_short": Recipe(
        "hardly more than one engine cycle",
        expected=_set("too_short"),
        allowed=_set("no_sync"),
        readable=False,
        crank_s=(0.5, 0.8),
    ),
    "engine_started": Recipe(
        "engine starts on the record", expected=_set("engine_started"), crank_s=(3.2, 5.5)
    ),
    "weak_battery": Recipe(
        "battery too weak",
        expected=_set("weak_battery"),
        conditions=Conditions(oil_c=(0, 30), charge=(0.2, 0.6), battery_wear=(1.6, 3.0)),
    ),
    "cold_oil": Recipe("oil at -25 to -5 C", conditions=Conditions(oil_c=(-25, -5)), crank_s=(5.0, 9.0)),
    "clipped": Recipe("screen too small for the battery voltage", expected=_set("clipped")),
    "coarse": Recipe("8 bit on a far too wide screen", bits=(8,), allowed=_set("coarse_resolution")),
    "dropouts": Recipe("short stretches stuck at zero or at the last value", allowed=_set("clipped")),
    "gaps": Recipe("stretches without samples"),
    "pause": Recipe("two cranks with a pause between", crank_s=(2.2, 4.0)),
    "slow_rate": Recipe(
        "200 to 500 samples a second",
        rates_hz=(200, 250, 400, 500),
        expected=_set("low_sample_rate"),
        allowed=_set("no_sync"),
        readable=False,
    ),
    "kilosample": Recipe("1 kS/s", rates_hz=(1e3,), allowed=_set("low_sample_rate", "no_sync")),
    "megasample": Recipe("1 MS/s", rates_hz=(1e6,), crank_s=(2.6, 3.4)),
    "long_record": Recipe("60 to 115 s, the crank somewhere in it", rates_hz=(2e3, 5e3)),
    "many_channels": Recipe("three to eight channels in any order"),
    "low_ripple": Recipe(
        "heavy flywheel and a stout battery: little ripple",
        conditions=Conditions(battery_wear=(0.5, 0.7), flywheel=(2.0, 3.0)),
    ),
    "coil_load": Recipe("coils that load the battery three times as much"),
    "spike_only": Recipe(
        "sync shows the kick alone, often between two samples", allowed=_set("low_sample_rate", "clipped")
    ),
    "two_weak": Recipe("two faulty cylinders"),
    "mid_crank": Recipe("record begins and ends while the engine is being cranked"),
    "spiky": Recipe("sparks and mains hum on the battery channel"),
    "sync_first": Recipe("sync on the first channel, and the log says so"),
    "clamp_reversed": Recipe("current clamp put on the other way round", allowed=_set("reversed_leads")),
    "no_crank": Recipe("no cranking at all on the record", named="none", readable=False),
}
