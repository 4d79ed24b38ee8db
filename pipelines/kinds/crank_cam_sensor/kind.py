"""Crank and cam sensor: each tooth against the others, and the cam against the crank."""

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
from pipelines.kinds.crank_cam_sensor.angle import CRANK
from pipelines.kinds.crank_cam_sensor.checks import CHECKS
from pipelines.kinds.crank_cam_sensor.read import CAM, PLACE, SIZE, TIMING, read_sensors
from pipelines.kinds.simulated import Simulation
from pipelines.waveform import Waveform

READER_VERSION = 2


def read(waveform: Waveform, hookup: Hookup, family: EngineFamily | None) -> Reading:
    """Read one capture; a log that names neither sensor gives status `unusable`."""
    del family
    return read_sensors(waveform, hookup, READER_VERSION)


def simulation() -> Simulation:
    """The invented shop's wheels; imported only where somebody simulates."""
    from pipelines.kinds.crank_cam_sensor.simulation import WheelSimulation

    return WheelSimulation()


CAUTIONS = (
    "The vehicle maker's service information, local codes and licensed practice come first; this is a reminder.",
    "Keep hands, hair, sleeves, leads and tools away from belts, fans, pulleys and the wheel itself; tell everyone "
    "nearby before you crank, set the parking brake and select neutral or park.",
    "Probe at the connector's back or with a breakout lead: no pierced insulation, no lead near the exhaust or a belt.",
    "A coil sensor that is left unconnected can give more than a hundred volts at high speed: use an input or an "
    "attenuator that holds it.",
    "Never shorten a sensor's supply or signal to another wire: a controller can be destroyed.",
    "Hot parts burn, and an idling engine needs its exhaust led away.",
    "Hybrid and electric vehicles carry lethal voltages and may start on their own: only with the maker's "
    "procedure and the training and licence it asks for.",
)

FEATURES = (
    Feature("turns", "Turns read", "", "whole turns of the wheel the figures rest on", "low", made=True),
    Feature("places", "Places for teeth on a turn", "", "counted from the signal, gaps too", "none"),
    Feature("teeth", "Teeth on a turn", "", "that are there", "none"),
    Feature("broken_teeth", "Missing teeth", "", "places outside the gap where nothing passes", "high"),
    Feature("crank_rpm", "Speed of the crank", "rpm", "mean over the turns read", "none"),
    Feature(
        "speed_swing_pct", "Swing of the speed within a turn", "%", "90 % of the teeth lie within", "none"
    ),
    Feature("lost_turns_pct", "Turns with lost or added pulses", "%", "of the turns seen", "high"),
    Feature("coil", "Coil sensor", "", "1 variable reluctance, 0 Hall or another switch", "none"),
    Feature("pulse_v", "Height of a pulse", "V", "a coil's, peak to peak, first tooth after the gap", "low"),
    Feature(
        "pulse_at_1000_rpm_v", "Height of a pulse at 1000 rpm", "V", "a coil's, in proportion to speed", "low"
    ),
    Feature("tooth_width_pct", "Width of a tooth", "%", "a switch's, in parts of a pitch", "either"),
    Feature("run_out_pct", "Run-out of the air gap", "%", "once-per-turn swing of a coil's pulses", "high"),
    Feature("cam_edges", "Edges of the cam", "", "in two turns of the crank", "none"),
    Feature(
        "cam_after_gap_deg",
        "Cam after the crank's gap",
        "degrees",
        "the edge after the longest wait",
        "either",
    ),
    Feature("cam_se_deg", "Standard error of that angle", "degrees", "from the cycles of the record", "none"),
    Feature("cam_wander_deg", "Wander of the cam", "degrees", "scatter from cycle to cycle", "high"),
)

KIND = Kind(
    name="crank_cam_sensor",
    title="Crank and cam sensor",
    lesson=5,
    element=Element("tooth", "teeth", "bent or chipped"),
    measures=(
        Measure(PLACE, "Place of each tooth", "its even place, in parts of a pitch", "either", 1.0),
        Measure(SIZE, "Size of each tooth's pulse", "the median tooth", "low", 1.5),
        Measure(
            TIMING, "Cam against crank", "the crank's gap, in parts of a turn", "either", 0.2, True, 100.0
        ),
    ),
    signals=(
        Signal(CRANK, "Crank sensor", "V"),
        Signal(CAM, "Cam sensor", "V"),
        Signal("battery_voltage", "Battery voltage", "V"),
        Signal("ignition_primary", "Primary side of an ignition coil", "V"),
    ),
    hookup=Hookup((CRANK, CAM), (1.0, 1.0)),
    needs_engine=False,
    features=FEATURES,
    checks=CHECKS,
    wording=Wording(
        calls={
            "even": "teeth and timing are even",
            "odd": "a tooth or the timing is off",
            "unsure": "not sure",
        },
        findings={
            "even": "wheel and timing found sound",
            "odd": "a damaged tooth or wrong timing found",
            "other": "the fault was elsewhere; the wheel was not looked at",
        },
        stands="apart from the others",
        reference="a look at the wheel and the timing marks",
        nothing_left="no pulse left",
        reminder="Where the controller shifts the cam, only captures of the same state (cranking, or idle) compare.",
    ),
    figure=Figure(
        event="passage of a tooth",
        index="end of the gap",
        along="Angle of the wheel",
        span=360.0,
        along_unit="degrees",
        across="Signal",
        across_unit="parts of its half swing",
        usual_length_s=0.5,
    ),
    cautions=CAUTIONS,
    read=read,
    simulation=simulation,
    reader_version=READER_VERSION,
)
