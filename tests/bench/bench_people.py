"""Time of everything about people and comebacks, for a shop of a year and for a hundred thousand captures.

    python tests/bench/bench_people.py [--large]

The named peer is statsmodels' BinomialBayesMixedGLM (variational), fitting *one* of our two trend models
(usable share, level and slope for each technician) on the same captures in the same run.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import numpy as np
import polars as pl
from statsmodels.genmod.bayes_mixed_glm import BinomialBayesMixedGLM

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from models.jobs.adoption import adoption
from models.jobs.comebacks import comebacks
from models.people.coaching import needs_coaching
from models.people.skill import technicians
from models.people.trends import pooled_trends
from models.records.people_settings import as_moment
from models.records.shop import FRAMES, Shop
from models.stats.casemix import codes_of
from models.stats.logistic import dummies
from tests.simulated_shop import SkillShop, skill_shop

T = TypeVar("T")


def many_shops(shop: SkillShop, copies: int) -> Shop:
    """The same shop under other names, `copies` times, as one."""
    keys = ("technician", "capture_file", "repair_order", "vehicle", "drill", "session")

    def renamed(frame: pl.DataFrame, i: int) -> pl.DataFrame:
        return frame.with_columns((pl.lit(f"{i} ") + pl.col(k)).alias(k) for k in keys if k in frame.columns)

    frames = {name: getattr(shop.shop, name) for name in FRAMES if name != "groups"}
    return Shop(
        **{name: pl.concat([renamed(frame, i) for i in range(copies)]) for name, frame in frames.items()}
    )


def timed(name: str, work: Callable[[], T]) -> tuple[float, T]:
    """Run, print and return the seconds."""
    begin = time.perf_counter()
    result = work()
    seconds = time.perf_counter() - begin
    print(f"{name}: {seconds:.2f} s")  # noqa: T201
    return seconds, result


def trend(captures: pl.DataFrame, shop: SkillShop) -> None:
    """The same by `models.people.trends`."""
    taken = captures.filter(pl.col("status").is_in(("read", "unusable"))).with_columns(
        usable=pl.col("status") == "read"
    )
    pooled_trends(
        taken,
        tuple(shop.shop.technicians["technician"]),
        at="captured_at",
        event="usable",
        moment=as_moment(shop.as_of),
        least_n=6,
        draws=1500,
        seed=1,
        what="captures",
    )


def peer(captures: pl.DataFrame) -> None:
    """One trend by statsmodels: usable share, level and slope for each technician."""
    taken = captures.filter(pl.col("status").is_in(("read", "unusable")))
    person, people = codes_of(taken["technician"])
    month = (taken["captured_at"].dt.epoch("s").to_numpy() / 86400 / 30.4375).astype(float)
    month -= month.mean()
    own = dummies(person, len(people), drop_first=False)
    usable = (taken["status"] == "read").to_numpy().astype(float)
    model = BinomialBayesMixedGLM(
        usable,
        np.column_stack([np.ones(usable.size), month]),
        np.hstack([own, own * month[:, None]]),
        np.repeat([0, 1], len(people)),
    )
    model.fit_vb()


def main() -> None:
    """Run the benchmark and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--large", action="store_true")
    large = parser.parse_args().large
    made = skill_shop(1, people=20, captures_a_week=10.0) if large else skill_shop(1, captures_a_week=1.6)
    f = many_shops(made, 10) if large else made.shop
    print(f"{f.captures.height} captures, {f.orders.height} orders, {f.technicians.height} technicians")  # noqa: T201
    skill_s, skills = timed(
        "technicians",
        lambda: technicians(f, as_of=made.as_of),
    )
    coach_s, _ = timed(
        "needs_coaching",
        lambda: needs_coaching(skills, f, as_of=made.as_of),
    )
    use_s, _ = timed("adoption", lambda: adoption(f, as_of=made.as_of))
    back_s, _ = timed("comebacks", lambda: comebacks(f, as_of=made.as_of))
    print(f"together: {skill_s + coach_s + use_s + back_s:.1f} s")  # noqa: T201
    if not large:
        ours_s, _ = timed(
            "one trend, level and slope pooled, grid over both SDs", lambda: trend(f.captures, made)
        )
        peer_s, _ = timed("statsmodels, the same trend, variational", lambda: peer(f.captures))
        print(f"ratio statsmodels to ours: {peer_s / ours_s:.1f}")  # noqa: T201


if __name__ == "__main__":
    main()
