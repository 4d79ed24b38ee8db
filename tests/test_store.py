"""Our own copy of a waveform gives back what was saved, within half a 16-bit step."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.errors import UnreadableFile
from pipelines.warehouse import waveforms as store
from pipelines.waveform import MIN_SAMPLES, Waveform


def waveform(samples: np.ndarray, rate_hz: float = 5000.0) -> Waveform:
    labels = tuple(f"channel {number + 1}" for number in range(samples.shape[0]))
    return Waveform(rate_hz, -0.25, samples.astype(np.float32), labels, ("a note",))


def test_a_copy_comes_back_with_its_gaps_and_its_time_base(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    samples = np.vstack([10 + rng.normal(0, 1, 4000), 300 * rng.random(4000), np.zeros(4000)])
    samples[0, 100:200] = np.nan
    saved = waveform(samples)
    loaded = store.load(tmp_path, store.save(saved, tmp_path))
    assert (loaded.rate_hz, loaded.start_s, loaded.labels, loaded.notes) == (
        saved.rate_hz,
        saved.start_s,
        saved.labels,
        saved.notes,
    )
    np.testing.assert_array_equal(np.isnan(loaded.samples), np.isnan(saved.samples))
    half_step = np.nanmax(np.ptp(np.nan_to_num(samples, nan=10.0), axis=1)) / (2 * store.FULL_SCALE) / 2
    assert np.nanmax(np.abs(loaded.samples - saved.samples)) <= half_step * 1.05 + 1e-6


@settings(max_examples=40, deadline=None)
@given(
    low=st.floats(-1e4, 1e4),
    span=st.floats(0, 1e5),
    seed=st.integers(0, 2**32 - 1),
)
def test_no_value_moves_by_more_than_half_a_step(
    tmp_path_factory: pytest.TempPathFactory, low: float, span: float, seed: int
) -> None:
    folder = tmp_path_factory.mktemp("store")
    values = low + span * np.random.default_rng(seed).random((1, 64))
    saved = waveform(values)
    loaded = store.load(folder, store.save(saved, folder))
    reach = float(np.ptp(saved.samples)) / (4 * store.FULL_SCALE)
    rounding = 4 * float(np.spacing(np.abs(saved.samples).max()))
    # What 32 bits cannot divide by (a range of less than 1e-33 V) is kept as a constant.
    rounding += 2 * store.FULL_SCALE * float(np.finfo(np.float32).tiny)
    assert np.abs(loaded.samples - saved.samples).max() <= reach + rounding


def test_the_same_content_is_kept_once_and_other_content_apart(tmp_path: Path) -> None:
    samples = np.random.default_rng(4).random((1, MIN_SAMPLES))
    assert store.save(waveform(samples), tmp_path) == store.save(waveform(samples), tmp_path)
    assert store.save(waveform(samples, rate_hz=1000.0), tmp_path) != store.save(waveform(samples), tmp_path)
    assert len(list(tmp_path.rglob("*.parquet"))) == 2
    assert not list(tmp_path.rglob("*.part"))


@pytest.mark.parametrize("damage", [b"", b"PAR1 but nothing else PAR1"])
def test_a_damaged_or_missing_copy_is_named(tmp_path: Path, damage: bytes) -> None:
    name = store.save(waveform(np.random.default_rng(5).random((1, 100))), tmp_path)
    store.path_of(tmp_path, name).write_bytes(damage)
    with pytest.raises(UnreadableFile, match="drop the capture file again"):
        store.load(tmp_path, name)
    store.path_of(tmp_path, name).unlink()
    with pytest.raises(UnreadableFile, match="drop the capture file again"):
        store.load(tmp_path, name)
