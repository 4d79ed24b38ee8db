"""How long reading a saved capture takes, against peers that only parse the same file.

Peers, in the same run: polars `read_csv` with explicit types and the header skipped (the floor: no sniffing, no
checks, no sample rate), and numpy `loadtxt`. Run from the checkout: python tests/bench/bench_parse.py
Each figure is the median of several runs on a warm cache.
"""

# ruff: noqa: T201
from __future__ import annotations

import sys
import tempfile
from functools import partial
from pathlib import Path

import numpy as np
import polars as pl

sys.path.insert(0, str(Path(__file__).parents[2]))

from pipelines.readers import read_waveform
from tests.bench.timing import RUNS, taken_ms

ROWS = 400_000
RATE_HZ = 20_000.0


def write(path: Path, *, delimiter: str = ",", comma: bool = False, marks: bool = False) -> int:
    """Write a constructed capture of 400,000 rows and two channels; returns its bytes."""
    rng = np.random.default_rng(20261125)
    time_s = np.arange(ROWS) / RATE_HZ
    battery_v = np.round(11 + rng.normal(0, 0.5, ROWS), 4)
    primary_v = np.round(rng.normal(0, 30, ROWS), 4)
    lines = [
        f"{t:.5f}{delimiter}{a:.4f}{delimiter}{b:.4f}"
        for t, a, b in zip(time_s, battery_v, primary_v, strict=True)
    ]
    if marks:
        lines[1000] = lines[1000].rsplit(delimiter, 1)[0] + delimiter + "---"
    text = "\n".join([delimiter.join(("time (s)", "battery (V)", "primary (V)")), *lines, ""])
    path.write_text(text.replace(".", ",") if comma else text, encoding="utf-8")
    return path.stat().st_size


def plain_polars(path: Path, delimiter: str, comma: bool) -> pl.DataFrame:
    """The floor: the same file into the same types, everything known beforehand."""
    schema = {"column_1": pl.Float64(), "column_2": pl.Float32(), "column_3": pl.Float32()}
    return pl.read_csv(
        path, separator=delimiter, decimal_comma=comma, has_header=False, skip_lines=1, schema=schema
    )


def main() -> None:
    """Print the table."""
    print(f"{ROWS} rows, time and two channels; median of {RUNS} runs taking turns, in ms")
    print(f"{'file':28}{'read_waveform':>15}{'polars':>10}{'ratio':>8}{'loadtxt':>10}{'ratio':>8}")
    with tempfile.TemporaryDirectory() as folder:
        for name, delimiter, comma, marks in (
            ("comma, decimal point", ",", False, False),
            ("tab, decimal point", "\t", False, False),
            ("semicolon, decimal comma", ";", True, False),
            ("comma, with a mark `---`", ",", False, True),
        ):
            path = Path(folder) / "capture.csv"
            write(path, delimiter=delimiter, comma=comma, marks=marks)
            ours, calls = partial(read_waveform, path), []
            if not marks:
                calls.append(partial(plain_polars, path, delimiter, comma))
            if not (comma or marks):
                calls.append(partial(np.loadtxt, path, delimiter=delimiter, skiprows=1, dtype=np.float32))
            mine, *peers = taken_ms(ours, *calls)
            print(f"{name:28}{mine:15.1f}" + "".join(f"{peer:10.1f}{mine / peer:8.2f}" for peer in peers))


if __name__ == "__main__":
    main()
