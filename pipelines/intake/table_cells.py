"""What one cell of a drop-folder table may hold: tolerant in form, strict in meaning.

Every parser takes the cell's text (stripped, not empty) and the table's `Form`, and returns the value or
raises CellProblem with a sentence that says what to write instead.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import difflib
import math
import re
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from models.records.shops import MARK
from pipelines.errors import UnreadableFile

Parser = Callable[[str, "Form"], object]
EARLIEST_YEAR = 1990
LATEST_YEAR = 2100
# Drills are planned so far ahead at most.
PLANNED_DAYS = 400
# A shop's name stands before every one of its names.
MOST_SHOP = 40
_TRUE = {"true", "yes", "y", "1", "t"}
_FALSE = {"false", "no", "n", "0", "f"}


class CellProblem(ValueError):
    """A cell that cannot be used; `str(problem)` says why and what to write."""


@dataclass(frozen=True, slots=True)
class Form:
    """How the table at hand is written.

    Attributes:
        delimiter: `,`, `;` or a tab; with the latter two a decimal comma is read.
        zone: the shop's time zone; None means the machine's.
        latest: nothing recorded can have happened after this moment; None where that is not known.
    """

    delimiter: str = ","
    zone: dt.tzinfo | None = None
    latest: dt.datetime | None = None


def text(cell: str, form: Form) -> str:  # noqa: ARG001
    """Free text or an identifier, composed (Unicode NFC) so that equal names are equal."""
    if "\n" in cell or "\r" in cell:
        raise CellProblem("runs over several lines; a quote is missing or too many")
    if any(unicodedata.category(char) == "Cc" for char in cell):
        raise CellProblem(f"{cell!a} holds a control character; type it anew")
    return unicodedata.normalize("NFC", cell)


def remark(cell: str, form: Form) -> str:
    """Free text that may run over several lines; they are joined."""
    return text(" ".join(cell.split()), form)


def instant(cell: str, form: Form) -> dt.datetime:
    """An ISO 8601 date and time as shop local wall clock (no zone in the result), not in the future.

    One with an offset (or `Z`) is the same instant on the shop's clock; a bare date is its midnight.
    """
    moment = any_instant(cell, form)
    if form.latest is not None and moment > form.latest:
        raise CellProblem(f"{cell!r} lies in the future; correct the year, or this computer's clock")
    return moment


def any_instant(cell: str, form: Form) -> dt.datetime:
    """The same for a moment that may lie ahead."""
    try:
        moment = dt.datetime.fromisoformat(cell)
    except ValueError as error:
        raise CellProblem(
            f"{cell!r} is no date and time; write it as in 2026-03-18T14:05 (year first, ISO 8601)"
        ) from error
    if not EARLIEST_YEAR <= moment.year <= LATEST_YEAR:
        raise CellProblem(
            f"{cell!r} lies outside the years {EARLIEST_YEAR} to {LATEST_YEAR}; correct the year"
        )
    if moment.tzinfo is not None:
        moment = moment.astimezone(form.zone).replace(tzinfo=None)
    return moment


def day(cell: str, form: Form) -> dt.date:
    """An ISO 8601 date, not in the future; a time of day behind it is dropped."""
    try:
        return instant(cell, form).date()
    except CellProblem as problem:
        raise CellProblem(str(problem).replace("date and time", "date").replace("T14:05", "")) from None


def monday(cell: str, form: Form) -> dt.date:
    """A date that is a Monday (weeks begin on Monday in ISO 8601)."""
    # A week may lie ahead: drills are planned.
    latest = form.latest and form.latest + dt.timedelta(days=PLANNED_DAYS)
    date = day(cell, dataclasses.replace(form, latest=latest))
    if date.weekday():
        before = date - dt.timedelta(days=date.weekday())
        raise CellProblem(f"{cell!r} is no Monday; the week it lies in begins on {before.isoformat()}")
    return date


def truth(cell: str, form: Form) -> bool:  # noqa: ARG001
    """true/false, yes/no, 1/0 in any case."""
    low = cell.lower()
    if low in _TRUE:
        return True
    if low in _FALSE:
        return False
    raise CellProblem(f"{cell!r} is neither true nor false; write true or false")


def number(cell: str, form: Form) -> float:
    """A finite number, with a decimal comma where cells are not separated by commas."""
    bare = cell
    if "," in cell:
        if form.delimiter == "," or "." in cell or cell.count(",") > 1:
            raise CellProblem(
                f"{cell!r} can be read in two ways; write it with a decimal point and no thousands sign"
            )
        bare = cell.replace(",", ".")
    try:
        if "_" in bare:
            raise ValueError(bare)
        value = float(bare)
    except ValueError as error:
        raise CellProblem(f"{cell!r} is no number; write the bare number without unit or currency") from error
    if not math.isfinite(value):
        raise CellProblem(f"{cell!r} is no finite number")
    return value


def amount(cell: str, form: Form) -> float:
    """A number that is not negative (hours, money, a count)."""
    value = number(cell, form)
    if value < 0:
        raise CellProblem(f"{cell!r} is negative; write 0 or more")
    return value


def whole(low: int, high: int) -> Parser:
    """A whole number between two bounds; `4.0` is one."""

    def parse(cell: str, form: Form) -> int:
        value = number(cell, form)
        if value != int(value) or not low <= value <= high:
            raise CellProblem(f"{cell!r} is no whole number from {low} to {high}")
        return int(value)

    return parse


def scale(cell: str, form: Form) -> float:
    """A channel's factor to V or A; negative where the leads are the other way round."""
    value = number(cell, form)
    if value == 0:
        raise CellProblem(
            "is 0, which would wipe the channel out; write 1, or the attenuator's factor (10 for 10:1)"
        )
    return value


