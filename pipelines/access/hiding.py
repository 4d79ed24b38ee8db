"""What stands in the place of names a person is not to see: in the names of files, in columns, in what people wrote.

A capture file may be called after whoever made it, by initials too, so its name is shown only to whom it belongs and
to those who may see who captured; everybody else meets the capture under a name of ours, its day and a keyed hash.
Texts keep their words, with the names of the shop's people taken out of them.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, is_dataclass
from functools import cached_property, lru_cache
from typing import Any, TypeVar

import polars as pl

from models.records.shops import own_name
from pipelines.access.roles import Right, Viewer
from pipelines.spelling import BETWEEN, WORD

OTHERS = "somebody else"
"""Stands where a name is not this person's to see."""
PERSONS = ("technician", "set_by", "entered_by", "assigned_to", "by", "who")
"""Columns that hold one person's name."""
FILE = "capture_file"
PLAIN = frozenset(
    {
        "group", "engine_family", "component", "test", "measure", "status", "purpose", "check", "severity", "feature",
        "unit", "repair_order", "vehicle", "comeback_of", "came_back_as", "finding", "method", "call", "source",
        "state", "action", "sync_kind", "topic", "p_basis", "batch", "reasons", "waveform_sha256", "quality",
        "ch_signals", "ch_scales", "firing_order", "firing_intervals_deg", "identified", "label", "basis", "stands",
        "outlier_model",
    }
)  # fmt: skip
"""Columns of keys and of words of our own. What is in none of these lists is looked through as something written."""
SHORTEST_PART = 3
_HASH = re.compile(r"capture ([0-9a-f]{12})\b")
_MOST_SIGNS = 400
"""Of a path that is looked for inside a text."""
OTHERS_FILE = "another capture"
"""Stands for a file's last name that several captures have."""
Found = TypeVar("Found")


@lru_cache(maxsize=1 << 17)
def _digest(file: str, secret: bytes) -> str:
    return hashlib.blake2b(file.encode(), key=secret[:64], digest_size=6).hexdigest()


@dataclass(frozen=True)
class OnRecord:
    """Whose names there are, and whose every capture is. What follows from it is worked out once, for everybody.

    Attributes:
        files: capture_file, technician (null where nobody is named), captured_at, uploaded_by (null unless uploaded).
        technicians: names the shop's tables use; a part of one (a first name) is taken out of texts too.
        people: further names: those who decided, entered something, or sign in.
        secret: key of the hashes, so that nobody can guess a file's name and find it proven.
    """

    files: pl.DataFrame
    technicians: frozenset[str]
    people: frozenset[str]
    secret: bytes

    def alias(self, file: str, day: dt.datetime | None) -> str:
        """A capture's name for whom its file's name is not."""
        return f"capture {_digest(file, self.secret)}" + (f" of {day:%Y-%m-%d}" if day else "")

    @cached_property
    def aliases(self) -> dict[str, str]:
        """Every capture's name of ours, by its file."""
        names = self.files[FILE].to_list()
        digests = pl.Series([_digest(name, self.secret) for name in names], dtype=pl.String)
        # As `alias` writes it, for all at once: a large shop has hundreds of thousands.
        days = (" of " + self.files["captured_at"].dt.strftime("%Y-%m-%d")).fill_null("")
        return dict(zip(names, ("capture " + digests + days).to_list(), strict=True))

    @cached_property
    def by_alias(self) -> dict[str, str]:
        """Every file, by what does not change of its capture's name of ours."""
        return {_digest(file, self.secret): file for file in self.aliases}

    @cached_property
    def by_last(self) -> dict[str, str | None]:
        """Every file by the last part of its name; None where two files in two folders share it."""
        found: dict[str, str | None] = {}
        for file in self.aliases:
            last = own_name(file).rpartition("/")[2]
            found[last] = None if last in found else file
        return found

    @cached_property
    def ending(self) -> re.Pattern[str] | None:
        """What finds the ends of files' names."""
        return _ending({file.rpartition(".")[2] for file in self.aliases if "." in file})

    def of(self, own: frozenset[str]) -> frozenset[str]:
        """The files somebody of those names made or uploaded."""
        theirs = pl.col("technician").is_in(own) | pl.col("uploaded_by").is_in(own)
        return frozenset(self.files.filter(theirs)[FILE])

    @cached_property
    def nobodys(self) -> frozenset[str]:
        """Files nobody has labelled: each is known by nothing but its name, which whoever labels it has to see."""
        named = pl.col("technician").is_not_null() & (pl.col("technician") != "")
        return frozenset(self.files.filter(~named & pl.col("captured_at").is_null())[FILE])


