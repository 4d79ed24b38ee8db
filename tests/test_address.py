"""Whatever stands in an address: it is what is on record, or a sentence says what is wrong; never anything else."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dashboard import data
from dashboard.launch import WAREHOUSE_VARIABLE
from dashboard.shared import address
from dashboard.shared.pages import PAGES

WILD = st.text(max_size=40) | st.sampled_from(
    ["", "none", "all", "nan", "inf", "-1", "0", "1e400", "2026-13-40", "0001-01-01", "9999-12-31", "\x00", "../../x",
     "' OR 1=1 --", "<script>", "week1/even0.csv", "😀", "True", "2026-03-02T10:00"]
)  # fmt: skip


def test_every_name_of_every_page_can_be_read() -> None:
    assert {name for page in PAGES for name in page.address} == set(address.PARTS)


@pytest.mark.parametrize("name", sorted(address.PARTS))
@given(text=WILD)
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_wild_value_is_on_record_or_said_to_be_wrong(
    monkeypatch: pytest.MonkeyPatch, small_warehouse: Path, name: str, text: str
) -> None:
    monkeypatch.setenv(WAREHOUSE_VARIABLE, str(small_warehouse))
    try:
        value = address.PARTS[name].read(text, data.stamp())
    except address.Wrong:
        return
    if isinstance(value, dt.date):
        assert dt.date.fromisoformat(text) - value < dt.timedelta(days=7)
        assert abs((dt.date.today() - value).days) < 366 * 11, "a calendar of the page holds it"
    elif isinstance(value, float):
        assert value == float(text)
        assert value > 0
    else:
        assert value == text


def test_a_capture_on_record_is_read_as_it_stands(
    monkeypatch: pytest.MonkeyPatch, small_warehouse: Path
) -> None:
    monkeypatch.setenv(WAREHOUSE_VARIABLE, str(small_warehouse))
    stamp = data.stamp()
    for name in data.Frames(stamp)["captures"].filter(pl.col("status") == "read")["capture_file"].head(3):
        assert address.PARTS["capture"].read(name, stamp) == name
        with pytest.raises(address.Wrong, match="Did you mean"):
            address.PARTS["capture"].read(name[:-1], stamp)
