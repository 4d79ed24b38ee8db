"""An injector's lead logged as the ignition primary: told by the height of its kick and by what does not follow it."""

from __future__ import annotations

import numpy as np

from pipelines.kinds.relative_compression.signals import SyncTrace
from pipelines.kinds.relative_compression.values import Array, middle_of

LEAST_RATE_HZ = 3500.0  # below, nothing is seen of a millisecond
KICK_V = (30.0, 85.0)  # a clamp diode or Zener holds an injector's kick; a coil's reaches hundreds of volts
# (common practice, no source)
AFTER_S = (0.0009, 0.0014)  # a spark still burns then, 20 to 40 V above the battery
BURNS = 0.3  # of the kick
FEWEST, MOST = 3, 24


def looks_like_injector(trace: SyncTrace, times_s: Array) -> bool:
    """Whether the pulses at `times_s` (s on the file's axis) rise to an injector's kick and nothing burns after it."""
    if trace.rate_hz < LEAST_RATE_HZ or trace.named != "ignition_primary" or trace.off_screen:
        return False
    times_s = times_s[:: max(1, times_s.size // MOST)]
    rate = trace.rate_hz
    kicks, later = [], []
    for time_s in times_s.tolist():
        at = int((time_s - trace.start_s) * rate)
        begin = at - int(0.02 * rate)
        if begin < 0 or at + int(0.004 * rate) >= trace.high.size:
            continue
        rest = middle_of(trace.high[begin : at + int(0.03 * rate)])
        near = trace.high[at - int(0.001 * rate) : at + int(0.003 * rate)]
        top = at - int(0.001 * rate) + int(np.argmax(near))
        kicks.append(float(near.max()) - rest)
        tail = trace.high[
            top + int(AFTER_S[0] * rate) : top + max(int(AFTER_S[1] * rate), int(AFTER_S[0] * rate) + 1)
        ]
        later.append(float(np.median(tail)) - rest)
    if len(kicks) < FEWEST:
        return False
    kick = max(kicks)
    usual = middle_of(np.array(kicks))
    return KICK_V[0] < usual and kick < KICK_V[1] and middle_of(np.array(later)) < BURNS * usual


SENTENCE = (
    "The sync channel shows an injector's pulses (a kick of some tens of volts and no spark after it), not a coil's: "
    "a low cylinder is seen but not named. Move the lead to the switched side of the ignition coil, through an "
    "attenuator."
)
