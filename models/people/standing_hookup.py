"""The standing hookup of each test, and how each capture compares with it: one comparison for everybody.

Signals that are read the same way every time can be compared; a hookup that changes from capture to
capture makes every later comparison doubtful, whoever holds the leads.
"""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from models.records.people_settings import StandingHookup

ASPECTS: tuple[str, ...] = ("channel order", "scale", "sync lead", "sample rate", "length")

# where the shop has set no minimum: a coarser time base or a shorter record than this share of what is
# usual in the shop counts as different
_RATE_SHARE = 2 / 3
_LENGTH_SHARE = 0.7

SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "test": pl.String,
    "standing_signals": pl.String,
    "standing_scales": pl.String,
    "standing_index": pl.Int32,
    "standing_min_rate_hz": pl.Float64,
    "standing_min_duration_s": pl.Float64,
}


def decided_hookups(hookups: Sequence[StandingHookup]) -> pl.DataFrame:
    """What the settings say, one row a test (`SCHEMA`); null where they leave it open."""
    rows = [
        (
            hookup.test,
            None if hookup.signals is None else ";".join(hookup.signals),
            None if hookup.scales is None else ";".join(f"{scale:.12g}" for scale in hookup.scales),
            hookup.index_element,
            hookup.min_rate_hz,
            hookup.min_duration_s,
        )
        for hookup in hookups
    ]
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def usual_hookups(captures: pl.DataFrame) -> pl.DataFrame:
    """The hookup most captures of each test have, aspect by aspect (`SCHEMA`); ties go to the smaller value.

    Args:
        captures: rows of the captures frame, as many tests as there are.
    """
    found = captures.group_by("test").agg(
        standing_min_rate_hz=_RATE_SHARE * pl.col("rate_hz").median(),
        standing_min_duration_s=_LENGTH_SHARE * pl.col("duration_s").median(),
    )
    most_used = {
        "standing_signals": _signals("ch_signals"),
        "standing_scales": pl.col("ch_scales"),
        "standing_index": pl.col("sync_cylinder"),
    }
    for name, value in most_used.items():
        best = (
            captures.select("test", value.alias(name))
            .filter(pl.col(name).is_not_null())
            .group_by("test", name)
            .agg(n=pl.len())
            .sort(["test", "n", name], descending=[False, True, False])
            .unique("test", keep="first", maintain_order=True)
        )
        found = found.join(best.drop("n"), on="test", how="left", maintain_order="left")
    return found.sort("test").select(pl.col(name).cast(dtype) for name, dtype in SCHEMA.items())


def standing_hookups(captures: pl.DataFrame, hookups: Sequence[StandingHookup]) -> pl.DataFrame:
    """The standing hookup of each test captured (`SCHEMA`): what the settings say, else what is mostly done."""
    decided = decided_hookups(hookups)
    names = [name for name in SCHEMA if name != "test"]
    return (
        usual_hookups(captures)
        .join(decided, on="test", how="left", suffix="_decided", maintain_order="left")
        .select("test", *(pl.coalesce(f"{name}_decided", name).alias(name) for name in names))
    )


def _signals(column: str) -> pl.Expr:
    """Signals in channel order without the free channels behind the last used one; null where none is named."""
    tidy = pl.col(column).str.replace_all(r"\s+", "").str.strip_chars_end(";")
    return pl.when(tidy != "").then(tidy)


def _scales(column: str, channels: pl.Expr) -> pl.Expr:
    """Scales of the first `channels` channels as numbers: `1;10` and `1.0; 10.0; 1` are the same on two."""
    numbers = (
        pl.col(column).str.split(";").list.eval(pl.element().str.strip_chars().cast(pl.Float64, strict=False))
    )
    return numbers.list.head(channels)


def _same_scales() -> pl.Expr:
    """Whether scales agree on the channels for which both sides name one; null where there is no such channel."""
    used = pl.coalesce(_signals("ch_signals").str.count_matches(";", literal=True) + 1, pl.lit(99))
    named = [
        pl.col(name).str.count_matches(";", literal=True) + 1 for name in ("ch_scales", "standing_scales")
    ]
    both = pl.min_horizontal(used, *named)
    given = pl.col("ch_scales").str.contains(r"\d") & pl.col("standing_scales").str.contains(r"\d")
    return pl.when(given).then(_scales("ch_scales", both) == _scales("standing_scales", both))


def compare(captures: pl.DataFrame, standing: pl.DataFrame) -> pl.DataFrame:
    """Each capture against the standing hookup of its test.

    Args:
        captures: rows with test, ch_signals, ch_scales, sync_cylinder, rate_hz, duration_s.
        standing: `decided_hookups` or `standing_hookups`.

    Returns:
        the captures' rows in their order, with one bool column for each of `ASPECTS`, null where the
        capture or the standing hookup leaves it open, and `consistent`: no aspect differs. A free channel
        behind the last used one is no difference, neither is a finer time base or a longer record.
    """
    aspects = {
        ASPECTS[0]: _signals("ch_signals") == _signals("standing_signals"),
        ASPECTS[1]: _same_scales(),
        ASPECTS[2]: pl.col("sync_cylinder") == pl.col("standing_index"),
        ASPECTS[3]: pl.col("rate_hz") >= pl.col("standing_min_rate_hz"),
        ASPECTS[4]: pl.col("duration_s") >= pl.col("standing_min_duration_s"),
    }
    return (
        captures.join(standing, on="test", how="left", maintain_order="left")
        .with_columns(expression.alias(name) for name, expression in aspects.items())
        .drop([name for name in SCHEMA if name != "test"])
        .with_columns(consistent=pl.all_horizontal(pl.col(a).fill_null(True) for a in ASPECTS))
    )
