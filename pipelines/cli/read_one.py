"""Read one capture file without a warehouse."""

from __future__ import annotations

from pathlib import Path

from pipelines import kinds
from pipelines.errors import ShopspreadError
from pipelines.intake.tables import SPECS, read_table
from pipelines.intake.text_formats import nearest, text_format
from pipelines.intake.work import Assignment, read
from pipelines.kinds import EngineFamily, Hookup, Kind, Reading
from pipelines.readers import read_waveform
from pipelines.readers._form import text_form_of
from pipelines.waveform import Waveform


def read_one(
    file: Path,
    *,
    family_file: Path | None,
    engine_family: str,
    test: str,
    signals: tuple[str, ...],
    scales: str,
    index_element: int,
) -> tuple[Kind, Reading, Waveform]:
    """The reading of one capture, the kind that read it, and the waveform it was made of.

    A file `text_format.json` beside the capture, or above it in its drop folder, says how its text is written.

    Args:
        family_file, engine_family: not needed for a test that needs no engine.
        test: empty for the first of the course. index_element: the element the index lead was on.
        signals: by channel; trailing empty ones are dropped; none at all means the test's usual hookup.
        scales: by channel, separated by `;`; empty means 1 for all.

    Raises:
        UnreadableFile: when the file cannot be turned into samples.
        ShopspreadError: when the call makes no sense (no such family, test, file or element).
    """
    if not file.is_file():
        raise ShopspreadError(f"There is no file {file}.")
    test = test or next(iter(kinds.kinds()))
    known = kinds.kind(test)
    if known is None:
        raise ShopspreadError(
            f"There is no reader for the test {test!r} (there are: {', '.join(kinds.kinds())})."
        )
    family = _family(family_file, engine_family, index_element) if known.needs_engine else None
    named = tuple(signal.strip() for signal in signals)
    while named and not named[-1]:
        named = named[:-1]
    named = named or known.hookup.signals
    try:
        factors = tuple(float(part.replace(",", ".")) for part in scales.split(";")) if scales else ()
    except ValueError as error:
        raise ShopspreadError(f"--scales {scales!r}: give one number a channel, separated by `;`.") from error
    factors += (1.0,) * (len(named) - len(factors))
    hookup = Hookup(named, factors[: len(named)], index_element)
    says = nearest(file, [spec.file for spec in SPECS.values()])
    waveform = read_waveform(file, text_form_of(None if says is None else text_format(says)))
    return known, read(waveform, Assignment(test, hookup, family)), waveform


def _family(family_file: Path | None, engine_family: str, index_element: int) -> EngineFamily:
    if family_file is None or not engine_family:
        raise ShopspreadError(
            "This test needs the engine: give --family-file and --engine-family (see engine_families.csv)."
        )
    if not family_file.is_file():
        raise ShopspreadError(f"There is no family file {family_file}.")
    table = read_table(family_file, SPECS["engine_families"])
    rows = {row["engine_family"]: row for row in table.rows.to_dicts()}
    if engine_family not in rows:
        bad = [problem.reason for problem in table.problems if problem.key == engine_family]
        known = f"It defines: {', '.join(rows) or 'none'}."
        raise ShopspreadError(
            bad[0] if bad else f"{family_file} defines no engine family {engine_family!r}. {known}"
        )
    family = EngineFamily.of_row(rows[engine_family])
    wrong = family.without(index_element)
    if wrong is not None:
        raise ShopspreadError(f"The call {wrong}.")
    return family
