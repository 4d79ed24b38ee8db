"""The isolation forest against its paper, and its p-values against what they promise."""

from __future__ import annotations

import gzip
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl
import pytest
from sklearn.ensemble import IsolationForest
from sklearn.metrics import roc_auc_score

from models.outliers.features import feature_table, wide_features
from models.outliers.forest import (
    ForestFit,
    ForestSettings,
    _cross_fit,
    _CrossFit,
    fit_forest,
    isolation_scores,
)
from models.outliers.reasons import in_words, sentence_for
from models.records import schemas
from models.records.shop import Shop
from models.spread.fit import fit_groups, score_captures
from models.spread.result import GroupFit
from models.spread.scoring import Scores
from pipelines.kinds import kind
from tests.groups_shop import MEASURE, TEST, DrawnShop, make_shop

DATA = Path(__file__).parent / "data" / "isolation_forest"
RELATIVE_COMPRESSION = kind(TEST)
assert RELATIVE_COMPRESSION is not None
WORDS = RELATIVE_COMPRESSION.feature_words
EULER_GAMMA = 0.5772156649015329
Rows = npt.NDArray[np.float64]


def path_length(n: float) -> float:
    """c(n) of the 2008 paper, eq. 1, with its approximation of the harmonic number."""
    if n <= 1:
        return 0.0
    if n <= 2:
        return 1.0
    return float(2.0 * (np.log(n - 1.0) + EULER_GAMMA) - 2.0 * (n - 1.0) / n)


def naive_score(forest: IsolationForest, row: npt.NDArray[np.float64], subsample: int) -> float:
    """2^(-E h / c(psi)), one tree and one step at a time."""
    depths = []
    for grown in forest.estimators_:
        tree, node, depth = grown.tree_, 0, 0
        while tree.children_left[node] != -1:
            value = np.float32(row[tree.feature[node]])
            node = tree.children_left[node] if value <= tree.threshold[node] else tree.children_right[node]
            depth += 1
        depths.append(depth + path_length(tree.n_node_samples[node]))
    return float(2.0 ** (-np.mean(depths) / path_length(subsample)))


def test_mean_path_length_is_the_papers() -> None:
    # Liu, Ting & Zhou (2008), eq. 1; the value for 256 is the one the paper's psi leads to.
    worked_out = {
        2: 1.0,
        3: 1.207392,
        4: 1.851656,
        8: 3.296252,
        64: 7.471951,
        256: 10.244771,
        1000: 12.969941,
    }
    for n, expected in worked_out.items():
        assert path_length(n) == pytest.approx(expected, abs=1e-6)


def test_score_is_the_papers_formula_walked_tree_by_tree() -> None:
    rng = np.random.default_rng(5)
    train = rng.normal(size=(300, 4))
    rows = np.concatenate([rng.normal(size=(10, 4)), [[6.0, 6.0, 6.0, 6.0]]])
    score, forest = isolation_scores(train, rows, trees=40, subsample=64, seed=3)
    assert score == pytest.approx([naive_score(forest, row, 64) for row in rows], abs=1e-6)
    assert np.argmax(score) == 10


@pytest.mark.parametrize(
    ("name", "shape", "total", "published", "margin"),
    [
        ("breastw", (683, 9), 19353.0, 0.99, 0.02),
        ("pima", (768, 8), 276392.701, 0.67, 0.02),
        ("ionosphere", (351, 33), 2955.99, 0.85, 0.02),
        ("satellite", (6435, 36), 19337086.0, 0.71, 0.03),
    ],
)
def test_auc_is_the_published_one(
    name: str, shape: tuple[int, int], total: float, published: float, margin: float
) -> None:
    """Liu F.T., Ting K.M. & Zhou Z.-H. (2008), ICDM, table of AUC: 100 trees, psi 256, mean of 10 runs."""
    with gzip.open(DATA / f"{name}.csv.gz", "rb") as file:
        table = pl.read_csv(file.read(), infer_schema_length=None).cast(pl.Float64)
    x, odd = table.drop("odd").to_numpy(), table["odd"].to_numpy()
    assert x.shape == shape
    assert x.sum() == pytest.approx(total, rel=1e-6)
    runs = [
        roc_auc_score(odd, isolation_scores(x, x, trees=100, subsample=256, seed=seed)[0])
        for seed in range(10)
    ]
    assert np.mean(runs) == pytest.approx(published, abs=margin)


