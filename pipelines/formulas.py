"""Text that a spreadsheet would take for a formula, made inert in the files we write for people to open.

What a spreadsheet acts on: OWASP, "CSV Injection" (a cell that begins with `=`, `+`, `-`, `@`, a tab or a line end;
from memory).
"""

from __future__ import annotations

import polars as pl

_FORMULA = r"^[=@\t\r\n]|^[+\-]"
_PLAIN_NUMBER = r"^[+\-][\d.,]+(?:[\w\s%().,/\u2013\u2014\u2212\u00b0\-]|\bn = )*$"


def no_formulas(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame with text that a spreadsheet would take for a formula led in by an apostrophe.

    Text that is a signed number with its unit or interval is left alone, and so are numbers.
    """
    text = [name for name, dtype in frame.schema.items() if dtype == pl.String]
    cells = (pl.col(name) for name in text)
    return frame.with_columns(
        pl.when(cell.str.contains(_FORMULA) & ~cell.str.contains(_PLAIN_NUMBER))
        .then(pl.concat_str(pl.lit("'"), cell))
        .otherwise(cell)
        .alias(name)
        for name, cell in zip(text, cells, strict=True)
    )
