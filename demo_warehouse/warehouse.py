"""The demo warehouse: the invented shop's files, ingested by the same pipeline as anybody's."""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass
from pathlib import Path

from demo_warehouse import build
from demo_warehouse.first_lesson import HOUSE_SETUP
from pipelines.cli import output as out
from pipelines.errors import ShopspreadError
from pipelines.fit.run import FitSummary, fit_warehouse
from pipelines.intake.ingest import ingest
from pipelines.intake.summary import IntakeSummary
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.decisions import set_setting

# Raised whenever the scenario or what a warehouse keeps of it changes: an older demo is then built anew.
EDITION = 8
MARKER = "demo.json"
SEED = 7


@dataclass(frozen=True, slots=True)
class BuiltDemo:
    """Where the demo stands; `summary` and `fitted` are None when it was there already."""

    truth: Path
    summary: IntakeSummary | None
    fitted: FitSummary | None


def build_demo(path: Path) -> BuiltDemo:
    """Build the demo in a folder of its own, or do nothing when this edition stands there whole.

    Raises:
        ShopspreadError: when the folder holds something that is not a demo of ours.
    """
    marker = path / MARKER
    drop, truth = path / "drop", path / "truth.json"
    if marker.exists() and json.loads(marker.read_text(encoding="utf-8")) == {
        "edition": EDITION,
        "seed": SEED,
    }:
        return BuiltDemo(truth, None, None)
    if path.exists() and any(path.iterdir()):
        if not (drop.exists() or marker.exists()):
            raise ShopspreadError(f"{path} holds other things; name a new folder for the demo.")
        # A demo that was broken off, or an older edition: it is ours, and built anew as a whole.
        shutil.rmtree(path)
    path.mkdir(parents=True, exist_ok=True)
    with out.progress("Simulating the captures of an invented shop") as step:
        build(path, seed=SEED, progress=step)
    warehouse = Warehouse(path, create=True)
    set_setting(warehouse, "house_setup", HOUSE_SETUP, set_by="the demo")
    set_setting(warehouse, "currency", "EUR", set_by="the demo")
    with out.progress("Reading captures") as step:
        summary = ingest(drop, warehouse, progress=step)
    with out.waiting("Learning what spread is normal"):
        fitted = fit_warehouse(warehouse)
    marker.write_text(json.dumps({"edition": EDITION, "seed": SEED}), encoding="utf-8")
    return BuiltDemo(truth, summary, fitted)
