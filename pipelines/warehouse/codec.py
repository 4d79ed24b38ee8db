"""Results of the models as text and back: what a fit worked out is read by a page as it was.

JSON with a tag where JSON has no word of its own. Only what results are made of is taken: numbers, strings, dates,
tuples, lists, mappings, one-dimensional arrays of floats and polars frames (as Arrow IPC) and frozen dataclasses of
`models`. Nothing that is read back can run code: a tag names a dataclass of `models` or it is an error.
"""

from __future__ import annotations

import base64
import dataclasses
import datetime as dt
import importlib
import io
import json
import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl

_RESULTS = "models."


class CodecError(ValueError):
    """A value of a sort no result is made of, or a text this program did not write."""


def encode(value: Any) -> str:
    """A result as text.

    Raises:
        CodecError: something in it is neither a number, string, date, tuple, list, mapping, array, frame nor a
            frozen dataclass of `models`; the message says where.
    """
    return json.dumps(_packed(value, "value"), ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def decode(text: str) -> Any:
    """What `encode` was given: equal values of equal types (a mapping comes back as a dict).

    Raises:
        CodecError: the text is not of this form, or names a class or field that there is not (any more).
    """
    try:
        return _unpacked(json.loads(text))
    except CodecError:
        raise
    except (ValueError, TypeError, AttributeError, LookupError, OSError, pl.exceptions.PolarsError) as error:
        raise CodecError(f"not a stored result: {error}") from error


def _packed(value: Any, where: str) -> Any:
    if value is None or type(value) in (bool, int, str):
        return value
    if isinstance(value, float) and type(value).__module__ in ("builtins", "numpy"):
        return float(value) if math.isfinite(value) else {"float": repr(float(value))}
    if type(value) is dt.datetime and value.tzinfo is None:
        return {"datetime": value.isoformat()}
    if type(value) is dt.date:
        return {"date": value.isoformat()}
    if type(value) in (tuple, list):
        return {type(value).__name__: [_packed(part, f"{where}[{at}]") for at, part in enumerate(value)]}
    if isinstance(value, Mapping):
        return {
            "dict": [
                [_packed(key, f"{where} key"), _packed(part, f"{where}[{key!r}]")]
                for key, part in value.items()
            ]
        }
    if isinstance(value, pl.DataFrame):
        return {"frame": _as_text(value)}
    if isinstance(value, np.ndarray) and value.ndim == 1 and value.dtype == np.float64:
        return {"array": _as_text(pl.DataFrame({"x": value}))}
    if _is_result(type(value)):
        fields = {
            field.name: _packed(getattr(value, field.name), f"{where}.{field.name}")
            for field in dataclasses.fields(value)
        }
        return {"of": f"{type(value).__module__}:{type(value).__qualname__}", "fields": fields}
    raise CodecError(f"{where} is a {type(value).__module__}.{type(value).__qualname__}: no result holds one")


def _as_text(frame: pl.DataFrame) -> str:
    rows = io.BytesIO()
    frame.write_ipc(rows, compression="zstd")
    return base64.b64encode(rows.getvalue()).decode("ascii")


def _is_result(kind: type) -> bool:
    """Whether a type is a frozen dataclass at the top of a module of `models`."""
    return (
        dataclasses.is_dataclass(kind)
        and kind.__dataclass_params__.frozen  # type: ignore[attr-defined]
        and kind.__module__.startswith(_RESULTS)
        and "." not in kind.__qualname__
    )


def _unpacked(value: Any) -> Any:
    if not isinstance(value, dict):
        if isinstance(value, list):
            raise CodecError("a list without a tag")
        return value
    if "of" in value:
        return _result(value["of"], value["fields"])
    ((tag, content),) = value.items()
    if tag == "float":
        return float(content)
    if tag == "date":
        return dt.date.fromisoformat(content)
    if tag == "datetime":
        return dt.datetime.fromisoformat(content)
    if tag == "tuple":
        return tuple(_unpacked(part) for part in content)
    if tag == "list":
        return [_unpacked(part) for part in content]
    if tag == "dict":
        return {_unpacked(key): _unpacked(part) for key, part in content}
    if tag in ("frame", "array"):
        frame = pl.read_ipc(io.BytesIO(base64.b64decode(content, validate=True)))
        return frame if tag == "frame" else frame["x"].to_numpy()
    raise CodecError(f"there is no sort of value {tag!r}")


def _result(name: str, fields: Mapping[str, Any]) -> Any:
    module, _, kind_name = name.partition(":")
    if not module.startswith(_RESULTS) or not kind_name.isidentifier():
        raise CodecError(f"{name!r} is no class of results")
    try:
        kind = getattr(importlib.import_module(module), kind_name)
    except (ImportError, AttributeError) as error:
        raise CodecError(f"there is no class {name!r}") from error
    if not (isinstance(kind, type) and kind.__module__ == module and _is_result(kind)):
        raise CodecError(f"{name!r} is no class of results")
    wanted = {field.name for field in dataclasses.fields(kind)}
    if wanted != set(fields):
        raise CodecError(f"{name!r} has other fields than were stored: {sorted(wanted ^ set(fields))}")
    return kind(**{field: _unpacked(part) for field, part in fields.items()})
