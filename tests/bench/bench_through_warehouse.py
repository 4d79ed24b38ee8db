"""The whole way, judged from outside: captures of the independent simulator as a drop folder, ingested with no
outcome and no known-good capture, and read back through the export views.

    python -m tests.bench.bench_through_warehouse --n 220

Prints AUC of `odd_pct`, the share of faults whose cylinder is named right, and what the proposed thresholds flag.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np
import polars as pl

from pipelines.fit.run import fit_warehouse
from pipelines.intake.ingest import ingest
from pipelines.warehouse.database import Warehouse
from tests.accuracy import auc
from tests.independent_sets import TestCapture, make_set

MIXED = {
    "clean": 0.4,
    "ac_coupled": 0.06,
    "reversed": 0.06,
    "swapped": 0.06,
    "starter_current": 0.06,
    "waste_spark": 0.06,
    "other_sync": 0.06,
    "missing_pulses": 0.06,
    "ringing": 0.06,
    "slow_rate": 0.06,
    "gaps": 0.06,
}


def write_drop(folder: Path, captures: list[TestCapture]) -> pl.DataFrame:
    """Write captures and tables as a shop would; returns the truth by capture_file."""
    folder.mkdir(parents=True, exist_ok=True)
    rows, families, truth = [], {}, []
    for number, capture in enumerate(captures):
        name = f"capture-{number:04d}.csv"
        wave, family = capture.waveform, capture.family
        time_s = wave.start_s + np.arange(wave.samples.shape[1]) / wave.rate_hz
        columns = {"time (s)": time_s} | {
            f"channel {k} (V)": wave.samples[k - 1] for k in range(1, wave.channels + 1)
        }
        pl.DataFrame(columns).with_columns(pl.all().fill_nan(None)).write_csv(folder / name)
        families[family.name] = {
            "engine_family": family.name,
            "cylinders": family.cylinders,
            "firing_order": "-".join(map(str, family.firing_order)),
            "firing_intervals_deg": "-".join(f"{deg:g}" for deg in family.firing_intervals_deg),
            "sync_kind": family.sync_kind,
        }
        row: dict[str, object] = {
            "capture_file": name,
            "captured_at": "2026-02-02T10:00:00",
            "technician": "ada",
            "vehicle": f"vehicle-{number}",
            "engine_family": family.name,
            "test": "relative_compression",
            "purpose": "diagnosis",
            "sync_cylinder": capture.hookup.sync_cylinder,
        }
        for k in range(1, 9):
            known = k <= len(capture.hookup.signals)
            row[f"ch{k}_signal"] = capture.hookup.signals[k - 1] if known else None
            row[f"ch{k}_scale"] = capture.hookup.scales[k - 1] if known else None
        rows.append(row)
        truth.append(
            {
                "capture_file": name,
                "kind": capture.description,
                "faulty": list(capture.truth.faulty),
                "named": capture.truth.named,
                "readable": capture.truth.readable,
            }
        )
    pl.DataFrame(rows, infer_schema_length=None).write_csv(folder / "captures.csv")
    pl.DataFrame(list(families.values())).write_csv(folder / "engine_families.csv")
    return pl.DataFrame(truth, schema_overrides={"faulty": pl.List(pl.Int64)})


def judge(house: Warehouse, truth: pl.DataFrame) -> dict[str, float]:
    """AUC, right cylinder and flags, from the export views alone."""
    with house.reading() as connection:
        captures = connection.sql("SELECT * FROM export.captures").pl()
        cylinders = connection.sql("SELECT * FROM export.cylinders").pl()
    seen = captures.join(truth, on="capture_file").filter(
        pl.col("readable") & pl.col("odd_pct").is_not_null()
    )
    faulty = seen.filter(pl.col("faulty").list.len() > 0)
    healthy = seen.filter(pl.col("faulty").list.len() == 0)
    lowest = cylinders.sort("deviation_pct").unique("capture_file", keep="first", maintain_order=True)
    named = faulty.filter(pl.col("named") != "none").join(lowest, on="capture_file")
    right = [
        row["cylinder"] in row["faulty"]
        or (row["identified"] == "pair" and row["companion"] in row["faulty"])
        for row in named.to_dicts()
    ]
    return {
        "readable": truth.filter("readable").height,
        "read": seen.height,
        "auc": auc(healthy["odd_pct"].to_numpy(), faulty["odd_pct"].to_numpy()),
        "right_cylinder": float(np.mean(right)),
        "healthy": healthy.height,
        "healthy_flagged": float(healthy["flagged"].mean()),  # type: ignore[arg-type]
        "faulty": faulty.height,
        "faulty_flagged": float(faulty["flagged"].mean()),  # type: ignore[arg-type]
    }


def main() -> int:
    """Run clean and mixed sets and print a row for each."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--n", type=int, default=220)
    parser.add_argument("--seed", type=int, default=5)
    arguments = parser.parse_args()
    sets = {"clean": {"clean": 1.0}, "mixed": MIXED}
    for name, shares in sets.items():
        captures = [
            capture
            for offset, (kind, share) in enumerate(shares.items())
            for capture in make_set(kind, max(round(share * arguments.n), 2), arguments.seed + offset)
        ]
        with tempfile.TemporaryDirectory() as folder:
            truth = write_drop(Path(folder) / "drop", captures)
            house = Warehouse(Path(folder) / "warehouse", create=True)
            ingest(Path(folder) / "drop", house)
            fit_warehouse(house)
            found = judge(house, truth)
        sys.stdout.write(f"{name}: " + ", ".join(f"{key} {value:.3g}" for key, value in found.items()) + "\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