def features_for(shop: DrawnShop, seed: int, *, strange: set[str] | None = None) -> pl.DataFrame:
    """Capture-level numbers; `strange` captures crank far too slowly at a low voltage."""
    rng = np.random.default_rng(seed)
    rows = []
    for name in shop.records.captures["capture_file"]:
        slow = strange is not None and name in strange
        rows += [
            (name, "crank_rpm", float(rng.normal(90.0 if slow else 200.0, 12.0))),
            (name, "crank_min_v", float(rng.normal(7.0 if slow else 10.2, 0.2))),
            (name, "ripple_v", float(rng.normal(0.5, 0.05))),
        ]
    return pl.DataFrame(rows, schema=schemas.FEATURES.types, orient="row")


def forest_of(
    shop: DrawnShop,
    features: pl.DataFrame,
    scores: Scores,
    fit: GroupFit,
    settings: ForestSettings | None = None,
) -> ForestFit:
    records = shop.records.with_frames(features=features)
    return fit_forest(records, {TEST: scores}, {TEST: fit}, WORDS, settings=settings)


@pytest.fixture(scope="module")
def shop() -> DrawnShop:
    return make_shop(11, [300, 40, 40, 40], odd_share=0.15, known_good_share=0.5, sizes=[4, 4, 6, 8])


def test_one_score_direction_reasons_in_words_and_the_odd_ones_found(shop: DrawnShop) -> None:
    strange = set(shop.records.captures["capture_file"].gather([3, 310, 370]))
    strange = {name for name in strange if not shop.odd_elements[name]}
    fit = fit_groups(shop.records, MEASURE)
    scores = score_captures(fit, shop.records)
    found = forest_of(shop, features_for(shop, 1, strange=strange), scores, fit)
    table = found.scores
    assert table["capture_file"].to_list() == scores.captures["capture_file"].to_list()
    assert table["outlier_score"].is_between(0.0, 1.0, closed="none").all()
    assert set(table["model"]) == {"group", "pooled"}
    first = table.filter(pl.col("model") == "group")["capture_file"].str.starts_with("group-0/")
    assert first.all()
    assert first.len() == 300
    odd = shop.is_odd(table["capture_file"]) | table["capture_file"].is_in(list(strange)).to_numpy()
    assert roc_auc_score(odd, table["outlier_score"]) > 0.95
    assert roc_auc_score(odd, -table["outlier_p"]) > 0.95
    for name in strange:
        reasons = table.filter(pl.col("capture_file") == name)["reasons"].item()
        named = {reason["feature"] for reason in reasons}
        assert named & {"crank_rpm", "crank_min_v"}, name
        for reason in reasons:
            assert not reason["usual_low"] <= reason["value"] <= reason["usual_high"]
            assert reason["sentence"].endswith(".")


def test_p_values_of_healthy_captures_are_no_smaller_than_they_claim() -> None:
    """Under exchangeability P(p <= t) <= t; 240 unlabelled healthy captures, so 4 binomial standard errors."""
    shop = make_shop(21, [230, 230], odd_share=0.0, known_good_share=0.5)
    fit = fit_groups(shop.records, MEASURE)
    scores = score_captures(fit, shop.records)
    for settings in (ForestSettings(), ForestSettings(group_captures=10_000)):
        found = forest_of(shop, features_for(shop, 2), scores, fit, settings).scores
        new = found.join(shop.records.captures, on="capture_file").filter(pl.col("purpose") != "known_good")[
            "outlier_p"
        ]
        p = new.to_numpy()
        assert p.size > 200
        for t in (0.05, 0.1, 0.25, 0.5):
            assert np.mean(p <= t) <= t + 4.0 * np.sqrt(t * (1 - t) / p.size)
        assert np.mean(p <= 0.5) > 0.3
        assert p.min() >= 1.0 / (found["calibration_n"].max() + 1.0) - 1e-12  # type: ignore[operator]


