"""One contract for every kind: what it declares hangs together, and its reader keeps its promises on any signal."""

from __future__ import annotations

import re
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines import kinds
from pipelines.errors import ShopspreadError
from pipelines.kinds.base import EngineFamily, Hookup, Kind, Reading
from pipelines.waveform import Waveform
from tests.wheel_kind import WHEEL

EVERY = [*kinds.kinds().values(), WHEEL]
ENGINE = EngineFamily("plain-4", 4, (1, 3, 4, 2))
UNITS = {
    "%": "pct", "rpm": "rpm", "Hz": "hz", "degrees": "deg", "ms": "ms", "s": "s", "V": "v", "mV": "mv", "A": "a",
    "ohm": "ohm", "mH": "mh", "kV": "kv", "us": "us", "kPa": "kpa",
}  # fmt: skip

each = pytest.mark.parametrize("kind", EVERY, ids=lambda kind: kind.name)


def family_for(kind: Kind) -> EngineFamily | None:
    return ENGINE if kind.needs_engine else None


@each
def test_names_and_titles(kind: Kind) -> None:
    assert re.fullmatch(r"[a-z][a-z0-9_]+", kind.name)
    assert kind.title.strip() == kind.title != kind.name
    assert sum(other.lesson == kind.lesson for other in EVERY) == 1
    assert kind.element.noun != kind.element.nouns
    assert kind.measures
    assert len({measure.name for measure in kind.measures}) == len(kind.measures)
    assert kind.measure("") is kind.measures[0]
    assert kind.reader_version >= 1


@each
def test_hookup_uses_declared_signals_and_cautions_defer_to_the_maker(kind: Kind) -> None:
    known = {signal.name for signal in kind.signals}
    assert len(known) == len(kind.signals)
    assert set(kind.hookup.signals) <= known
    assert len(kind.hookup.scales) == len(kind.hookup.signals)
    assert "maker's service information" in " ".join(kind.cautions)


@each
def test_features_say_their_unit_in_name_and_in_words(kind: Kind) -> None:
    for feature in kind.features:
        assert feature.meaning
        assert feature.bad in ("low", "high", "either", "none")
        suffix = UNITS.get(feature.unit)
        if suffix:
            assert feature.name.endswith(f"_{suffix}"), feature
        else:
            assert not any(feature.name.endswith(f"_{known}") for known in UNITS.values()), feature
    words = kind.feature_words
    assert "odd_pct" in words
    assert all(words[feature.name].title == feature.title for feature in kind.features)


@each
def test_checks_and_wording_are_whole(kind: Kind) -> None:
    assert len({check.name for check in kind.checks}) == len(kind.checks)
    assert all(check.saw and check.short for check in kind.checks)
    assert set(kind.wording.calls) == {"even", "odd", "unsure"}
    assert set(kind.wording.findings) == {"even", "odd", "other"}
    assert kind.figure.span > 0
    if kind.layout is not None:
        layout = kind.layout(ENGINE)
        assert sorted(layout.sequence) == list(range(1, layout.elements + 1))
        assert len(layout.places) == layout.elements
        assert list(layout.places) == sorted(layout.places)
        assert 0 <= layout.places[0] <= layout.places[-1] < 1


def assert_sound(kind: Kind, reading: Reading) -> None:
    """Everything a reading promises whatever the signal was."""
    assert reading.status in ("read", "unusable")
    assert bool(reading.reason) == (reading.status == "unusable")
    assert set(reading.features) <= {feature.name for feature in kind.features}
    assert all(np.isfinite(value) or np.isnan(value) for value in reading.features.values())
    declared = {check.name for check in kind.checks} | {kinds.OFF_HOUSE_SETUP.name}
    for check in reading.checks:
        assert check.check in declared
        assert check.severity in ("note", "warning", "unusable")
        assert check.detail.endswith(".")
    measures = {measure.name for measure in kind.measures} | {""}
    for one in reading.elements:
        assert one.measure in measures
        assert np.isfinite(one.relative_pct)
        assert np.isfinite(one.se_pct)
        assert one.se_pct >= 0
        assert (one.element is None) == (one.identified == "none")
        assert (one.companion is not None) == (one.identified == "pair")
    for measure in kind.measures:
        own = [one for one in reading.elements if (one.measure or kind.measures[0].name) == measure.name]
        assert sorted(one.position for one in own) == list(range(1, len(own) + 1))
        if own and not measure.whole:
            assert np.median([one.relative_pct for one in own]) == pytest.approx(100.0, abs=1e-6)
    if reading.status == "unusable":
        assert not reading.elements
    if reading.events is not None:
        assert reading.events.start_s <= reading.events.end_s
        assert reading.events.event_s.shape == reading.events.position.shape
        assert np.isfinite(reading.events.mean_shape).all()


