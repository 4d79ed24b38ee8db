"""Primary side of the ignition: how long each spark burns, and how fast each coil is charged."""

from __future__ import annotations

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
from pipelines.kinds.ignition_primary.checks import DECLARED
from pipelines.kinds.ignition_primary.read import read_coils
from pipelines.kinds.sequence import FEWEST_ELEMENTS, Sequence
from pipelines.kinds.simulated import Simulation
from pipelines.waveform import Waveform

READER_VERSION = 1


def read(waveform: Waveform, hookup: Hookup, family: EngineFamily | None) -> Reading:
    """Read one capture of coils.

    A log that names no channel of a coil gives status `unusable`.

    Raises:
        ShopspreadError: when there is no engine family.
    """
    if family is None:
        raise ShopspreadError("Ignition needs the engine family: how many cylinders fire in which order.")
    return read_coils(waveform, hookup, family, READER_VERSION)


def layout(family: EngineFamily) -> Layout:
    """The sparks in firing order, each at its angle; where a coil serves a pair, the pairs over one turn."""
    sequence = Sequence.of_coils(family)
    if len(sequence.numbers) < FEWEST_ELEMENTS:
        # two coils are never compared: the group stands empty, laid out like its cylinders
        places = tuple(angle / 720.0 for angle in family.firing_angles_deg)
        return Layout(family.cylinders, family.firing_order, places)
    return Layout(len(sequence.numbers), sequence.numbers, tuple(sequence.places.tolist()))


def simulation_of(families: tuple[EngineFamily, ...]) -> Simulation:
    """The invented shop's coils; imported only where somebody simulates."""
    from pipelines.kinds.ignition_primary.simulation import IgnitionSimulation

    return IgnitionSimulation(families)


CAUTIONS = (
    "The vehicle maker's service information, local codes and licensed practice come first; this is a reminder.",
    "A coil primary jumps to several hundred volts at every spark: use an insulated attenuator made for it and an "
    "input rated for it; connect with the ignition off and never hold the tip while the engine turns. Prefer a clamp "
    "around the feed where one can be had.",
    "Spark leads carry tens of thousands of volts: no pierced leads, no open spark gap, nobody with a pacemaker near.",
    "Keep hands, hair, sleeves and leads away from belts, fans, manifolds and other moving or hot parts; a fan can "
    "start by itself. Parking brake set, neutral or park, exhaust led away.",
    "No sparks where petrol vapour can be: unburnt fuel of a misfiring cylinder collects in exhaust and catalyst.",
    "Hybrid and electric vehicles carry lethal voltages and may start on their own: only with the maker's "
    "procedure and the training and licence it asks for.",
)

SIGNALS = (
    Signal("ignition_primary", "Primary side of an ignition coil", "V", many=True),
    Signal("coil_current", "Current of one ignition coil", "A", many=True),
    Signal("coil_feed_current", "Current of the feed all coils share", "A"),
    Signal("ignition_pickup", "Pickup around an ignition lead", "V"),
    Signal("battery_voltage", "Battery voltage", "V"),
)

FEATURES = (
    Feature(
        "turns",
        "Turns of the sequence read",
        "",
        "engine cycles; crankshaft turns for pairs",
        "low",
        made=True,
    ),
    Feature("engine_rpm", "Engine speed", "rpm", "median over the record", "none"),
    Feature(
        "strikes", "Strikes a spark", "", "how often a coil is switched on and cut for one spark", "none"
    ),
    Feature("dwell_ms", "Dwell time", "ms", "how long a coil is charged, median", "either"),
    Feature("dwell_scatter_pct", "Unsteadiness of the dwell", "%", "scatter over mean", "high"),
    Feature("burn_ms", "Burn time", "ms", "from the cut to the end of the burn line, median", "either"),
    Feature(
        "burn_v", "Burn voltage at the primary", "V", "middle of the burn line above the supply", "either"
    ),
    Feature("peak_v", "Peak at the cut", "V", "unknown where the screen cuts it off or is too slow", "low"),
    Feature("supply_v", "Supply at the coil", "V", "between sparks", "low"),
    Feature("driver_v", "Voltage left at the driver", "V", "while it is on", "high"),
    Feature("cut_a", "Current at the cut", "A", "median", "either"),
    Feature("limit_a", "Current limit", "A", "where the driver holds the current before the cut", "either"),
    Feature(
        "slope", "Slope of the charging current", "A/ms", "from a tenth to six tenths of its height", "either"
    ),
    Feature("lag_ms", "Time constant of the charge", "ms", "L/R of the rise, where it bends enough", "none"),
    Feature(
        "circuit_ohm", "Resistance of the charging circuit", "ohm", "needs a voltage on the record", "high"
    ),
    Feature("inductance_mh", "Inductance of the primary", "mH", "needs a voltage on the record", "low"),
)

KIND = Kind(
    name="ignition_primary",
    title="Primary side of the ignition",
    lesson=3,
    # not `cylinder`: a gauge's word on cylinders is no word on their sparks
    element=Element("spark", "sparks", "odd"),
    measures=(
        Measure("burn_time", "Burn time of each spark", "the median spark", "either", 3.0),
        Measure("charging", "Charging of each coil", "the median coil", "either", 1.5),
    ),
    signals=SIGNALS,
    hookup=Hookup(("coil_feed_current", "ignition_primary"), (1.0, 1.0)),
    needs_engine=True,
    features=FEATURES,
    checks=DECLARED,
    wording=Wording(
        calls={"even": "the sparks are even", "odd": "a spark is odd", "unsure": "not sure"},
        findings={
            "even": "ignition found even",
            "odd": "a fault found in one cylinder's ignition",
            "other": "the fault was elsewhere; the ignition was not looked at",
        },
        stands="apart from the others",
        reference="a look at plug, lead and coil",
        nothing_left="no spark seen",
        reminder="A short burn can come from the plug, the lead, the coil or the mixture: look before replacing.",
    ),
    figure=Figure(
        event="spark",
        index="sync pulse",
        along="Time around the cut",
        span=8.0,
        along_unit="ms",
        across="Median spark of the first channel",
        across_unit="V or A",
        usual_length_s=0.25,
    ),
    cautions=CAUTIONS,
    read=read,
    layout=layout,
    simulation_of=simulation_of,
    reader_version=READER_VERSION,
)
