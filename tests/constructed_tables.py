"""Tables written into a folder and read back, for the tests of the drop folder's tables."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from pipelines.intake.tables import SPECS, TableRead, read_table

FAMILY_HEAD = "engine_family,cylinders,firing_order,firing_intervals_deg,sync_kind\n"
CAPTURE_HEAD = (
    "capture_file,captured_at,technician,engine_family,test,purpose,ch1_signal,ch1_scale,ch2_signal\n"
)
ORDER_HEAD = "repair_order,opened_at,closed_at,scope_eligible,labour_h,comeback_of\n"


def read(folder: Path, name: str, content: str | bytes, zone: dt.tzinfo | None = None) -> TableRead:
    spec = SPECS[name]
    path = folder / spec.file
    path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
    return read_table(path, spec, zone=zone)