@dataclass(frozen=True, slots=True)
class Hiding:
    """What one person is shown in the place of names.

    Attributes:
        known: whose names there are; None for whom nothing is hidden.
        kept: files that are called by their own names. own: the person's own names.
    """

    known: OnRecord | None = None
    kept: frozenset[str] = frozenset()
    own: frozenset[str] = frozenset()
    whole: re.Pattern[str] | None = None
    parts: re.Pattern[str] | None = None

    @classmethod
    def of(cls, viewer: Viewer, known: OnRecord) -> Hiding:
        """For one person; nothing is hidden from whom may see who captured and who worked on what."""
        if viewer.may(Right.SEE_NAMES):
            return cls()
        own = frozenset({viewer.name, viewer.technician} - {""})
        whole, parts = _patterns(known, own)
        nobodys = {file for file in known.nobodys if not _bears(file, whole, parts)}
        return cls(known, known.of(own) | nobodys, own, whole, parts)

    @property
    def active(self) -> bool:
        """Whether anything is hidden."""
        return self.known is not None

    def file(self, name: str) -> str:
        """The name a capture is shown under."""
        if self.known is None or name in self.kept:
            return name
        return self.known.aliases.get(name) or self.text(name)

    def real(self, shown: str) -> str:
        """The file a shown name stands for, whichever day it was shown with; what stands for none is itself."""
        return shown if self.known is None else self.known.by_alias.get(_key(shown), shown)

    def text(self, text: str) -> str:
        """What somebody wrote, without the names of others and of files that are not the person's."""
        if self.known is None or not text:
            return text
        if text in self.known.aliases:
            return self.file(text)
        if self.known.ending is not None:
            text = self._without_files(text, self.known)
        for pattern in (self.whole, self.parts):
            if pattern is not None:
                text = pattern.sub(OTHERS, text)
        return text

    def _without_files(self, text: str, known: OnRecord) -> str:
        ends = known.ending.finditer(text) if known.ending is not None else ()
        for end in sorted({found.end() for found in ends}, reverse=True):
            for start in range(max(0, end - _MOST_SIGNS), end):
                word = text[start:end]
                if word in known.aliases:
                    shown = self.file(word)
                elif word in known.by_last:
                    file = known.by_last[word]
                    # Two files of one name in two folders: who is told of one is told of neither.
                    shown = OTHERS_FILE if file is None else self.file(file)
                else:
                    continue
                text = text[:start] + shown + text[end:]
                break
        return text

    def frame(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Rows without the names of others; the same columns and types, nothing else changed."""
        if not self.active:
            return frame
        changed = []
        for name, dtype in frame.schema.items():
            text = dtype == pl.String
            if not (text or dtype == pl.List(pl.String)) or (name in PLAIN and name != FILE):
                continue
            work = self.file if name == FILE else self._person if name in PERSONS else self.text
            changed.append(_mapped(frame[name], work) if text else _mapped_lists(frame[name], work))
        return frame.with_columns(changed) if changed else frame

    def _person(self, name: str) -> str:
        return name if not name or name in self.own else OTHERS

    def result(self, found: Found) -> Found:
        """The frames in a result that was worked out of all records, and in what it is made of, the same way."""
        return self._result(found) if self.active else found

    def _result(self, found: Any) -> Any:
        if isinstance(found, pl.DataFrame):
            return self.frame(found)
        if is_dataclass(found) and not isinstance(found, type):
            values = {one.name: getattr(found, one.name) for one in dataclasses.fields(found) if one.init}
            changed = {name: self._result(value) for name, value in values.items()}
            apart = {name: value for name, value in changed.items() if value is not values[name]}
            return dataclasses.replace(found, **apart) if apart else found
        return found


def _key(shown: str) -> str:
    found = _HASH.match(shown)
    return found[1] if found else shown


def _patterns(known: OnRecord, own: frozenset[str]) -> tuple[re.Pattern[str] | None, re.Pattern[str] | None]:
    """What finds others' whole names, however they are spelt, and parts of technicians' names as they are written.

    A key that is a number is nobody's name and would be found in every sentence with figures.
    """
    # Where several shops share a warehouse a remark calls people what their shop does.
    own = frozenset(map(own_name, own))
    technicians = frozenset(map(own_name, known.technicians)) - own
    others = technicians | (frozenset(map(own_name, known.people)) - own)
    mine = {word for name in own for word in WORD.findall(name)}
    names = {tuple(WORD.findall(name)) for name in others} - {()}
    whole = [
        BETWEEN.join(re.escape(word) for word in words)
        for words in sorted(names, key=lambda words: (-len(words), words))
        if sum(map(len, words)) > 1 and not "".join(words).isdecimal()
    ]
    parts = {
        word
        for name in technicians
        for word in WORD.findall(name)
        if len(word) >= SHORTEST_PART and word[0].isupper() and word not in mine
    }
    return _compiled(whole, re.IGNORECASE), _compiled(map(re.escape, sorted(parts, key=len, reverse=True)), 0)


def _compiled(alternatives: Iterable[str], flags: int) -> re.Pattern[str] | None:
    # An underscore ends a word here, as it does in the names of files.
    found = "|".join(alternatives)
    return re.compile(rf"(?<![^\W_])(?:{found})(?![^\W_])", flags) if found else None


def _ending(endings: Iterable[str]) -> re.Pattern[str] | None:
    found = "|".join(map(re.escape, sorted(endings)))
    return re.compile(rf"\.(?:{found})(?!\w)") if found else None


def _bears(text: str, *patterns: re.Pattern[str] | None) -> bool:
    return any(pattern is not None and pattern.search(text) for pattern in patterns)


def _mapped(column: pl.Series, work: Callable[[str], str]) -> pl.Series:
    values = column.drop_nulls().unique().to_list()
    if 2 * len(values) > len(column):
        shown = [None if value is None else work(value) for value in column.to_list()]
        return pl.Series(column.name, shown, dtype=column.dtype)
    apart = {value: other for value in values if (other := work(value)) != value}
    if not apart:
        return column
    return column.replace(list(apart), list(apart.values()))


def _mapped_lists(column: pl.Series, work: Callable[[str], str]) -> pl.Series:
    lists = [
        None if row is None else [None if one is None else work(one) for one in row]
        for row in column.to_list()
    ]
    return pl.Series(column.name, lists, dtype=column.dtype)
