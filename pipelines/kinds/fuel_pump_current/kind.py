"""Current of an electric fuel pump in the loop at its fuse: each place of the commutator against the others."""

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
    SetupCheck,
    Signal,
    Wording,
)
from pipelines.kinds.fuel_pump_current.read import read_current
from pipelines.kinds.simulated import Simulation
from pipelines.waveform import Waveform

READER_VERSION = 4
SIGNAL = "fuel_pump_current"


def read(waveform: Waveform, hookup: Hookup, family: EngineFamily | None) -> Reading:
    """Read one capture of a pump's current; the engine does not matter.

    A log that names no channel as `fuel_pump_current` gives status `unusable`.
    """
    del family
    named = hookup.signals[: waveform.channels]
    if SIGNAL not in named:
        said = "No channel is logged as fuel_pump_current; correct the row in captures.csv."
        return Reading("unusable", said, {}, reader_version=READER_VERSION)
    channel = named.index(SIGNAL)
    return read_current(
        waveform.samples[channel], waveform.rate_hz, waveform.start_s, hookup.scales[channel], READER_VERSION
    )


def simulation() -> Simulation:
    """The invented shop's pumps; imported only where somebody simulates."""
    from pipelines.kinds.fuel_pump_current.simulation import PumpSimulation

    return PumpSimulation()


CAUTIONS = (
    "The vehicle maker's service information, local codes and licensed practice come first; this is a reminder.",
    "Petrol vapour collects around an open pump circuit, a tank and a filter: no sparks, no flames, no hot lamps; "
    "air the place, keep a fire extinguisher at hand, and never open the fuel system for this test.",
    "Use a fused lead of the circuit's own rating as the loop at the fuse; make and break it with the circuit off, "
    "and never bridge a relay or fuse with bare wire.",
    "A running pump holds the fuel system at pressure: let no line be loosened while or after it runs.",
    "Keep hands, hair, sleeves and leads away from belts, fans and other moving or hot parts; a fan can start by "
    "itself.",
    "Do not let a pump run dry longer than the maker allows: petrol cools and lubricates it.",
    "Hybrid and electric vehicles carry lethal voltages and may start on their own: only with the maker's "
    "procedure and the training and licence it asks for.",
)

FEATURES = (
    Feature(
        "turns", "Turns read", "", "whole turns of the pump in the stretch that was read", "low", made=True
    ),
    Feature("bars", "Bars of the commutator", "", "counted from the ripple, where it tells them", "none"),
    Feature("pump_rpm", "Speed of the pump", "rpm", "mean over the stretch that was read", "either"),
    Feature(
        "rpm_spread_pct", "Unsteadiness of the speed", "%", "scatter of the lengths of single turns", "high"
    ),
    Feature("mean_a", "Mean current", "A", "of the running pump", "either"),
    Feature(
        "load_a_per_krpm",
        "Current for the speed",
        "A per 1,000 rpm",
        "above what the pump's like draws: loaded (a blocked filter or line, too much pressure); below: starved or dry",
        "either",
    ),
    Feature("ripple_a", "Ripple of the current", "A", "peak to peak of the mean half turn", "high"),
    Feature("wobble_pct", "Wobble of the current", "%", "from half turn to half turn, of the mean", "high"),
    Feature(
        "lag_ms", "Electrical time constant", "ms", "L/R of the winding, from the ripple's shape", "none"
    ),
    Feature("start_peak_a", "Start-up peak", "A", "above no current, where switching on is seen", "either"),
    Feature("run_up_s", "Run-up time", "s", "until nine tenths of the start-up peak are gone", "high"),
)

CHECKS = (
    # No habit: a wrong channel and a pump whose ripple is too even or too noisy to follow look alike to the reader.
    SetupCheck(
        "no_ripple", "no ripple of the pump or alternator on the channel", "no ripple found", habit=False
    ),
    SetupCheck("too_short", "too few turns of the pump for a good figure", "record too short"),
    SetupCheck(
        "clipped", "a signal is cut off at the edge of the screen", "signal cut off at the edge of the screen"
    ),
    SetupCheck(
        "ac_coupled", "the input blocks direct current, so levels cannot be read", "AC coupling left on"
    ),
    SetupCheck(
        "coarse_resolution",
        "the ripple covers only a few steps of the scope",
        "range too large, steps too coarse",
    ),
    SetupCheck(
        "low_sample_rate", "too few samples a second for the pulses or the ripple", "too few samples a second"
    ),
    SetupCheck(
        "reversed_leads",
        "leads or clamp the wrong way round (read all the same)",
        "leads the wrong way round",
    ),
    SetupCheck(
        "pwm_driven",
        "a controller switches the pump on and off many times a second",
        "pump driven by a controller",
        habit=False,
    ),
)

KIND = Kind(
    name="fuel_pump_current",
    title="Fuel pump current",
    lesson=2,
    element=Element("bar", "bars", "worn"),
    measures=(Measure("bar_current", "Current at each bar", "the median bar", "low", 2.0),),
    signals=(Signal(SIGNAL, "Fuel pump current", "A"),),
    hookup=Hookup((SIGNAL,), (1.0,)),
    needs_engine=False,
    features=FEATURES,
    checks=CHECKS,
    wording=Wording(
        calls={"even": "the bars are even", "odd": "a bar is low", "unsure": "not sure"},
        findings={
            "even": "commutator found even",
            "odd": "a worn or open bar found",
            "other": "the fault was elsewhere; the commutator was not looked at",
        },
        stands="below the others",
        reference="a look at the commutator",
        nothing_left="no current left",
    ),
    figure=Figure(
        event="passage of a bar",
        index="turn",
        along="Angle of the pump's shaft",
        span=360.0,
        along_unit="degrees",
        across="Current",
        across_unit="parts of the mean",
        usual_length_s=0.06,
    ),
    cautions=CAUTIONS,
    read=read,
    simulation=simulation,
    reader_version=READER_VERSION,
)