def test_without_known_healthy_captures_there_are_scores_but_no_p_values() -> None:
    shop = make_shop(3, [30, 30], odd_share=0.2)
    fit = fit_groups(shop.records, MEASURE)
    scores = score_captures(fit, shop.records)
    found = forest_of(shop, features_for(shop, 3), scores, fit)
    assert found.scores["outlier_score"].is_finite().all()
    assert found.scores["outlier_p"].is_null().all()
    assert found.why is not None
    assert "known to be healthy" in found.why


def test_the_fit_repeats_itself(shop: DrawnShop) -> None:
    fit = fit_groups(shop.records, MEASURE)
    scores = score_captures(fit, shop.records)
    features = features_for(shop, 4)
    once, again = (forest_of(shop, features, scores, fit).scores for _ in range(2))
    assert once.equals(again)


def test_an_empty_shop_gives_an_empty_answer() -> None:
    fit = fit_groups(Shop(), MEASURE)
    scores = score_captures(fit, Shop())
    found = fit_forest(Shop(), {TEST: scores}, {TEST: fit}, WORDS)
    assert found.scores.height == 0
    assert found.why is not None
    assert feature_table(wide_features(schemas.FEATURES.empty()), {TEST: scores}).height == 0


def test_a_reason_names_the_unit_and_the_side() -> None:
    assert in_words("crank_rpm", WORDS) == ("Cranking speed", " rpm")
    assert in_words("some_new_thing_v", WORDS) == ("Some new thing", " V")
    low = sentence_for("rest_v", 11.2, 12.3, 12.8, WORDS)
    assert low == "Battery voltage at rest is low: 11.2 V, usual in this group is 12.3 to 12.8 V."
    assert "is high: 13.1 V" in sentence_for("rest_v", 13.1, 12.3, 12.8, WORDS)
    assert "only together with" in sentence_for("rest_v", 12.5, 12.3, 12.8, WORDS)


def _cross_fitted(
    monkeypatch: pytest.MonkeyPatch, score: Callable[[Rows, Rows], Rows]
) -> tuple[npt.NDArray[np.bool_], _CrossFit]:
    """A cross-fit over forty rows that hold their own number, scored by `score(train, scored)`, not by a forest."""
    monkeypatch.setattr(
        "models.outliers.forest.isolation_scores",
        lambda train, scored, **_: (score(train[:, 0], scored[:, 0]), object()),
    )
    everyone, judges = np.ones(40, dtype=bool), np.arange(40) % 2 == 0
    numbers = np.arange(40, dtype=np.float64)[:, None]
    return judges, _cross_fit(numbers, everyone, everyone, judges, ForestSettings(), 1)


def test_no_capture_is_scored_by_a_forest_that_grew_on_it(monkeypatch: pytest.MonkeyPatch) -> None:
    _, found = _cross_fitted(monkeypatch, lambda train, scored: np.isin(scored, train).astype(np.float64))
    assert found.score.tolist() == [0.0] * 40


def test_p_of_the_forest_by_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    """Twenty judges with the even numbers: (1 + those at least as odd) / 21; a judge is not compared with itself."""
    judges, found = _cross_fitted(monkeypatch, lambda _train, scored: scored)
    at_least = np.array([sum(other >= i for other in range(0, 40, 2)) for i in range(40)])
    assert found.p[~judges] == pytest.approx((1 + at_least[~judges]) / 21)
    assert found.p[judges] == pytest.approx(at_least[judges] / 20)
