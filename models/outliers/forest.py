"""Isolation forest over capture features: captures that are unlike their family in any way, with reasons.

Liu F.T., Ting K.M. & Zhou Z.-H. (2008), Isolation Forest, Proc. 8th IEEE Int. Conf. Data Mining 413-422.
`outlier_score` = 2^(-E h / c(psi)) is larger when odder and lies in (0, 1); 0.5 is an average capture.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl
from sklearn.ensemble import IsolationForest

from models.outliers.reasons import REASON, feature_reasons
from models.records.matrix import confirmed_labels
from models.spread.result import FamilyFit
from models.spread.scoring import MIN_CALIBRATION, Scores
from models.stats.robust import mad_scale, nanmedian

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

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
        family_captures: captures a family needs for a forest of its own.
        calibration_captures: known-healthy captures it needs, too, so that its p-values reach 0.01.
        folds: parts of the cross-fit: a capture is never scored by a forest that saw it.
        explain_p: captures at or below this p-value get their reasons worked out.
        explain_at_most: how many of them, the oddest first.
        seed: of the forests and the folds.
    """

    trees: int = 100
    subsample: int = 256
    family_captures: int = 100
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
            healthy captures; null where there are none), `model` ('family' or 'pooled'), the size of the
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
    return -forest.score_samples(scored), forest


def feature_table(features: pl.DataFrame, scores: Scores) -> pl.DataFrame:
    """Long features pivoted to one row a capture, with what the scores say about the cylinders.

    Args:
        features: frame (capture_file, feature, value).

    Returns:
        DataFrame(capture_file, <one Float64 column a feature>), one row for each scored capture.
    """
    deviation = scores.cylinders.group_by("capture_file").agg(
        cylinder_scatter_pct=pl.col("deviation_pct").std(),
        highest_above_pct=pl.col("deviation_pct").max() - pl.col("deviation_pct").median(),
    )
    table = scores.captures.select("capture_file", "odd_pct", "odd_se_pct").join(
        deviation, on="capture_file", how="left", maintain_order="left"
    )
    if features.height == 0:
        return table
    wide = features.filter(pl.col("value").is_finite()).pivot(
        on="feature", index="capture_file", values="value", aggregate_function="last"
    )
    clash = [name for name in wide.columns if name != "capture_file" and name in table.columns]
    return table.join(wide.drop(clash), on="capture_file", how="left", maintain_order="left")


def fit_forest(
    features: pl.DataFrame,
    captures: pl.DataFrame,
    scores: Scores,
    fit: FamilyFit,
    outcomes: pl.DataFrame | None = None,
    *,
    settings: ForestSettings | None = None,
) -> ForestFit:
    """Score every capture by isolation, per family where there are enough captures, else pooled.

    Each family's features are put on its own robust scale first, so that a pooled forest compares a
    capture with its family and not families with each other. Captures known to be odd never train a
    forest. p-values compare a capture with calibration captures scored by the very same forest, one that
    saw neither (cross-conformal; Vovk V. 2015, Ann. Math. Artif. Intell. 74:9-28).

    Args:
        features: long frame (capture_file, feature, value); captures, outcomes: frames of the warehouse.
        scores: from `score_captures`; its figures about the cylinders are features too.
        fit: from `fit_families`; says which captures look healthy.
    """
    settings = settings or ForestSettings()
    table = feature_table(features, scores)
    names, values = _usable_features(table.drop("capture_file"))
    known = captures.unique("capture_file", keep="last", maintain_order=True)
    confirmed = (
        known.select("capture_file", pl.lit(0, dtype=pl.Int64).alias("confirmed"))
        if outcomes is None
        else confirmed_labels(known, outcomes)
    )
    rows = (
        table.select("capture_file")
        .join(
            known.select("capture_file", "engine_family", "purpose"),
            on="capture_file",
            how="left",
            maintain_order="left",
        )
        .join(
            confirmed.select("capture_file", "confirmed"),
            on="capture_file",
            how="left",
            maintain_order="left",
        )
        .join(
            fit.healthy.select("capture_file", "healthy_probability"),
            on="capture_file",
            how="left",
            maintain_order="left",
        )
    )
    if rows.height < 8 or not names:
        why = f"{rows.height} readable captures; an isolation forest needs at least 8."
        return ForestFit(pl.DataFrame(schema=SCORE_SCHEMA), tuple(names), why)
    codes, family = np.unique(rows["engine_family"].fill_null("").to_numpy(), return_inverse=True)
    label = rows["confirmed"].fill_null(0).to_numpy()
    odd = label < 0
    # Those confirmed even were mostly picked for looking odd; known-good captures alone where they suffice.
    good = ~odd & (rows["purpose"] == "known_good").fill_null(False).to_numpy()
    healthy = good | (label > 0)
    looks = rows["healthy_probability"].fill_null(0.5).to_numpy()
    standard = _on_family_scale(values, family, looks)
    score = np.full(rows.height, np.nan)
    p = np.full(rows.height, np.nan)
    model = np.full(rows.height, "pooled", dtype=object)
    calibration = np.zeros(rows.height, dtype=np.int64)
    own = [
        code
        for code in range(len(codes))
        if (family == code).sum() >= settings.family_captures
        and _calibrators(good & (family == code), healthy & (family == code)).sum()
        >= settings.calibration_captures
    ]
    blocks: list[tuple[str, Bools]] = [("family", family == code) for code in own]
    rest = ~np.isin(family, own)
    if rest.any():
        # A pooled forest learns from every capture, and scores those of the thin families.
        blocks.append(("pooled", rest))
    forests: dict[str, list[tuple[IsolationForest, Ints]]] = {}
    for at, (kind, scored) in enumerate(blocks):
        trainable = (scored if kind == "family" else np.ones(rows.height, dtype=bool)) & ~odd
        if trainable.sum() < 4:
            trainable = np.ones(rows.height, dtype=bool)
        used = _calibrators(good & trainable, healthy & trainable)
        result = _cross_fit(standard, scored, trainable, used, settings, seed=settings.seed + at)
        score[scored], p[scored] = result.score[scored], result.p[scored]
        model[scored] = kind
        calibration[scored] = int(used.sum())
        forests[f"{kind} {at}"] = [(result.forest, np.flatnonzero(scored))]
    reasons: list[list[dict[str, Any]]] = [[] for _ in range(rows.height)]
    wanted = np.flatnonzero(np.where(np.isfinite(p), p <= settings.explain_p, score > 0.6))
    wanted = wanted[np.argsort(-score[wanted], kind="stable")][: settings.explain_at_most]
    for pairs in forests.values():
        for forest, members in pairs:
            chosen = np.intersect1d(members, wanted)
            for row, told in zip(
                chosen,
                feature_reasons(forest, standard, values, chosen, family, looks, names),
                strict=True,
            ):
                reasons[int(row)] = told
    result_table = pl.DataFrame(
        {
            "capture_file": rows["capture_file"],
            "outlier_score": score,
            "outlier_p": p,
            "model": model.tolist(),
            "calibration_n": calibration,
            "reasons": reasons,
        },
        schema=SCORE_SCHEMA,
    ).with_columns(pl.col("outlier_p").fill_nan(None))
    missing: str | None = None
    if not np.isfinite(p).any():
        missing = "No capture is known to be healthy, so the scores cannot be turned into p-values."
    return ForestFit(result_table, tuple(names), missing)


