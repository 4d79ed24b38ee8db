"""Ripple of the charging system: each phase of the alternator against the others."""

from __future__ import annotations

from pipelines.kinds.base import (
    Element,
    EngineFamily,
    Feature,
    Figure,
    Hookup,
    Kind,
    Measure,
    Reading,
    Signal,
    Wording,
)
from pipelines.kinds.charging_ripple.checks import ALL
from pipelines.kinds.charging_ripple.read import read_channel
from pipelines.kinds.simulated import Simulation
from pipelines.waveform import Waveform

READER_VERSION = 3
SIGNALS = (
    Signal("battery_voltage", "Battery voltage", "V"),
    Signal("alternator_voltage", "Voltage at the alternator's output", "V"),
    Signal("alternator_current", "Current from the alternator", "A"),
)
PREFERRED = ("alternator_current", "alternator_voltage", "battery_voltage")


def read(waveform: Waveform, hookup: Hookup, family: EngineFamily | None) -> Reading:
    """Read one capture of a charging system; the engine does not matter.

    Where several channels carry it, current comes first, then the voltage nearest to the alternator. A log that names
    none of its signals gives status `unusable`.
    """
    del family
    named = hookup.signals[: waveform.channels]
    signal = next((one for one in PREFERRED if one in named), None)
    if signal is None:
        said = (
            "No channel is logged as battery_voltage, alternator_voltage or alternator_current; correct the row in "
            "captures.csv."
        )
        return Reading("unusable", said, {}, reader_version=READER_VERSION)
    channel = named.index(signal)
    unit = {one.name: one.unit for one in SIGNALS}[signal]
    return read_channel(
        waveform.samples[channel],
        waveform.rate_hz,
        waveform.start_s,
        hookup.scales[channel],
        unit,
        READER_VERSION,
    )


def simulation() -> Simulation:
    """The invented shop's alternators; imported only where somebody simulates."""
    from pipelines.kinds.charging_ripple.simulation import AlternatorSimulation

    return AlternatorSimulation()


CAUTIONS = (
    "The vehicle maker's service information, local codes and licensed practice come first; this is a reminder.",
    "The engine runs: keep hands, hair, sleeves and leads away from belts, pulleys, fans and hot parts; a fan can "
    "start by itself. Apply the parking brake, select neutral or park, and lead the exhaust gas away.",
    "Never disconnect the battery, or the alternator's output, while the engine runs: the voltage can jump high enough "
    "to hurt people and to destroy control units.",
    "The alternator's output is joined to the battery without a switch: clip leads on with the engine off, use a fused "
    "lead, no bare tools, no rings; a slipped lead welds.",
    "Batteries give off hydrogen while they charge: no sparks, no flames, no smoking.",
    "Hybrid and electric vehicles, and belt starter-generators, carry lethal voltages and may start on their own: only "
    "with the maker's procedure and the training and licence it asks for.",
)

FEATURES = (
    Feature(
        "cycles", "Electrical cycles read", "", "whole cycles in the stretch that was read", "low", made=True
    ),
    Feature("pulses", "Pulses in an electrical cycle", "", "where lines, shape and firing tell them", "none"),
    Feature(
        "electrical_hz", "Electrical frequency", "Hz", "speed of the machine times its pole pairs", "none"
    ),
    Feature("ripple_hz", "Frequency of the ripple", "Hz", "six times the electrical frequency", "none"),
    Feature("charging_v", "Charging voltage", "V", "mean over the stretch that was read", "either"),
    Feature("charging_a", "Charging current", "A", "mean over the stretch that was read", "either"),
    Feature("ripple_mv", "Ripple of the voltage", "mV", "peak to peak of the mean cycle", "high"),
    Feature("ripple_a", "Ripple of the current", "A", "peak to peak of the mean cycle", "high"),
    Feature(
        "ripple_share_pct",
        "Ripple over mean",
        "%",
        "r.m.s. of the mean cycle; 4.2 % for ideal rectification",
        "high",
    ),
    Feature("sixth_pct", "Line at a sixth of the ripple", "%", "of the ripple's line: one diode", "high"),
    Feature("third_pct", "Line at a third of the ripple", "%", "of the ripple's line: one phase", "high"),
    Feature(
        "half_pct",
        "Line at half of the ripple",
        "%",
        "of the ripple's line: one side of the rectifier",
        "high",
    ),
    Feature(
        "missing_pulses", "Pulses missing", "", "lower than half of the highest, of six in a cycle", "high"
    ),
    Feature(
        "speed_swing_pct",
        "Swing of the speed",
        "%",
        "about its straight course: belt, tensioner, engine",
        "high",
    ),
    Feature("field_clock_hz", "Regulator's clock", "Hz", "where a clock switches the field", "none"),
)

KIND = Kind(
    name="charging_ripple",
    title="Charging ripple",
    lesson=6,
    element=Element("phase", "phases", "weak"),
    measures=(Measure("phase_output", "What each phase gives", "the median phase", "low", 6.0),),
    signals=SIGNALS,
    hookup=Hookup(("battery_voltage",), (1.0,)),
    needs_engine=False,
    features=FEATURES,
    checks=tuple(one.declared for one in ALL),
    wording=Wording(
        calls={"even": "the phases are even", "odd": "a phase is low", "unsure": "not sure"},
        findings={
            "even": "rectifier and windings found sound",
            "odd": "a bad diode, joint or winding found",
            "other": "the fault was elsewhere; the alternator was not looked into",
        },
        stands="below the others",
        reference="a test of the diodes on the bench",
        nothing_left="nothing left",
        reminder="The phases are compared with each other; how much the alternator can deliver is another test.",
    ),
    figure=Figure(
        event="highest or lowest point of a phase",
        index="mark of a phase",
        along="Angle of the electrical cycle",
        span=360.0,
        along_unit="degrees",
        across="Ripple about its mean",
        across_unit="parts of peak to peak",
        usual_length_s=0.02,
    ),
    cautions=CAUTIONS,
    read=read,
    simulation=simulation,
    reader_version=READER_VERSION,
)
