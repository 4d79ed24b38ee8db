"""What a capture's file name says of it, by a pattern the shop sets: `{technician}_{repair_order}_{captured_at}`."""

from __future__ import annotations

import datetime as dt
import re

from pipelines.errors import ShopspreadError

FIELDS = (
    "technician", "repair_order", "vehicle", "engine_family", "component", "test", "purpose", "call", "captured_at",
)  # fmt: skip
ANYTHING = "any"
_FIELD = re.compile(r"\{(\w+)\}")
_MOMENTS = {8: "%Y%m%d", 12: "%Y%m%d%H%M", 14: "%Y%m%d%H%M%S"}


def check_pattern(pattern: str) -> str:
    """The pattern itself, when it may stand; empty is none.

    Raises:
        ShopspreadError: when it names an unknown field, one twice, or two with nothing between them.
    """
    names = _FIELD.findall(pattern)
    rest = _FIELD.sub("", pattern)
    unknown = [name for name in names if name not in (*FIELDS, ANYTHING)]
    if "{" in rest or "}" in rest:
        raise ShopspreadError(
            "A file-name pattern has a brace that does not match; write fields as {technician}."
        )
    if unknown:
        raise ShopspreadError(
            f"A file-name pattern knows no field {{{unknown[0]}}}; there are: {', '.join(FIELDS)}, and {ANYTHING}."
        )
    twice = [name for name in FIELDS if names.count(name) > 1]
    if twice:
        raise ShopspreadError(f"The file-name pattern names {{{twice[0]}}} twice; name it once.")
    if "}{" in pattern:
        raise ShopspreadError("Two fields of a file-name pattern need something between them, such as `_`.")
    if pattern and not names:
        raise ShopspreadError("A file-name pattern names at least one field, such as {technician}.")
    return pattern


def fields(pattern: str, capture_file: str) -> dict[str, str]:
    """The cells of `captures.csv` a file name fills in; nothing where it does not fit the pattern.

    The folders and the ending of the name do not count unless the pattern has them.
    """
    if not pattern:
        return {}
    name = capture_file if "/" in pattern else capture_file.rsplit("/", 1)[-1]
    last = pattern.rsplit("}", 1)[-1]
    if "." not in last:
        name = re.sub(r"(\.[A-Za-z]\w{0,6}){1,2}$", "", name)
    parts = _FIELD.split(pattern)
    made = "".join(
        re.escape(part) if place % 2 == 0 else ".+?" if part == ANYTHING else f"(?P<{part}>.+?)"
        for place, part in enumerate(parts)
    )
    found = re.fullmatch(made, name)
    if found is None:
        return {}
    cells = {field: text.strip() for field, text in found.groupdict().items()}
    if "captured_at" in cells:
        moment = _moment(cells.pop("captured_at"))
        if moment is not None:
            cells["captured_at"] = moment
    return {field: text for field, text in cells.items() if text}


def _moment(text: str) -> str | None:
    """A moment written without separators, or with any: as ISO 8601, None where its digits are no moment."""
    digits = re.sub(r"\D", "", text)
    form = _MOMENTS.get(len(digits))
    if form is None:
        return None
    try:
        return dt.datetime.strptime(digits, form).isoformat()
    except ValueError:
        return None
