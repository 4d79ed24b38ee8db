"""Read one capture file without a warehouse."""

from __future__ import annotations

from pathlib import Path

from pipelines import kinds
from pipelines.errors import ShopspreadError
from pipelines.intake.ingest import family_of
from pipelines.intake.tables import SPECS, read_table
from pipelines.intake.work import Assignment, read
from pipelines.kinds import Hookup, Reading
from pipelines.readers import read_waveform


def read_one(
    file: Path,
    *,
    family_file: Path,
    engine_family: str,
    test: str,
    signals: tuple[str, ...],
    scales: str,
    sync_cylinder: int,
) -> Reading:
    """The reading of one capture.

    Args:
        signals: by channel; trailing empty ones are dropped.
        scales: by channel, separated by `;`; empty means 1 for all.

    Raises:
        UnreadableFile: when the file cannot be turned into samples.
        ShopspreadError: when the call makes no sense (no such family, test, file or cylinder).
    """
    if not file.is_file():
        raise ShopspreadError(f"There is no file {file}.")
    if not family_file.is_file():
        raise ShopspreadError(f"There is no family file {family_file}.")
    if kinds.kind(test) is None:
        raise ShopspreadError(
            f"There is no reader for the test {test!r} (there are: {', '.join(kinds.kinds())})."
        )
    table = read_table(family_file, SPECS["engine_families"])
    rows = {row["engine_family"]: row for row in table.rows.to_dicts()}
    if engine_family not in rows:
        bad = [problem.reason for problem in table.problems if problem.key == engine_family]
        known = f"It defines: {', '.join(rows) or 'none'}."
        raise ShopspreadError(
            bad[0] if bad else f"{family_file} defines no engine family {engine_family!r}. {known}"
        )
    family = family_of(rows[engine_family])
    if sync_cylinder not in family.firing_order:
        raise ShopspreadError(f"{engine_family!r} has no cylinder {sync_cylinder} to take the sync from.")
    named = tuple(signal.strip() for signal in signals)
    while named and not named[-1]:
        named = named[:-1]
    try:
        factors = tuple(float(part.replace(",", ".")) for part in scales.split(";")) if scales else ()
    except ValueError as error:
        raise ShopspreadError(f"--scales {scales!r}: give one number a channel, separated by `;`.") from error
    factors += (1.0,) * (len(named) - len(factors))
    return read(
        read_waveform(file), Assignment(test, Hookup(named, factors[: len(named)], sync_cylinder), family)
    )