def _calibrators(good: Bools, healthy: Bools) -> Bools:
    return good if good.sum() >= MIN_CALIBRATION else healthy


def _usable_features(numeric: pl.DataFrame) -> tuple[list[str], Floats]:
    """Columns that vary and are mostly there."""
    names: list[str] = []
    kept: list[Floats] = []
    for name in numeric.columns:
        column = numeric[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()
        finite = column[np.isfinite(column)]
        if finite.size >= 0.5 * column.size and finite.size and np.ptp(finite) > 0:
            names.append(name)
            kept.append(np.where(np.isfinite(column), column, np.nan))
    values = np.stack(kept, axis=1) if kept else np.zeros((numeric.height, 0))
    return names, values


def _on_family_scale(values: Floats, family: Ints, looks: Floats) -> Floats:
    """(value - median) / robust standard deviation, both of the healthy-looking captures of the family.

    A family's scale is held towards that of all captures as if ten of them belonged to it; a missing
    value becomes 0, the family's usual.
    """
    centre_all = nanmedian(values, axis=0)
    codes = int(family.max(initial=-1)) + 1
    centre = np.tile(centre_all, (codes, 1))
    for code in range(codes):
        member = values[(family == code) & (looks > 0.2)]
        if member.shape[0] == 0:
            member = values[family == code]
        middle = nanmedian(member, axis=0)
        centre[code] = np.where(np.isfinite(middle), middle, centre_all)
    residual = values - centre[family]
    scale_all = mad_scale(residual[looks > 0.2] if (looks > 0.2).sum() >= 8 else residual, axis=0)
    fallback = np.nanstd(residual, axis=0)
    scale_all = np.where(scale_all > 0, scale_all, np.where(fallback > 0, fallback, 1.0))
    scale = np.tile(scale_all, (codes, 1))
    for code in range(codes):
        member = residual[(family == code) & (looks > 0.2)]
        count = member.shape[0]
        if count >= 3:
            own = mad_scale(member, axis=0)
            own = np.where(np.isfinite(own), own, scale_all)
            scale[code] = np.sqrt((count * own**2 + 10.0 * scale_all**2) / (count + 10.0))
    return np.nan_to_num(residual / scale[family], nan=0.0, posinf=0.0, neginf=0.0)


@dataclass(frozen=True, slots=True)
class _CrossFit:
    score: Floats
    p: Floats
    forest: IsolationForest


def _cross_fit(
    x: Floats, scored: Bools, trainable: Bools, calibrators: Bools, settings: ForestSettings, *, seed: int
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
