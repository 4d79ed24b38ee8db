"""More careful known goods: seen where it was recorded, weighted, and the condition always said."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from scipy import stats

from models.outliers.exchangeable import CONDITION, LEAST, exchangeability, reweighted
from models.records import schemas
from models.records.shop import Shop
from models.spread.scoring import CAPTURE_SCHEMA, Scores
from models.stats.conformal import benjamini_hochberg, conformal_p_leave_one_out, weighted_conformal_p


def drawn(
    seed: int, *, care: float, good: int = 600, paid: int = 150, odd: int = 8
) -> tuple[pl.DataFrame, Shop, np.ndarray]:  # type: ignore[type-arg]
    """Captures whose score scatters with their noise; `care` = how much less noise known goods have (log)."""
    rng = np.random.default_rng(seed)
    n = good + paid
    known = np.arange(n) < good
    noise = np.exp(rng.normal(0.0, 0.5, n) - care * known)
    score = np.abs(rng.standard_normal(n)) * np.sqrt(0.3 + noise**2)
    truly = np.zeros(n, dtype=bool)
    truly[good : good + odd] = True
    score[truly] += 9.0
    names = [f"{i}" for i in range(n)]
    scores = pl.DataFrame(
        {"capture_file": names, "group": ["g"] * n, "model_p": 2 * stats.norm.sf(score), "odd_se_pct": noise}
    )
    captures = pl.DataFrame(
        {
            "capture_file": names,
            "group": ["g"] * n,
            "purpose": np.where(known, "known_good", "diagnosis").tolist(),
        }
    ).with_columns(test=pl.lit("t"), status=pl.lit("read"), duration_s=pl.Series(rng.uniform(7, 9, n)))
    return scores, Shop.made(captures=captures), truly


def false_discoveries(care: float, seeds: int) -> tuple[float, float, float]:
    """Share of false discoveries at 10 in 100, plain and weighted, and power of the weighted ones."""
    plain, weighted, power = [], [], []
    for seed in range(seeds):
        scores, shop, truly = drawn(seed, care=care)
        found = exchangeability(scores, shop)
        good = (shop.captures["purpose"] == "known_good").to_numpy()
        naive = conformal_p_leave_one_out(-np.log(scores["model_p"].to_numpy()), good)
        for p, into in ((naive, plain), (found.p_value["p_value"].to_numpy(), weighted)):
            named = benjamini_hochberg(p[~good], 0.1)
            into.append(float((named & ~truly[~good]).sum() / max(named.sum(), 1)))
        power.append(float((named & truly[~good]).sum() / truly.sum()))
    return float(np.mean(plain)), float(np.mean(weighted)), float(np.mean(power))


def test_more_careful_known_goods_are_seen_and_weighted() -> None:
    plain, weighted, power = false_discoveries(0.3, 60)
    assert plain > 0.18  # 'at most 10 in 100' is not
    assert weighted < 0.125
    assert power > 0.7
    found = exchangeability(*drawn(1, care=0.6)[:2])
    assert found.alike is False
    first = found.compared.row(0, named=True)
    assert (first["quality"], first["differs"]) == ("odd_se_pct", True)
    assert first["known_good"] < first["paid"]
    assert found.effective_n < 500
    assert "odd se pct" in found.sentence
    assert CONDITION in found.sentence


def test_known_goods_made_like_paid_ones_stay_as_they_are() -> None:
    plain, weighted, _ = false_discoveries(0.0, 60)
    assert plain == pytest.approx(weighted, abs=0.02)
    assert plain < 0.14
    alike = [exchangeability(*drawn(seed, care=0.0)[:2]).alike for seed in range(60)]
    assert np.mean([one is False for one in alike]) < 0.12
    found = exchangeability(*drawn(4, care=0.0)[:2])
    assert found.effective_n == 600
    assert "made like paid ones" in found.sentence
    assert CONDITION in found.sentence


def test_the_p_values_of_a_fit_are_weighted_where_known_goods_are_made_differently() -> None:
    for care, good in ((0.6, 600), (0.0, 600), (0.6, LEAST - 1)):
        table, shop, _ = drawn(4, care=care, good=good)
        known = table.with_columns(p_value=pl.lit(0.5), p_basis=pl.lit("as it was"), p_floor=pl.lit(0.25))
        scores = Scores(
            known.select(
                (pl.col(name) if name in known.columns else pl.lit(None)).cast(dtype).alias(name)
                for name, dtype in CAPTURE_SCHEMA.items()
            ),
            pl.DataFrame(),
        )
        found, told = reweighted(scores, shop), exchangeability(scores.captures, shop)
        if care == 0.0 or good < LEAST:
            assert told.alike is not False
            assert found is scores
            continue
        assert found.captures.drop("p_value", "p_basis", "p_floor").equals(
            scores.captures.drop("p_value", "p_basis", "p_floor")
        )
        assert found.captures["p_value"].to_list() == told.p_value["p_value"].to_list()
        worth = round(told.effective_n)
        assert found.captures["p_floor"].unique().to_list() == [1 / (worth + 1)]
        assert found.captures["p_basis"].unique().to_list() == [
            f"known-good captures of all groups, weighted to be made like paid ones, worth {worth}"
        ]


def test_too_few_to_compare_says_so() -> None:
    scores, shop, _ = drawn(1, care=0.6, good=LEAST - 1)
    found = exchangeability(scores, shop)
    assert found.alike is None
    assert found.p_value.height == found.compared.height == 0
    assert found.sentence.startswith(f"{LEAST - 1} known-good and 150 paid captures")
    assert CONDITION in found.sentence


def test_a_declared_feature_is_compared_too() -> None:
    scores, shop, _ = drawn(2, care=0.0)
    rng = np.random.default_rng(0)
    good = (shop.captures["purpose"] == "known_good").to_numpy()
    cycles = np.where(good, 24.0, 12.0) + rng.normal(0, 2, good.size)
    features = pl.DataFrame(
        {"capture_file": shop.captures["capture_file"], "feature": "cycles", "value": cycles}
    )
    found = exchangeability(scores, shop.with_frames(features=schemas.FEATURES.of(features)))
    assert found.compared.filter("differs")["quality"].to_list() == ["cycles"]
    # a quality only few captures have is left out
    few = schemas.FEATURES.of(features.head(50))
    assert (
        "cycles" not in exchangeability(scores, shop.with_frames(features=few)).compared["quality"].to_list()
    )


def test_weighted_p_values_by_hand_and_with_equal_weights() -> None:
    scores = np.array([1.0, 2.0, 3.0, 2.5, np.nan])
    calibration = np.array([True, True, True, False, False])
    weight = np.array([1.0, 2.0, 3.0, 4.0, 1.0])
    got = weighted_conformal_p(scores, weight, calibration)
    # the new capture: (4 + 3) / (4 + 1 + 2 + 3); those of the set with themselves counted once
    assert got[:4] == pytest.approx([1.0, 5 / 6, 0.5, 0.7])
    assert np.isnan(got[4])
    rng = np.random.default_rng(3)
    many, inside = rng.standard_normal(60), rng.random(60) < 0.5
    same = weighted_conformal_p(many, np.full(60, 2.0), inside)
    assert same == pytest.approx(conformal_p_leave_one_out(many, inside))
    nobody = weighted_conformal_p(many, np.ones(60), np.zeros(60, dtype=bool))
    assert (nobody == 1.0).all()
