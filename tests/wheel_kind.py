"""A test kind that exists only here: the teeth of a small toothed wheel, one of them missing as the index.

Not an engine, no cylinders, no starter: whatever the house does with it, it does from what this file declares.
The signal is a pulse a tooth; a worn tooth gives a lower one. The wheel turns at a drifting speed.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipelines.kinds.base import (
    Check,
    Element,
    ElementReading,
    EngineFamily,
    Events,
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
from pipelines.kinds.simulated import Recording, Simulated
from pipelines.waveform import Waveform

Floats = npt.NDArray[np.float64]

TEETH = 8
PULSE = 0.3
"""Width of a tooth's pulse in parts of the step from tooth to tooth."""

FEWEST_TURNS = 3


def wheel_signal(
    heights_v: Floats, *, turns: int = 12, turn_s: float = 0.08, rate_hz: float = 4000.0, noise_v: float = 0.02,
    lead_s: float = 0.05, seed: int = 1,
) -> Floats:  # fmt: skip
    """One record: a raised cosine a tooth, tooth `TEETH` + 1 missing, the speed drifting by a tenth."""
    rng = np.random.default_rng(seed)
    edges = turn_s * np.cumsum(1.0 + 0.1 * np.sin(np.arange(turns)))
    time = np.arange(int((lead_s + edges[-1] + 0.03) * rate_hz)) / rate_hz - lead_s
    turn = np.interp(time, np.concatenate([[0.0], edges]), np.arange(turns + 1.0), left=-1.0, right=turns)
    step = (turn % 1.0) * (TEETH + 1)
    tooth = np.floor(step).astype(int)
    away = (step - tooth - 0.5) / PULSE
    inside = (np.abs(away) < 1.0) & (tooth < TEETH) & (turn >= 0) & (turn < turns)
    pulse = np.where(inside, 0.5 + 0.5 * np.cos(np.pi * away), 0.0)
    return np.asarray(pulse * heights_v[np.minimum(tooth, TEETH - 1)] + rng.normal(0.0, noise_v, time.size))


def _peaks(volts: Floats, waveform: Waveform) -> tuple[Floats, Floats]:
    """Times and heights of the pulses."""
    level = 0.25 * float(volts.max())
    above = np.flatnonzero(np.diff((volts > level).astype(int)) == 1) + 1
    below = np.flatnonzero(np.diff((volts > 0.6 * level).astype(int)) == -1) + 1
    found: list[tuple[int, float, int]] = []
    for start in above:
        ends = below[below > start]
        if ends.size and (not found or start > found[-1][2]):
            part = volts[start : ends[0]]
            found.append((start + int(np.argmax(part)), float(part.max()), int(ends[0])))
    at = np.array([peak[0] for peak in found]) / waveform.rate_hz + waveform.start_s
    return at, np.array([peak[1] for peak in found])


