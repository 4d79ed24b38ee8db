"""Where the table begins in delimited text, and what its columns are."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise
from statistics import median

from pipelines.errors import UnreadableFile
from pipelines.readers._cells import (
    Unit,
    is_data_row,
    is_number,
    last_place,
    name_and_unit,
    names_index,
    names_time,
    split_cells,
    unit_of,
)
from pipelines.readers._form import DELIMITERS, NOTHING_TOLD, TIME_UNITS, TextForm
from pipelines.readers._preamble import Preamble, read_preamble

# So many rows of one width in a row are the table, unless the text ends before.
SURE_ROWS = 12
# Rows looked at to see whether the first column is time.
LOOK_ROWS = 200


@dataclass(frozen=True, slots=True)
class Layout:
    """The shape of one delimited file.

    Attributes:
        delimiter: `,`, `;` or a tab.
        decimal_comma: True or False; None when the rows looked at hold whole numbers only.
        first_line: 0-based line of the first row of samples.
        width: cells a row.
        names: one per column, `""` where there is none.
        units: one per column, None where there is none.
        time: column of the time axis, None where there is none.
        other_times: further time columns, which have to say the same.
        spare: columns that only count the samples.
        preamble: facts of the lines above.
        notes: what had to be decided, in sentences.
    """

    delimiter: str
    decimal_comma: bool | None
    first_line: int
    width: int
    names: tuple[str, ...]
    units: tuple[Unit | None, ...]
    time: int | None
    other_times: tuple[int, ...]
    spare: tuple[int, ...]
    preamble: Preamble
    notes: tuple[str, ...]

    @property
    def channels(self) -> tuple[int, ...]:
        """Columns that hold channels, in file order."""
        taken = {self.time, *self.other_times, *self.spare}
        return tuple(k for k in range(self.width) if k not in taken)

    @property
    def words(self) -> str:
        """The layout in words, columns and lines counted from one."""
        between = next(word for word, sign in DELIMITERS.items() if sign == self.delimiter)
        between = f"{between} between the cells" if self.width > 1 else "one column"
        decimal = {True: "decimal comma", False: "decimal point", None: "whole numbers"}[self.decimal_comma]
        time = "no time column"
        if self.time is not None:
            unit = self.units[self.time]
            time = f"time in column {self.time + 1}" + (f" ({unit.text})" if unit else "")
        channels = ", ".join(
            f"{k + 1}" + (f" ({unit.text})" if (unit := self.units[k]) else "") for k in self.channels
        )
        return (
            f"{between}, {decimal}, samples from line {self.first_line + 1}, {time}, "
            f"channels in columns {channels or 'none'}"
        )


@dataclass(slots=True)
class _Candidate:
    """One way to split the lines, and the run of rows it has seen so far."""

    delimiter: str
    decimal_comma: bool
    start: int = 0
    rows: list[list[str]] = field(default_factory=list)
    best_start: int = 0
    best: list[list[str]] = field(default_factory=list)

    def see(self, number: int, line: str) -> None:
        cells = split_cells(line, self.delimiter)
        if not is_data_row(cells, decimal_comma=self.decimal_comma):
            self._end()
            return
        if self.rows and len(cells) != len(self.rows[0]):
            self._end()
        if not self.rows:
            self.start = number
        self.rows.append(cells)

    def _end(self) -> None:
        if len(self.rows) > len(self.best):
            self.best, self.best_start = self.rows, self.start
        self.rows = []

    def close(self) -> None:
        self._end()


def lines_of(head: str) -> list[str]:
    """The lines of a text. Carriage returns alone as line ends were made newlines before."""
    lines = head.split("\n")
    return [line.rstrip("\r") for line in lines] if "\r" in head else lines


def sniff(head: str, told: TextForm = NOTHING_TOLD) -> Layout:
    """Find the table in the first part of a file.

    Args:
        head: whole lines from the beginning of the file.
        told: what is known of its shape; it goes before whatever the lines suggest.

    Raises:
        UnreadableFile: when there are no rows of numbers, or the lines above contradict themselves.
    """
    lines = lines_of(head)
    table = _find_table(lines, told)
    width = len(table.best[0])
    rows = _following(lines, table)
    commas = table.decimal_comma and any("," in cell for row in rows for cell in row)
    points = not table.decimal_comma and any("." in cell for row in rows for cell in row)
    decimal_comma = True if commas else (False if points or table.delimiter == "," else None)
    if told.untold:
        _refuse_mismatch(lines[: table.best_start], table, rows)
    elif told.decimal_comma is not None:
        decimal_comma = told.decimal_comma
    names, units, used = _headings(lines[: table.best_start], table.delimiter, width)
    above = [
        line for number, line in enumerate(lines[: table.best_start]) if number not in used and line.strip()
    ]
    preamble = read_preamble(above, table.delimiter, decimal_comma)
    time, other_times, spare = _time_column(names, units, rows, table.decimal_comma, preamble.interval_s)
    notes = list(preamble.notes)
    labels = [name for k, name in enumerate(names) if name and k != time and k not in other_times]
    repeated = sorted({name for name in labels if labels.count(name) > 1})
    if repeated:
        notes.append(f"Several columns are called {', '.join(map(repr, repeated))}; their order decides.")
    found = Layout(
        table.delimiter,
        decimal_comma,
        table.best_start,
        width,
        tuple(names),
        tuple(units),
        time,
        other_times,
        spare,
        preamble,
        tuple(notes),
    )
    return found if told.untold else _as_told(found, told)


def _as_told(found: Layout, told: TextForm) -> Layout:
    """The layout with what was told in the place of what was found.

    Raises:
        UnreadableFile: when the table has no such column.
    """
    time, spare, preamble, units = found.time, set(found.spare), found.preamble, list(found.units)
    if told.time_column is not None:
        if told.time_column >= found.width:
            raise UnreadableFile(
                f"time_column is {told.time_column + 1}, but the rows have {found.width} cells; correct one of them."
            )
        spare |= {k for k in (found.time, *found.other_times) if k is not None}
        time = told.time_column if told.time_column >= 0 else None
        spare -= {time} if time is not None else set()
    if told.interval_s is not None:
        preamble = replace(preamble, interval_s=told.interval_s)
    if told.time_unit is not None and time is not None:
        units[time] = Unit(told.time_unit, "time", TIME_UNITS[told.time_unit])
    other_times = () if told.time_column is not None else found.other_times
    layout = replace(found, time=time, other_times=other_times, spare=tuple(sorted(spare)), preamble=preamble)
    for k, text in zip(layout.channels, told.channel_units, strict=False):
        if text:
            units[k] = unit_of(text) or Unit(text, "other", 1.0)
    return replace(layout, units=tuple(units))


def _find_table(lines: list[str], told: TextForm) -> _Candidate:
    delimiters = (";", "\t", ",") if told.delimiter is None else (told.delimiter,)
    commas = (False, True) if told.decimal_comma is None else (told.decimal_comma,)
    candidates = [_Candidate(d, comma) for d in delimiters for comma in commas]
    for number, line in enumerate(lines):
        if not line.strip() or number < told.first_line:
            continue
        for candidate in candidates:
            # Comma as delimiter and as decimal sign at once needs quotes around the cells.
            if candidate.delimiter == "," and candidate.decimal_comma and '"' not in line:
                candidate.close()
                continue
            candidate.see(number, line)
        if any(len(candidate.rows) >= SURE_ROWS for candidate in candidates):
            break
    for candidate in candidates:
        candidate.close()
    best = max(candidates, key=lambda candidate: _likelihood(candidate, lines))
    if not best.best:
        raise UnreadableFile(_no_table(lines))
    return best


def _likelihood(candidate: _Candidate, lines: list[str]) -> tuple[int, bool, bool, int, bool]:
    if not candidate.best:
        return 0, False, False, 0, False
    width = len(candidate.best[0])
    above = [line for line in lines[: candidate.best_start] if line.strip()]
    cells = split_cells(above[-1].rstrip(candidate.delimiter), candidate.delimiter) if above else []
    # `12,05` read as two whole numbers leaves a second one that begins with 0: it was a fraction.
    fraction = candidate.delimiter == "," and width == 2 and not candidate.decimal_comma
    fraction = fraction and any(
        len(row[1]) > 1 and row[1].isdigit() and row[1][0] == "0" for row in candidate.best
    )
    return len(candidate.best), len(cells) == width, not fraction, width, not candidate.decimal_comma


def _no_table(lines: list[str]) -> str:
    advice = "Export the capture as delimited text: one row a sample, numbers separated by , ; or tab."
    filled = [line for line in lines if line.strip()]
    if len(filled) <= 3 and any(any(letter.isalpha() for letter in line) for line in filled):
        return f"The file holds headings but no samples. {advice}"
    if any(line.count(":") >= 2 and any(letter.isdigit() for letter in line) for line in filled[-20:]):
        return f"No rows of plain numbers were found; clock times cannot be read as a time column. {advice}"
    return (
        f"No rows of plain numbers were found (thousands separators, or blanks between columns, "
        f"cannot be read). {advice}"
    )


def _following(lines: list[str], table: _Candidate) -> list[list[str]]:
    rows = []
    width = len(table.best[0])
    for line in lines[table.best_start : table.best_start + LOOK_ROWS]:
        cells = split_cells(line, table.delimiter)
        if len(cells) == width and is_data_row(cells, decimal_comma=table.decimal_comma):
            rows.append(cells)
    return rows


def _refuse_mismatch(above: list[str], table: _Candidate, rows: list[list[str]]) -> None:
    """A heading that names the time, but not as many columns as there are, must not be passed over.

    Raises:
        UnreadableFile: because the time's unit would be lost, or decimal commas taken for delimiters.
    """
    filled = [line.lstrip("#% ") for line in above if line.strip()][-2:]
    width = len(table.best[0])
    for line in filled:
        cells = split_cells(line, table.delimiter)
        while len(cells) > 1 and not cells[-1]:
            cells.pop()
        if len(cells) < 2 or len(cells) in (width, width - 1) or not _can_be_names(cells, line):
            continue
        named = [name_and_unit(cell) for cell in cells]
        if not any((unit and unit.kind == "time") or names_time(name) for name, unit in named):
            continue
        whole = all(cell.lstrip("+-").isdigit() for row in rows for cell in row if cell)
        if table.delimiter == "," and whole and width == 2 * len(cells):
            raise UnreadableFile(
                "Commas stand both between the cells and inside the numbers; export the capture with a "
                "semicolon or tab between the cells, or with decimal points."
            )
        raise UnreadableFile(
            f"The heading names {len(cells)} columns, but the rows have {width} cells; export the capture again."
        )


def _headings(
    above: list[str], delimiter: str, width: int
) -> tuple[list[str], list[Unit | None], frozenset[int]]:
    """Names and units from the (at most two) rows right above the table, and which lines those were."""
    names: list[str] = [""] * width
    units: list[Unit | None] = [None] * width
    used: set[int] = set()
    filled = [number for number, line in enumerate(above) if line.strip()][-2:]
    named = False
    for number in reversed(filled):
        cells = split_cells(
            above[number].lstrip("#% ") if above[number][:1] in "#%" else above[number], delimiter
        )
        while len(cells) > width and not cells[-1]:
            cells.pop()
        if not any(cells) or not width - 1 <= len(cells) <= width or (len(cells) < width and width < 3):
            break
        cells += [""] * (width - len(cells))
        parsed = [unit_of(cell) if cell else None for cell in cells]
        bracketed = all(cell[:1] in "([" and cell[-1:] in ")]" for cell in cells if cell)
        if not any(units) and (bracketed or all(parsed[k] is not None for k in range(width) if cells[k])):
            units = [
                unit or (Unit(cell.strip("()[] "), "other", 1.0) if cell.strip("()[] ") else None)
                for unit, cell in zip(parsed, cells, strict=True)
            ]
        elif not named and _can_be_names(cells, above[number]):
            for column, cell in enumerate(cells):
                names[column], unit = name_and_unit(cell)
                units[column] = units[column] or unit
            named = True
        else:
            break
        used.add(number)
    return names, units, frozenset(used)


def _can_be_names(cells: list[str], line: str) -> bool:
    """No cell of a header is a number, a date or a clock time; `key: value` in one cell is no header."""
    if len(cells) == 1 and (":" in line or "=" in line):
        return False
    for cell in cells:
        if is_number(cell, decimal_comma=False) or is_number(cell, decimal_comma=True):
            return False
        if cell[:1].isdigit() and sum(letter in "-:/." for letter in cell) >= 2:
            return False
        if cell[:1].isdigit() and unit_of(cell.lstrip("0123456789.,+-eE ")) is not None:
            return False
    return True


def _time_column(
    names: list[str],
    units: list[Unit | None],
    rows: list[list[str]],
    decimal_comma: bool,
    interval_s: float | None,
) -> tuple[int | None, tuple[int, ...], tuple[int, ...]]:
    """The column of time, further ones, and the columns that only count the samples."""
    by_unit = [k for k, unit in enumerate(units) if unit is not None and unit.kind == "time"]
    by_name = [
        k for k, name in enumerate(names) if name and names_time(name, first=k == 0) and units[k] is None
    ]
    counts = tuple(k for k, name in enumerate(names) if name and names_index(name) and units[k] is None)
    timed = sorted({*by_unit, *by_name})
    if timed:
        return timed[0], tuple(timed[1:]), counts
    if counts:
        return None, (), counts
    first = units[0] if units else None
    if len(names) < 2 or (first is not None and first.kind != "time"):
        return None, (), ()
    step = _even_step([row[0] for row in rows], decimal_comma)
    if step is None:
        return None, (), ()
    if step == 1.0 and all(row[0].isdigit() for row in rows):
        # Whole numbers that go up by one count the samples; they are no time without a unit.
        return None, (), (0,)
    if interval_s is not None and first is None:
        # The interval is known: an unnamed column that rises otherwise is a channel.
        known = any(abs(step * factor / interval_s - 1.0) < 0.01 for factor in (1.0, 1e-3, 1e-6, 1e-9))
        return (0 if known else None), (), ()
    return 0, (), ()


def _even_step(cells: list[str], decimal_comma: bool) -> float | None:
    """The step of a column that rises evenly, to within its printed digits; else None."""
    if len(cells) < 3 or not all(is_number(cell, decimal_comma=decimal_comma) for cell in cells):
        return None
    values = [float(cell.replace(",", ".")) for cell in cells]
    place = max(last_place(cells[0]), last_place(cells[-1]))
    steps = [after - before for before, after in pairwise(values)]
    step = median(steps)  # a missing row must not hide an even axis
    if step <= 2 * place:
        step = (values[-1] - values[0]) / len(steps)  # printed so coarsely that neighbours coincide
    if step <= 0 or values[-1] - values[0] < 2 * place:
        return None
    even = sum(abs(one - step) <= 1.01 * place + 0.1 * step for one in steps)
    return step if even >= 0.9 * len(steps) and min(steps) >= -0.01 * step else None
