"""Injectors: how long each is on, what current it settles at, when its pintle opens and shuts."""

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
from pipelines.kinds.injector.checks import DECLARED
from pipelines.kinds.injector.read import read_injectors
from pipelines.kinds.sequence import Sequence
from pipelines.kinds.simulated import Simulation
from pipelines.waveform import Waveform

READER_VERSION = 2


def read(waveform: Waveform, hookup: Hookup, family: EngineFamily | None) -> Reading:
    """Read one capture of injectors.

    A log that names no channel of an injector gives status `unusable`.

    Raises:
        ShopspreadError: when there is no engine family.
    """
    if family is None:
        raise ShopspreadError("Injectors need the engine family: how many cylinders fire in which order.")
    return read_injectors(waveform, hookup, family, READER_VERSION)


def layout(family: EngineFamily) -> Layout:
    """The injectors in firing order, each at its crank angle."""
    sequence = Sequence.of(family)
    return Layout(len(sequence.numbers), sequence.numbers, tuple(sequence.places.tolist()))


def simulation_of(families: tuple[EngineFamily, ...]) -> Simulation:
    """The invented shop's injectors; imported only where somebody simulates."""
    from pipelines.kinds.injector.simulation import InjectorSimulation

    return InjectorSimulation(families)


CAUTIONS = (
    "The vehicle maker's service information, local codes and licensed practice come first; this is a reminder.",
    "Fuel stands under pressure at an injector: open no line for this test, look for leaks first, no sparks and no "
    "flames where petrol vapour can be, and keep a fire extinguisher at hand.",
    "Injectors of direct-injection and diesel engines are driven with 60 to 200 V or more and their fuel with "
    "thousands of bar: use a clamp, never a probe, and only as the maker's service information says.",
    "The kick at the end of a pulse reaches some 60 to 100 V: use an input or attenuator rated for it.",
    "Keep hands, hair, sleeves and leads away from belts, fans, manifolds and other moving or hot parts; a fan can "
    "start by itself. Parking brake set, neutral or park, exhaust led away.",
    "Hybrid and electric vehicles carry lethal voltages and may start on their own: only with the maker's "
    "procedure and the training and licence it asks for.",
)

SIGNALS = (
    Signal("injector_voltage", "Switched side of an injector", "V", many=True),
    Signal("injector_current", "Current of one injector", "A", many=True),
    Signal("injector_feed_current", "Current of the feed all injectors share", "A"),
    Signal("battery_voltage", "Battery voltage", "V"),
)

FEATURES = (
    Feature("turns", "Engine cycles read", "", "pulses of each injector", "low", made=True),
    Feature("engine_rpm", "Engine speed", "rpm", "median over the record", "none"),
    Feature("on_ms", "On-time", "ms", "how long the driver is on, median", "none"),
    Feature(
        "on_scatter_pct", "Unsteadiness of the on-time", "%", "from cycle to cycle, of one injector", "high"
    ),
    Feature("settled_a", "Settled current", "A", "at the end of a pulse, median", "either"),
    Feature(
        "circuit_ohm",
        "Resistance of an injector",
        "ohm",
        "plain drivers; needs a voltage on the record",
        "either",
    ),
    Feature(
        "opening_ms", "Opening of the pintle", "ms", "from the beginning, where the current shows it", "high"
    ),
    Feature("closing_ms", "Closing of the pintle", "ms", "from the end, where the voltage shows it", "high"),
    Feature("kick_v", "Kick at the end", "V", "highest voltage, where it is on the screen", "low"),
    Feature("supply_v", "Supply at the injector", "V", "between pulses", "low"),
    Feature("peak_and_hold", "Driver lowers the current after a peak", "", "1 yes, 0 no", "none"),
)

KIND = Kind(
    name="injector",
    title="Injectors",
    lesson=4,
    element=Element("injector", "injectors", "odd"),
    measures=(
        Measure("on_time", "On-time of each injector", "the median injector", "either", 0.8),
        Measure("settled", "Settled current of each injector", "the median injector", "either", 1.5),
        Measure("opening", "Opening of each pintle", "the median pintle", "either", 3.0),
        Measure("closing", "Closing of each pintle", "the median pintle", "either", 3.0),
    ),
    signals=SIGNALS,
    hookup=Hookup(("injector_feed_current", "injector_voltage"), (1.0, 1.0)),
    needs_engine=True,
    features=FEATURES,
    checks=DECLARED,
    wording=Wording(
        calls={"even": "the injectors are even", "odd": "an injector is odd", "unsure": "not sure"},
        findings={
            "even": "injectors found even",
            "odd": "a fault found at one injector",
            "other": "the fault was elsewhere; the injectors were not looked at",
        },
        stands="apart from the others",
        reference="a look at the injector and its wiring",
        nothing_left="no pulse seen",
        reminder="Current tells coil and pintle, not how much fuel comes out.",
    ),
    figure=Figure(
        event="injection",
        index="pulse of the sync",
        along="Time from the beginning of the pulse",
        span=10.0,
        along_unit="ms",
        across="Median pulse of the first channel",
        across_unit="V or A",
        usual_length_s=0.25,
    ),
    cautions=CAUTIONS,
    read=read,
    layout=layout,
    simulation_of=simulation_of,
    reader_version=READER_VERSION,
)
