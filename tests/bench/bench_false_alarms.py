"""The whole road, files to flags, on physics the project never saw: how many healthy captures does it flag?

Writes clean independent captures as a drop folder (waveforms as text, the capture log, repair orders, outcomes
for a share of them), ingests it into a new warehouse by the shipped command, and compares the flags with the truth.

Run from the checkout: `python -m tests.bench.bench_false_alarms [--n 300] [--known 0.6] [--seed 31]`.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from datetime import datetime, timedelta
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

from tests.independent_engines import LAYOUTS
from tests.independent_sets import TestCapture, make_set


def write_waveform(path: Path, capture: TestCapture) -> None:
    """Comma separated, a time column in s, a line of units."""
    wave = capture.waveform
    columns = {"time": wave.start_s + np.arange(wave.samples.shape[1]) / wave.rate_hz}
    columns |= {f"ch{i + 1}": wave.samples[i].astype(np.float64) for i in range(wave.channels)}
    body = pl.DataFrame(columns).write_csv(include_header=False, float_precision=6)
    units = ",".join(["s", *["V"] * wave.channels])
    path.write_text(",".join(columns) + "\n" + units + "\n" + body)


def write_drop(drop: Path, captures: list[TestCapture], known: float, seed: int) -> None:
    """The drop folder of a shop whose repair outcomes are known for the share `known`."""
    rng = np.random.default_rng(seed)
    (drop / "waves").mkdir(parents=True)
    families = [
        {
            "engine_family": layout.name,
            "cylinders": layout.cylinders,
            "firing_order": "-".join(map(str, layout.firing_order)),
            "firing_intervals_deg": "-".join(f"{x:g}" for x in layout.intervals_deg)
            if layout.intervals_deg
            else "",
            "sync_kind": "coil_on_plug",
        }
        for layout in LAYOUTS
    ]
    pl.DataFrame(families).write_csv(drop / "engine_families.csv")
    pl.DataFrame({"technician": ["T1"], "started_on": ["2024-01-01"]}).write_csv(drop / "technicians.csv")
    orders, log, outcomes = [], [], []
    for i, capture in enumerate(captures):
        at = datetime(2025, 1, 7, 8) + timedelta(hours=7 * i)
        write_waveform(drop / "waves" / f"c{i:04}.csv", capture)
        orders.append(
            {
                "repair_order": f"R{i:04}",
                "opened_at": at.isoformat(),
                "closed_at": (at + timedelta(hours=6)).isoformat(),
                "technician": "T1",
                "vehicle": f"V{i:04}",
                "engine_family": capture.family.name,
                "complaint": "misfire",
                "scope_eligible": "true",
            }
        )
        row = {"capture_file": f"waves/c{i:04}.csv", "captured_at": (at + timedelta(hours=1)).isoformat()}
        row |= {"technician": "T1", "repair_order": f"R{i:04}", "vehicle": f"V{i:04}"}
        row |= {"engine_family": capture.family.name, "test": "relative_compression", "purpose": "diagnosis"}
        for c, (signal, scale) in enumerate(
            zip(capture.hookup.signals, capture.hookup.scales, strict=True), start=1
        ):
            row |= {f"ch{c}_signal": signal, f"ch{c}_scale": f"{scale:g}"}
        log.append(row)
        if rng.random() < known:
            faulty = capture.truth.faulty
            outcomes.append(
                {
                    "repair_order": f"R{i:04}",
                    "confirmed_at": (at + timedelta(hours=5)).isoformat(),
                    "finding": "odd" if faulty else "even",
                    "confirmed_cylinders": ";".join(map(str, faulty)),
                    "method": "gauge",
                }
            )
    for name, rows in (("repair_orders", orders), ("captures", log), ("outcomes", outcomes)):
        pl.DataFrame(rows, infer_schema_length=None).write_csv(drop / f"{name}.csv")


def main(arguments: list[str] | None = None) -> int:
    """Print flags against truth, over all and by family."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--n", type=int, default=300)
    parser.add_argument("--known", type=float, default=0.6)
    parser.add_argument("--seed", type=int, default=31)
    options = parser.parse_args(arguments)
    captures = make_set("clean", options.n, options.seed)
    with tempfile.TemporaryDirectory() as folder:
        drop, warehouse = Path(folder) / "drop", Path(folder) / "warehouse"
        write_drop(drop, captures, options.known, options.seed)
        command = [
            sys.executable,
            "-c",
            "from pipelines.cli import main; main()",
            "ingest",
            str(drop),
            "--warehouse",
            str(warehouse),
        ]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        sys.stdout.write(done.stdout[-1500:] + done.stderr[-1500:])
        files = list(warehouse.rglob("*.duckdb")) if warehouse.is_dir() else [warehouse]
        with duckdb.connect(str(files[0]), read_only=True) as con:
            rows = con.sql(
                "select capture_file, status, odd_pct, p_value, flagged, flagged_cylinders, threshold_pct "
                "from export.captures order by capture_file"
            ).pl()
    flagged: dict[bool, list[bool]] = {False: [], True: []}
    by_family: dict[str, list[tuple[bool, bool]]] = {}
    right = 0
    wrong: list[str] = []
    for row in rows.iter_rows(named=True):
        capture = captures[int(row["capture_file"][-8:-4])]
        ill, flag = bool(capture.truth.faulty), bool(row["flagged"])
        flagged[ill].append(flag)
        by_family.setdefault(capture.family.name, []).append((ill, flag))
        named = {
            int(x)
            for x in str(row["flagged_cylinders"] or "").replace(";", ",").split(",")
            if x.strip().isdigit()
        }
        if ill and flag and not named <= set(capture.truth.faulty):
            wrong.append(
                f"{sorted(named)} flagged, loss {np.round(capture.truth.loss, 2)}, {capture.truth.mode}"
            )
        right += bool(ill and flag and named and named <= set(capture.truth.faulty))
    out = sys.stdout
    out.write(f"healthy {len(flagged[False])}, flagged {np.mean(flagged[False]):.3f}\n")
    out.write(f"faulty {len(flagged[True])}, flagged {np.mean(flagged[True]):.3f}, rightly named {right}\n")
    out.write("".join(f"  {line}\n" for line in wrong))
    for name, pairs in sorted(by_family.items()):
        healthy, faulty = [f for ill, f in pairs if not ill], [f for ill, f in pairs if ill]
        limit = rows.filter(
            pl.Series([captures[int(f[-8:-4])].family.name == name for f in rows["capture_file"]])
        )
        out.write(
            f"  {name:<12} healthy {sum(healthy)}/{len(healthy)} flagged, faulty {sum(faulty)}/{len(faulty)}, "
            f"threshold {limit['threshold_pct'].drop_nulls().to_list()[:1]}\n"
        )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
