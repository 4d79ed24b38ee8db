"""An invented shop: physical simulations and a year of captures and repair orders.

Everything in it is made up and labelled as such; the planted truth is written beside the files.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from demo_warehouse.scenario import Truth

__all__ = ["build"]


def build(
    folder: Path,
    *,
    seed: int = 7,
    captures: int = 600,
    progress: Callable[[int, int], None] | None = None,
    jobs: int = 2,
) -> Truth:
    """Write the invented shop into `folder/drop` and its truth into `folder/truth.json`.

    See `demo_warehouse.scenario.build`, which is only imported here when it is needed.
    """
    from demo_warehouse.scenario import build as build_scenario

    return build_scenario(folder, seed=seed, captures=captures, progress=progress, jobs=jobs)
