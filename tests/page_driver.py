"""Runs pages as Streamlit runs them, on a small shop's warehouse."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from dashboard import writing
from dashboard.launch import APP, WAREHOUSE_VARIABLE
from dashboard.shared import pages

PAGES = tuple(entry.name for entry in pages.PAGES if not entry.several)
FITS_ASKED: list[Path] = []
"""Warehouses whose fit a page has asked for; here it is only noted."""
TITLES = {entry.name: entry.title for entry in pages.PAGES}


@pytest.fixture(autouse=True)
def fresh_caches() -> Iterator[None]:
    yield
    st.cache_data.clear()


def opened(monkeypatch: pytest.MonkeyPatch, warehouse: Path, page: str, **state: object) -> AppTest:
    """A page after its first run; `state` is what the session holds before it."""
    monkeypatch.setenv(WAREHOUSE_VARIABLE, str(warehouse))
    monkeypatch.setattr(writing._FITS, "ask", FITS_ASKED.append)
    app = AppTest.from_file(str(APP), default_timeout=120)
    app.switch_page(f"views/{page}/{page}.py")
    for key, value in state.items():
        app.session_state[key] = value
    return app.run()


def texts(app: AppTest) -> str:
    """Everything a page says."""
    kinds = (
        "html",
        "title",
        "header",
        "subheader",
        "markdown",
        "caption",
        "info",
        "success",
        "warning",
        "error",
    )
    return "\n".join(str(getattr(e, "value", e.proto)) for kind in kinds for e in app.get(kind))


def assert_sound(app: AppTest) -> None:
    assert not app.exception, [error.value for error in app.exception]
    assert "could not be drawn" not in texts(app)


def press(app: AppTest, label: str) -> None:
    next(button for button in app.button if button.label == label).click().run()