def items(one: Parser) -> Parser:
    """A list such as `3;4`, separated by `;` (or by blanks, or by commas inside quotes)."""

    def parse(cell: str, form: Form) -> list[object]:
        bare = cell.strip()
        separator = r"\s*[;|]\s*" if re.search("[;|]", bare) else r"\s+" if re.search(r"\s", bare) else ","
        parts = re.split(separator, bare)
        if any(not part for part in parts):
            raise CellProblem(f"{cell!r} has an empty place in its list; separate the values by single `;`")
        return [one(part, form) for part in parts]

    return parse


def elements(most: int) -> Parser:
    """Element numbers from 1 to `most`, each named once."""

    def parse(cell: str, form: Form) -> list[int]:
        found = [value for value in items(whole(1, most))(cell, form) if isinstance(value, int)]  # type: ignore[attr-defined]
        if len(set(found)) < len(found):
            raise CellProblem(f"{cell!r} names one twice; name each once")
        return found

    return parse


def choice(*words: str) -> Parser:
    """One of a fixed set of words, in any case, with blanks or hyphens for `_`."""
    plain = {_plain(word): word for word in words}

    def parse(cell: str, form: Form) -> str:  # noqa: ARG001
        if _plain(cell) in plain:
            return plain[_plain(cell)]
        raise CellProblem(f"{cell!r} is none of {', '.join(words)}{near_miss(_plain(cell), plain)}")

    return parse


def open_choice(*words: str) -> Parser:
    """A word of a growing set: known ones are recognised, a slip of the pen is refused, new ones pass."""
    plain = {_plain(word): word for word in words}

    def parse(cell: str, form: Form) -> str:
        low = _plain(text(cell, form))
        hint = near_miss(low, plain, cutoff=0.85)
        if low not in plain and hint:
            raise CellProblem(f"{cell!r} is not known{hint}")
        return plain.get(low, low)

    return parse


def near_miss(word: str, known: Sequence[str] | dict[str, str], cutoff: float = 0.6) -> str:
    """`; did you mean ...?` where a known word is close, else nothing."""
    close = difflib.get_close_matches(word, list(known), n=1, cutoff=cutoff)
    if not close:
        return ""
    return f"; did you mean {known[close[0]] if isinstance(known, dict) else close[0]!s}?"


def _plain(word: str) -> str:
    return re.sub(r"[\s_-]+", "_", word.strip().lower())


def below_drop_folder(cell: str, form: Form) -> str:
    """A path below the drop folder, with forward slashes and nothing redundant in it."""
    try:
        return capture_path(text(cell, form))
    except UnreadableFile as error:
        raise CellProblem(str(error)) from error


def capture_path(path: str) -> str:
    """The one spelling of a capture's path: `Week 1\\a.csv` and `./Week 1//a.csv` become `Week 1/a.csv`.

    Raises:
        UnreadableFile: for an absolute path, or one that leaves the folder.
    """
    parts = unicodedata.normalize("NFC", path.strip()).replace("\\", "/").split("/")
    if not parts[0] or re.fullmatch(r"[A-Za-z]:.*", parts[0]):
        raise UnreadableFile(f"{path!r} is an absolute path; write it from the drop folder down")
    kept = [part for part in parts if part not in ("", ".")]
    if ".." in kept:
        raise UnreadableFile(f"{path!r} leaves the drop folder (`..`); write it from the drop folder down")
    if not kept:
        raise UnreadableFile(f"{path!r} names no file")
    return "/".join(kept)


def shop_name(cell: str, form: Form) -> str:
    """A shop's name: short, and without what stands in paths, in addresses or between a shop and a name."""
    name = text(cell, form)
    if not re.fullmatch(rf"[^\s|;/\\.{MARK}][^\s|;/\\{MARK}]{{0,{MOST_SHOP - 1}}}", name):
        raise CellProblem(
            f"{cell!r} is no name for a shop: at most {MOST_SHOP} characters, no blank, none of | ; / \\ {MARK}, "
            "no dot in front; write North-Side"
        )
    return name


def order_text(cell: str, form: Form) -> str:
    """A firing order as `1-3-4-2`; `1 3 4 2`, `1,3,4,2` and `1342` are the same."""
    bare = re.sub(r"\s*[-–—‐‑,;/\s]\s*", "-", text(cell, form).strip())
    if bare.isdigit() and 3 <= len(bare) <= 9:
        bare = "-".join(bare)
    if not re.fullmatch(r"\d{1,2}(?:-\d{1,2})+", bare):
        raise CellProblem(f"{cell!r} is no firing order; write the cylinders as in 1-3-4-2")
    return "-".join(str(int(part)) for part in bare.split("-"))


def intervals_text(cell: str, form: Form) -> str:
    """Firing intervals as `150-90-150-90-150-90`, in degrees of crank angle."""
    separators = r"[-–—‐‑;\s]+" if form.delimiter != "," or ";" in cell or "-" in cell else r"[-–—‐‑;,\s]+"
    parts = [part for part in re.split(separators, text(cell, form)) if part]
    return "-".join(f"{number(part, form):.10g}" for part in parts)
