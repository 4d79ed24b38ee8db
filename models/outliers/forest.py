"""Isolation forest over capture features: captures that are unlike their group in any way, with reasons.

Liu F.T., Ting K.M. & Zhou Z.-H. (2008), Isolation Forest, Proc. 8th IEEE Int. Conf. Data Mining 413-422.
`outlier_score` = 2^(-E h / c(psi)) is larger when odder and lies in (0, 1); 0.5 is an average capture.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from sklearn.ensemble import IsolationForest

from models.outliers.features import feature_table, on_group_scale, usable_features, wide_features
from models.outliers.reasons import REASON, feature_reasons
from models.records.matrix import confirmed_labels
from models.records.measure import FeatureWords
from models.records.shop import Shop
from models.spread.result import GroupFit
from models.spread.scoring import MIN_CALIBRATION, Scores
from models.stats.arrays import Bools, Floats, Ints

_PIECE = 50_000
_MODELS = ("pooled", "group")

SCORE_SCHEMA: dict[str, pl.DataType] = {
    "capture_file": pl.String(),
    "outlier_score": pl.Float64(),
    "outlier_p": pl.Float64(),
    "model": pl.String(),
    "calibration_n": pl.Int64(),
    "reasons": pl.List(REASON),
}


@dataclass(frozen=True, slots=True)
class ForestSettings:
    """What can be chosen about the forest.

    Attributes:
        trees, subsample: t and psi of the 2008 paper.
        group_captures: captures a group needs for a forest of its own.
        calibration_captures: known-healthy captures it needs, too, so that its p-values reach 0.01.
        folds: parts of the cross-fit: a capture is never scored by a forest that saw it.
        explain_p: captures at or below this p-value get their reasons worked out.
        explain_at_most: how many of them, the oddest first.
        seed: of the forests and the folds.
    """

    trees: int = 100
    subsample: int = 256
    group_captures: int = 100
    calibration_captures: int = 99
    folds: int = 5
    explain_p: float = 0.1
    explain_at_most: int = 2000
    seed: int = 20251125


@dataclass(frozen=True, slots=True)
class ForestFit:
    """Scores of all readable captures.

    Attributes:
        scores: one row a capture: `outlier_score` (larger = odder), `outlier_p` (cross-conformal on known
            healthy captures; null where there are none), `model` ('group' or 'pooled'), the size of the
            calibration set, and for the odd ones the reasons, weightiest first.
        features: the features that were used.
        why: where something could not be done, a sentence.
    """

    scores: pl.DataFrame
    features: tuple[str, ...]
    why: str | None


def isolation_scores(
    train: Floats, scored: Floats, *, trees: int, subsample: int, seed: int
) -> tuple[Floats, IsolationForest]:
    """Grow a forest on some rows and score others.

    Args:
        train, scored: shape (rows, features), finite.
        trees, subsample: t and psi of the 2008 paper.

    Returns:
        scores in (0, 1), shape (scored rows,), larger = odder, and the forest.
    """
    forest = IsolationForest(
        n_estimators=trees, max_samples=min(subsample, train.shape[0]), random_state=seed
    ).fit(train)
    # Each row's score is its own; a piece at a time keeps the forest's working space small.
    pieces = [
        -forest.score_samples(scored[start : start + _PIECE]) for start in range(0, scored.shape[0], _PIECE)
    ]
    return np.concatenate(pieces) if pieces else np.zeros(0), forest


def fit_forest(
    shop: Shop,
    scores: Mapping[str, Scores],
    fits: Mapping[str, GroupFit],
    words: Mapping[str, FeatureWords],
    *,
    settings: ForestSettings | None = None,
    wide: pl.DataFrame | None = None,
) -> ForestFit:
    """Score every capture of one test by isolation, per group where there are enough captures, else pooled.

    Each group's features are put on its own robust scale first, so that a pooled forest compares a
    capture with its group and not groups with each other. Captures known to be odd never train a
    forest. p-values compare a capture with calibration captures scored by the very same forest, one that
    saw neither (cross-conformal; Vovk V. 2015, Ann. Math. Artif. Intell. 74:9-28).

    Args:
        shop: of one test; its long features are used unless `wide` is given.
        scores: by measure, the test's first measure first; their figures about the elements are features too.
        fits: by measure; say which captures look healthy.
        words: how each feature is spoken of.
        wide: the features as `wide_features` gives them, where the caller has them so: the long ones of a large
            shop take ten times the room.
    """
    settings = settings or ForestSettings()
    table = feature_table(wide_features(shop.features) if wide is None else wide, scores)
    names, values = usable_features(table.drop("capture_file"))
    rows = _known(table.select("capture_file"), shop, fits)
    del table
    if rows.height < 8 or not names:
        why = f"{rows.height} readable captures; an isolation forest needs at least 8."
        return ForestFit(pl.DataFrame(schema=SCORE_SCHEMA), tuple(names), why)
    known = _Known.of(rows)
    standard = on_group_scale(values, known.group, known.looks)
    found = _Found.nothing(rows.height)
    for at, block in enumerate(_blocks(known, settings)):
        result = _cross_fit(
            standard, block.scored, block.trainable, block.judges, settings, settings.seed + at
        )
        found.take(block, result)
    reasons = _reasons(found, standard, values, known, names, words, settings)
    table = pl.DataFrame(
        {
            "capture_file": rows["capture_file"],
            "outlier_score": found.score,
            "outlier_p": found.p,
            "model": pl.Series(_MODELS).gather(found.model),
            "calibration_n": found.calibration,
            "reasons": reasons,
        },
        schema=SCORE_SCHEMA,
    ).with_columns(pl.col("outlier_p").fill_nan(None))
    missing: str | None = None
    if not np.isfinite(found.p).any():
        missing = "No capture is known to be healthy, so the scores cannot be turned into p-values."
    return ForestFit(table, tuple(names), missing)


def _known(table: pl.DataFrame, shop: Shop, fits: Mapping[str, GroupFit]) -> pl.DataFrame:
    """Group, purpose, outcome and how healthy each capture looks, in the order of the feature table."""
    captures = shop.captures.unique("capture_file", keep="last", maintain_order=True)
    # A capture looks as healthy as it does by the measure that likes it least.
    looks = (
        pl.concat([fit.healthy for fit in fits.values()])
        .group_by("capture_file")
        .agg(pl.col("healthy_probability").min())
        if fits
        else pl.DataFrame(schema={"capture_file": pl.String, "healthy_probability": pl.Float64})
    )
    found = table.select("capture_file")
    for frame in (
        captures.select("capture_file", "group", "purpose"),
        confirmed_labels(captures, shop.outcomes).select("capture_file", "confirmed"),
        looks,
    ):
        found = found.join(frame, on="capture_file", how="left", maintain_order="left")
    return found


@dataclass(frozen=True, slots=True)
class _Known:
    """What is known of each capture, shape (captures,)."""

    group: Ints
    odd: Bools
    good: Bools
    healthy: Bools
    looks: Floats

    @classmethod
    def of(cls, rows: pl.DataFrame) -> _Known:
        _, group = np.unique(rows["group"].fill_null("").to_numpy(), return_inverse=True)
        label = rows["confirmed"].fill_null(0).to_numpy()
        odd = label < 0
        # Those confirmed even were mostly picked for looking odd; known-good captures alone where they suffice.
        good = ~odd & (rows["purpose"] == "known_good").fill_null(False).to_numpy()
        looks = rows["healthy_probability"].fill_null(0.5).to_numpy()
        return cls(group, odd, good, good | (label > 0), looks)


@dataclass(frozen=True, slots=True)
class _Block:
    """Captures scored together: those of one group, or those of all thin groups."""

    model: str
    scored: Bools
    trainable: Bools
    judges: Bools


def _blocks(known: _Known, settings: ForestSettings) -> list[_Block]:
    count = known.group.size
    own = [
        code
        for code in range(int(known.group.max(initial=-1)) + 1)
        if (known.group == code).sum() >= settings.group_captures
        and _calibrators(known.good & (known.group == code), known.healthy & (known.group == code)).sum()
        >= settings.calibration_captures
    ]
    wanted: list[tuple[str, Bools]] = [("group", known.group == code) for code in own]
    rest = ~np.isin(known.group, own)
    if rest.any():
        # A pooled forest learns from every capture, and scores those of the thin groups.
        wanted.append(("pooled", rest))
    blocks = []
    for model, scored in wanted:
        trainable = (scored if model == "group" else np.ones(count, dtype=bool)) & ~known.odd
        if trainable.sum() < 4:
            trainable = np.ones(count, dtype=bool)
        judges = _calibrators(known.good & trainable, known.healthy & trainable)
        blocks.append(_Block(model, scored, trainable, judges))
    return blocks


@dataclass(slots=True)
class _Found:
    """Scores as they come in, block by block."""

    score: Floats
    p: Floats
    model: Ints
    calibration: Ints
    forests: list[tuple[IsolationForest, Ints]]

    @classmethod
    def nothing(cls, count: int) -> _Found:
        return cls(
            np.full(count, np.nan),
            np.full(count, np.nan),
            np.full(count, _MODELS.index("pooled")),
            np.zeros(count, dtype=np.int64),
            [],
        )

    def take(self, block: _Block, result: _CrossFit) -> None:
        scored = block.scored
        self.score[scored], self.p[scored] = result.score[scored], result.p[scored]
        self.model[scored] = _MODELS.index(block.model)
        self.calibration[scored] = int(block.judges.sum())
        self.forests.append((result.forest, np.flatnonzero(scored)))


def _reasons(
    found: _Found,
    standard: Floats,
    values: Floats,
    known: _Known,
    names: list[str],
    words: Mapping[str, FeatureWords],
    settings: ForestSettings,
) -> pl.Series:
    """Reasons of the oddest captures, empty for the others."""
    # The lists that are told stand behind the empty one; most captures have that.
    reasons: list[list[dict[str, Any]]] = [[]]
    at = np.zeros(known.group.size, dtype=np.int64)
    odd = np.where(np.isfinite(found.p), found.p <= settings.explain_p, found.score > 0.6)
    wanted = np.flatnonzero(odd)
    wanted = wanted[np.argsort(-found.score[wanted], kind="stable")][: settings.explain_at_most]
    for forest, members in found.forests:
        chosen = np.intersect1d(members, wanted)
        told = feature_reasons(forest, standard, values, chosen, known.group, known.looks, names, words)
        at[chosen] = len(reasons) + np.arange(chosen.size)
        reasons += told
    return pl.Series(reasons, dtype=pl.List(REASON)).gather(at)


def _calibrators(good: Bools, healthy: Bools) -> Bools:
    return good if good.sum() >= MIN_CALIBRATION else healthy


@dataclass(frozen=True, slots=True)
class _CrossFit:
    score: Floats
    p: Floats
    forest: IsolationForest


def _cross_fit(
    x: Floats, scored: Bools, trainable: Bools, calibrators: Bools, settings: ForestSettings, seed: int
) -> _CrossFit:
    """Score each capture by a forest that did not see it; p by the calibration captures of its fold."""
    rng = np.random.default_rng(seed)
    count = x.shape[0]
    folds = min(settings.folds, int(trainable.sum()))
    # A million-capture shop needs no five forests: psi is 256 whatever the size.
    folds = 2 if count > 20_000 else folds
    fold = np.empty(count, dtype=np.int64)
    fold[rng.permutation(count)] = np.arange(count) % folds
    score = np.full(count, np.nan)
    # Each capture meets every calibration capture once, under the forest of that one's fold.
    met = np.zeros(count)
    forest: IsolationForest | None = None
    for k in range(folds):
        train = trainable & (fold != k)
        held = fold == k
        judge = calibrators & held
        wanted = scored if judge.any() else scored & held
        some = np.flatnonzero(wanted | judge)
        values = np.full(count, np.nan)
        values[some], forest = isolation_scores(
            x[train],
            x[some],
            trees=settings.trees,
            subsample=settings.subsample,
            seed=seed * 31 % 100_003 + k,
        )
        score[held & scored] = values[held & scored]
        if judge.any():
            ordered = np.sort(values[judge])
            met[scored] += ordered.size - np.searchsorted(ordered, values[scored], side="left")
    if forest is None:
        raise ValueError("there is at least one fold")
    n = int(calibrators.sum())
    p = np.full(count, np.nan)
    if n:
        p[scored] = (1.0 + met[scored]) / (n + 1.0)
        # A calibration capture is not compared with itself.
        own = scored & calibrators
        p[own] = np.maximum(met[own] / n, 1.0 / n)
    return _CrossFit(score, p, forest)