def read(kind: Kind, samples: npt.NDArray[np.float64], rate_hz: float) -> Reading:
    waveform = Waveform(rate_hz, 0.0, samples.astype(np.float32), ("",) * samples.shape[0])
    before = waveform.samples.copy()
    reading = kind.read(waveform, kind.hookup, family_for(kind))
    np.testing.assert_array_equal(waveform.samples, before)
    assert reading.reader_version == kind.reader_version
    return reading


# A sine is what the ripple of even cylinders may look like: it must be read soundly, or not at all.
MAY_BE_READ = ("a sine",)
SIGNALS: dict[str, Callable[[np.random.Generator, int], npt.NDArray[np.float64]]] = {
    "nothing": lambda _, n: np.zeros(n),
    "a level": lambda _, n: np.full(n, 12.6),
    "noise": lambda rng, n: rng.normal(0, 1, n),
    "two codes": lambda rng, n: rng.integers(0, 2, n) * 5.0,
    "a ramp": lambda _, n: np.linspace(0, 14, n),
    "a sine": lambda _, n: np.sin(np.arange(n) / 7.0),
    "one spike": lambda _, n: np.where(np.arange(n) == n // 2, 400.0, 0.0),
    "gaps": lambda rng, n: np.where(rng.random(n) < 0.6, np.nan, 1.0),
    "cut off": lambda rng, n: np.clip(rng.normal(0, 5, n), -1, 1),
    "a step": lambda _, n: np.where(np.arange(n) > n // 2, 13.8, 0.2),
}


@each
@pytest.mark.parametrize("what", SIGNALS)
def test_no_signal_makes_a_reader_fail_and_nonsense_is_not_read(kind: Kind, what: str) -> None:
    rng = np.random.default_rng(len(what))
    for length, rate_hz in ((64, 1000.0), (5000, 1000.0), (300, 1e7)):
        samples = np.stack([SIGNALS[what](rng, length) for _ in kind.hookup.signals])
        reading = read(kind, samples, rate_hz)
        assert_sound(kind, reading)
        assert what in MAY_BE_READ or reading.status == "unusable", f"{what} was read"


@each
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_any_drawn_signal_gives_a_sound_reading_and_the_same_again(kind: Kind, data: st.DataObject) -> None:
    seed = data.draw(st.integers(0, 2**20))
    length = data.draw(st.integers(16, 20_000))
    rate_hz = data.draw(st.sampled_from([40.0, 400.0, 5000.0, 1e5, 1e7]))
    rng = np.random.default_rng(seed)
    parts = [SIGNALS[data.draw(st.sampled_from(sorted(SIGNALS)))] for _ in kind.hookup.signals]
    samples = np.stack([part(rng, length) for part in parts]) * 10.0 ** data.draw(st.integers(-3, 3))
    samples[np.abs(samples) > 1e6] = np.nan
    if not np.isfinite(samples).any():
        return
    first, again = read(kind, samples, rate_hz), read(kind, samples, rate_hz)
    assert_sound(kind, first)
    assert first.elements == again.elements
    assert first.checks == again.checks


@each
def test_a_hookup_that_names_no_usable_signal_is_a_clear_error_or_unusable(kind: Kind) -> None:
    waveform = Waveform(1000.0, 0.0, np.zeros((1, 2000), dtype=np.float32), ("",))
    said = ""
    try:
        reading = kind.read(waveform, Hookup(("room_temperature",), (1.0,)), family_for(kind))
        said = reading.reason
    except ShopspreadError as error:
        said = str(error)
    assert said.endswith(".")


def test_kinds_are_found_by_being_there_in_the_order_of_the_course() -> None:
    found = list(kinds.kinds().values())
    assert [kind.lesson for kind in found] == sorted(kind.lesson for kind in found)
    assert found[0].name == "relative_compression"
    assert set(kinds.checks()) >= {check.name for kind in found for check in kind.checks}
    assert ("relative_compression", "weak_battery") not in kinds.habits()
    assert ("relative_compression", "clipped") in kinds.habits()
