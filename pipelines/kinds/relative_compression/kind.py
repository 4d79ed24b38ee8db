"""Relative compression while cranking: what each cylinder takes from the starter, told from the supply's ripple."""

from __future__ import annotations

from pipelines.kinds.base import EngineFamily, Hookup, Reading
from pipelines.kinds.relative_compression.cylinders import read_cranking
from pipelines.waveform import Waveform


class RelativeCompression:
    """The test kind `relative_compression`."""

    name = "relative_compression"
    title = "Relative compression while cranking"
    signals = ("battery_voltage", "starter_current", "ignition_primary", "ignition_pickup")
    reader_version = 3
    cautions = (
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

    def read(self, waveform: Waveform, hookup: Hookup, family: EngineFamily) -> Reading:
        """Read one cranking capture.

        Raises:
            ShopspreadError: when the hookup names neither battery voltage nor starter current, or a sync cylinder
                that the family does not have.
        """
        return read_cranking(waveform, hookup, family, self.reader_version)


KIND = RelativeCompression()
