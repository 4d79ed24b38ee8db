"""How the elements of a capture are lined up for the models."""

from __future__ import annotations

from dataclasses import replace

import polars as pl

from models.records.matrix import NAMED, NONE, readings_of
from tests.groups_shop import MEASURE, make_shop


def test_an_element_left_unnamed_beside_named_ones_is_known_by_the_sequence() -> None:
    """A reading that withholds one name, for that figure may be wrong, does not make its capture a nameless one."""
    shop = make_shop(31, [40], sizes=[6]).records
    elements = shop.elements
    strongest = pl.col("relative_pct") == pl.col("relative_pct").max().over("capture_file")
    some = elements.with_columns(
        element=pl.when(strongest).then(None).otherwise(pl.col("element")),
        identified=pl.when(strongest).then(pl.lit("none")).otherwise(pl.col("identified")),
    )
    assert some["element"].null_count() >= 40
    whole = readings_of(shop, MEASURE)
    told = readings_of(replace(shop, elements=some), MEASURE)
    assert (told.element == whole.element).all()
    assert (told.identified == NAMED).all()
    # what contradicts the sequence is not put right: two of the others are exchanged
    wrong = some.with_columns(element=pl.col("element").replace({1: 2, 2: 1}).cast(some.schema["element"]))
    assert (readings_of(replace(shop, elements=wrong), MEASURE).identified == NONE).all()