def read_wheel(waveform: Waveform, hookup: Hookup, family: EngineFamily | None) -> Reading:
    """Peaks between crossings; the longest wait between peaks is the missing tooth, so tooth 1 comes after it."""
    del family
    if "wheel_pickup" not in hookup.signals[: waveform.channels]:
        said = "No channel is logged as wheel_pickup; correct the row in captures.csv."
        return Reading("unusable", said, {})
    channel = hookup.signals.index("wheel_pickup")
    volts = np.nan_to_num(waveform.samples[channel].astype(np.float64) * hookup.scales[channel])
    at, height = _peaks(volts, waveform)
    gaps = np.diff(at)
    index = np.flatnonzero(gaps > 1.5 * np.median(gaps)) + 1 if gaps.size else np.zeros(0, dtype=np.int64)
    ends = np.append(index[1:], height.size)[: index.size]
    whole = index[ends - index == TEETH]
    features = {"turns": float(len(whole)), "wheel_rpm": np.nan, "pulse_v": np.nan}
    table = height[whole[:, None] + np.arange(TEETH)] if whole.size else np.zeros((0, TEETH))
    # A wheel's pulses repeat in height and in time; noise that happens to count up to eight does not.
    steady = whole.size >= FEWEST_TURNS and float(np.mean(table.std(axis=0) / table.mean())) < 0.1
    if steady:
        steps = gaps[whole[:, None] + np.arange(TEETH - 1)]
        steady = float(np.median(steps.std(axis=1) / steps.mean(axis=1))) < 0.15
    if not steady:
        said = "Record at least three whole turns of the wheel."
        check = Check("too_short", "unusable", said)
        return Reading("unusable", said, features, checks=(check,))
    mean = table.mean(axis=0)
    middle = float(np.median(mean))
    relative, error = 100.0 * mean / middle, 100.0 * table.std(axis=0, ddof=1) / np.sqrt(len(whole)) / middle
    features |= {"wheel_rpm": 60.0 / float(np.median(np.diff(at[index]))), "pulse_v": middle}
    coarse = np.unique(volts).size < 40
    events = np.concatenate([at[start : start + TEETH] for start in whole])
    shape = np.interp(np.arange(90) / 90.0, (np.arange(TEETH) + 0.5) / (TEETH + 1), mean / middle)
    return Reading(
        "read",
        "",
        features,
        tuple(
            ElementReading(tooth + 1, tooth + 1, float(relative[tooth]), float(error[tooth]), "sync")
            for tooth in range(TEETH)
        ),
        (Check("coarse_resolution", "note", "Choose a smaller range."),) if coarse else (),
        Events(
            float(events[0]), float(events[-1]), at[index], events,
            np.tile(np.arange(1, TEETH + 1), len(whole)), shape,
        ),
    )  # fmt: skip


class WheelSimulation:
    """Wheels for the demo's later lessons: one worn tooth, or a record that is cut short."""

    groups = ("hub-small", "hub-large")
    faults = ("worn tooth",)
    slips = ("too_short",)

    def capture(self, group: str, *, fault: str, slip: str, vehicle_seed: int, seed: int) -> Simulated:
        """One wheel of one vehicle."""
        rng = np.random.default_rng(seed)
        usual = 1.0 + np.random.default_rng(self.groups.index(group)).normal(0, 0.03, TEETH)
        own = usual * (1 + np.random.default_rng(vehicle_seed).normal(0, 0.01, TEETH))
        odd: tuple[int, ...] = ()
        if fault:
            at = int(rng.integers(TEETH))
            own[at] *= 0.65
            odd = (at + 1,)
        volts = wheel_signal(own, turns=2 if slip else 12, seed=seed)
        recording = Recording(4000.0, 0.0, np.round(volts, 4)[None], ("V",), (1e-4,))
        return Simulated(recording, ("wheel_pickup",), (1.0,), odd)


WHEEL = Kind(
    name="wheel_teeth",
    title="Teeth of a wheel",
    lesson=99,
    element=Element("tooth", "teeth", "worn"),
    measures=(Measure("tooth_height", "Height of each tooth", "the median tooth", "low", 2.0),),
    signals=(Signal("wheel_pickup", "Pickup at the wheel", "V"),),
    hookup=Hookup(("wheel_pickup",), (1.0,)),
    needs_engine=False,
    features=(
        Feature("turns", "Turns read", "", "whole turns the figures rest on", "low"),
        Feature("wheel_rpm", "Speed of the wheel", "rpm", "median over the turns", "either"),
        Feature("pulse_v", "Height of a pulse", "V", "median tooth", "low"),
    ),
    checks=(
        SetupCheck("too_short", "fewer than three turns of the wheel", "record too short"),
        SetupCheck("coarse_resolution", "the pulses cover only a few steps of the scope", "range too large"),
    ),
    wording=Wording(
        calls={"even": "the teeth are even", "odd": "a tooth is low", "unsure": "not sure"},
        findings={
            "even": "all teeth sound",
            "odd": "a worn tooth found",
            "other": "the wheel was not looked at",
        },
        stands="below the others",
        reference="a look at the wheel",
        nothing_left="no pulse seen",
    ),
    figure=Figure(
        "tooth", "missing tooth", "Angle of the wheel", 360.0, "degrees", "Pulse", "parts of the median"
    ),
    cautions=("Keep clear of the turning wheel; the maker's service information comes first.",),
    read=read_wheel,
    simulation=WheelSimulation,
)
