"""Relative compression while cranking: what each cylinder takes from the starter, told from the supply's ripple."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipelines.errors import ShopspreadError
from pipelines.kinds.base import (
    Element,
    EngineFamily,
    Feature,
    Figure,
    Hookup,
    Kind,
    Layout,
    Measure,
    Reading,
    Signal,
    Wording,
)
from pipelines.kinds.relative_compression.cylinders import read_cranking
from pipelines.kinds.relative_compression.declared import CHECKS
from pipelines.waveform import Waveform

READER_VERSION = 7


def read(waveform: Waveform, hookup: Hookup, family: EngineFamily | None) -> Reading:
    """Read one cranking capture.

    Raises:
        ShopspreadError: when there is no engine family, the hookup names neither battery voltage nor starter current,
            or a sync cylinder that the family does not have.
    """
    if family is None:
        raise ShopspreadError(
            "Relative compression needs the engine family: how many cylinders fire in which order."
        )
    return read_cranking(waveform, hookup, family, READER_VERSION)


def layout(family: EngineFamily) -> Layout:
    """The cylinders in firing order, each at its crank angle."""
    places = tuple(angle / 720.0 for angle in family.firing_angles_deg)
    return Layout(family.cylinders, family.firing_order, places)


CAUTIONS = (
    "The vehicle maker's service information, local codes and licensed practice come first; this is a reminder.",
    "Disable fuel or ignition as the vehicle maker's service information says, so that the engine cannot start; "
    "put the gear in neutral or park, set the parking brake, and tell everyone nearby before you crank.",
    "Keep hands, hair, sleeves, leads and tools away from belts, fans and other rotating parts.",
    "A coil primary jumps to several hundred volts when it fires: use an insulated attenuator made for it and "
    "an input rated for it; never hold the tip while cranking. Spark leads carry many thousand volts.",
    "Batteries give off explosive gas and can deliver thousands of amperes into a short circuit: eye protection, "
    "no rings or bare tools across the posts, connect the negative clip last.",
    "Do not crank for more than about ten seconds at a time; let the starter cool.",
    "Hybrid and electric vehicles carry lethal voltages and may start on their own: only with the maker's "
    "procedure and the training and licence it asks for.",
)

SIGNALS = (
    Signal("battery_voltage", "Battery voltage", "V"),
    Signal("starter_current", "Starter current", "A"),
    Signal("ignition_primary", "Primary side of an ignition coil", "V"),
    Signal("ignition_pickup", "Pickup around an ignition lead", "V"),
)

FEATURES = (
    Feature("cycles", "Number of cycles read", "", "engine cycles the figures rest on", "low", made=True),
    Feature("crank_rpm", "Cranking speed", "rpm", "mean speed of the cranking stretch", "low"),
    Feature("rest_v", "Battery voltage at rest", "V", "before the starter engages", "low"),
    Feature("crank_min_v", "Lowest battery voltage while cranking", "V", "after the inrush", "low"),
    Feature("crank_mean_v", "Mean battery voltage while cranking", "V", "over whole cycles", "low"),
    Feature("crank_mean_a", "Mean starter current while cranking", "A", "over whole cycles", "either"),
    Feature("ripple_v", "Ripple of the battery voltage", "V", "mean peak to peak over a cycle", "either"),
    Feature("ripple_a", "Ripple of the starter current", "A", "mean peak to peak over a cycle", "either"),
    Feature(
        "steps_in_ripple",
        "Steps of the scope in the ripple",
        "",
        "peak to peak over the smallest step",
        "low",
    ),
    Feature(
        "speed_scatter_pct",
        "Unsteadiness of the cranking speed",
        "%",
        "scatter of the cycles' lengths",
        "high",
    ),
    Feature("ripple_coherence", "How alike the cycles are", "", "1 = every cycle the same", "low"),
    Feature(
        "ripple_misfit", "Ripple the cylinders do not explain", "", "share of the ripple left over", "high"
    ),
    Feature(
        "doubt_pct",
        "How far the lowest figure may be from the truth",
        "%",
        "what no repeat shows: ripple no cylinder explains",
        "high",
    ),
    Feature(
        "starter_memory_cycles",
        "Memory of the starter",
        "cycles",
        "how long the speed remembers a torque",
        "none",
    ),
    Feature("speed_swing", "Swing of the speed within a cycle", "", "in parts of the mean speed", "none"),
    Feature(
        "series_exponent",
        "How the starter's torque grows with current",
        "",
        "1 permanent magnet, 2 series",
        "none",
    ),
    Feature(
        "change_over_crank_pct",
        "Change of one cylinder over the crank",
        "%",
        "last third against the first, of the cylinder that changed most",
        "low",
    ),
    Feature("change_position", "Position of that cylinder", "", "firing position", "none"),
    Feature("kicks", "Cycles in which one cylinder fell", "", "single cycles, not lasting", "high"),
    Feature("kick_position", "Position of the one that fell", "", "firing position", "none"),
    Feature("kick_depth_pct", "How far it fell", "%", "in those cycles", "high"),
    Feature("top_after_sync_deg", "Top dead centre after the sync pulse", "degrees", "crank angle", "none"),
)


def by_cylinder(facts: Mapping[str, Any], elements: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """A reading as the export views of captures and cylinders name it."""
    found = {name: facts.get(name) for name in ("cycles", "crank_rpm", "rest_v", "crank_min_v")}
    cylinders = [
        {
            "cylinder": one["element"],
            "firing_position": one["position"],
            **{name: one[name] for name in ("relative_pct", "se_pct", "identified", "companion")},
        }
        for one in elements
    ]
    return found | {"cylinders": cylinders}


KIND = Kind(
    name="relative_compression",
    title="Relative compression while cranking",
    lesson=1,
    element=Element("cylinder", "cylinders", "weak"),
    measures=(Measure("relative_compression", "Relative compression", "the median cylinder"),),
    signals=SIGNALS,
    hookup=Hookup(("battery_voltage", "ignition_primary"), (1.0, 1.0)),
    needs_engine=True,
    features=FEATURES,
    checks=CHECKS,
    wording=Wording(
        calls={"even": "the cylinders are even", "odd": "a cylinder is low", "unsure": "not sure"},
        findings={
            "even": "compression confirmed even",
            "odd": "a weak cylinder confirmed",
            "other": "the fault was elsewhere; compression was not confirmed",
        },
        stands="below the others",
        reference="a gauge test",
        nothing_left="no compression seen",
        reminder="This is not a pressure and cannot be turned into one: starters and batteries differ.",
    ),
    figure=Figure(
        event="compression event",
        index="sync pulse",
        along="Crank angle from the first firing",
        span=720.0,
        along_unit="degrees",
        across="Signal, compression pointing down",
        across_unit="parts of the mean ripple",
    ),
    cautions=CAUTIONS,
    read=read,
    layout=layout,
    also_as=by_cylinder,
    reader_version=READER_VERSION,
)
