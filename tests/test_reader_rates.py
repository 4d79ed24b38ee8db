"""Files whose rows repeat, whose channels stand in alternate rows or come at their own rates, whose clock jitters.

Every expectation follows from how the file is written.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from pipelines.errors import UnreadableFile
from pipelines.readers.delimited import read
from tests.small_shop import write_capture

RATE_HZ = 2000.0
COUNT = 3000


def signals(count: int = COUNT) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Time in s, a slow wave in V, and pulses in V."""
    t = np.arange(count) / RATE_HZ
    return t, 11.0 + np.sin(2 * np.pi * 9.0 * t), np.where(np.arange(count) % 400 < 6, 40.0, 0.5)


def written(path: Path, rows: list[str]) -> Path:
    """A file with a header and a units row."""
    path.write_text("Time,A,B\n(s),(V),(V)\n" + "\n".join(rows) + "\n")
    return path


def said(notes: tuple[str, ...], words: str) -> bool:
    """Whether some note says so."""
    return any(words in note for note in notes)


@pytest.mark.parametrize("times", [2, 3])
def test_rows_written_twice_or_thrice_are_dropped(tmp_path: Path, times: int) -> None:
    """The record behind repeated rows is the record: rate, length and values."""
    t, a, b = signals()
    rows = [f"{x:.7f},{y:.5f},{z:.3f}" for x, y, z in zip(t, a, b, strict=True) for _ in range(times)]
    wave = read(written(tmp_path / "twice.csv", rows))
    assert wave.rate_hz == pytest.approx(RATE_HZ, rel=1e-6)
    assert wave.samples.shape == (2, COUNT)
    assert wave.samples[0] == pytest.approx(a, abs=1e-4)
    assert said(wave.notes, f"{(times - 1) * COUNT} rows that repeat the row before them were left out")


def test_equal_samples_under_times_of_few_digits_stay(tmp_path: Path) -> None:
    """Times printed to 1 ms at 2 kS/s stand twice each; a resting channel says the same twice: all stays."""
    t, _, _ = signals()
    rows = [f"{x:.3f},12.5,0.5" for x in np.floor(t * 1000) / 1000]
    wave = read(written(tmp_path / "few.csv", rows))
    assert wave.samples.shape == (2, COUNT)
    assert wave.rate_hz == pytest.approx(RATE_HZ, rel=1e-3)
    assert not said(wave.notes, "left out")


def test_rows_of_one_time_with_a_channel_each_are_joined(tmp_path: Path) -> None:
    """The same time twice, first with one channel, then with the other: one row."""
    t, a, b = signals()
    rows = [
        row for x, y, z in zip(t, a, b, strict=True) for row in (f"{x:.7f},{y:.5f},", f"{x:.7f},,{z:.3f}")
    ]
    wave = read(written(tmp_path / "halves.csv", rows))
    assert wave.rate_hz == pytest.approx(RATE_HZ, rel=1e-6)
    assert np.isfinite(wave.samples).all()
    assert wave.samples[0] == pytest.approx(a, abs=1e-4)
    assert wave.samples[1] == pytest.approx(b, abs=1e-3)
    assert said(wave.notes, f"{COUNT} rows of the same time as the row before were joined")


def test_channels_in_alternate_rows_share_one_time_base(tmp_path: Path) -> None:
    """Each channel has every other row, at times of its own; a straight line between two samples errs by the wave's
    curvature, w^2 h^2 / 8 of its amplitude at most."""
    t, a, b = signals()
    rows = [
        f"{x:.7f},{y:.5f}," if k % 2 == 0 else f"{x:.7f},,{z:.3f}"
        for k, (x, y, z) in enumerate(zip(t, a, b, strict=True))
    ]
    wave = read(written(tmp_path / "alternate.csv", rows))
    bound = (2 * np.pi * 9.0) ** 2 * (2 / RATE_HZ) ** 2 / 8 + 2e-5
    assert wave.rate_hz == pytest.approx(RATE_HZ, rel=1e-6)
    assert np.nanmax(np.abs(wave.samples[0, : COUNT - 1] - a[: COUNT - 1])) <= bound
    assert said(wave.notes, "Channel 1 has a sample in every 2. row only")
    assert said(wave.notes, "Channel 2 has a sample in every 2. row only")


def test_a_slower_channel_is_brought_to_the_faster_ones_rows(tmp_path: Path) -> None:
    """One channel in every row, the other in every eighth; where it misses a long stretch that stays empty."""
    t, a, b = signals()
    rows = [
        f"{x:.7f},{y:.5f},{z:.3f}" if k % 8 == 0 and not 800 < k < 1200 else f"{x:.7f},,{z:.3f}"
        for k, (x, y, z) in enumerate(zip(t, a, b, strict=True))
    ]
    wave = read(written(tmp_path / "slower.csv", rows))
    assert np.isfinite(wave.samples[0, 1200:2990]).all()
    assert np.isnan(wave.samples[0, 801:1200]).all()
    assert wave.samples[1] == pytest.approx(b, abs=1e-3)
    assert said(wave.notes, "every 8. row")


def test_scattered_losses_are_not_taken_for_a_slower_channel(tmp_path: Path) -> None:
    """Half of a channel's samples lost at random is no pattern: they stay missing."""
    t, a, b = signals()
    keep = np.random.default_rng(4).random(COUNT) < 0.5
    rows = [
        f"{x:.7f},{y:.5f},{z:.3f}" if k else f"{x:.7f},,{z:.3f}"
        for x, y, z, k in zip(t, a, b, keep, strict=True)
    ]
    wave = read(written(tmp_path / "losses.csv", rows))
    assert np.array_equal(np.isfinite(wave.samples[0]), keep)


@pytest.mark.parametrize("jitter", [0.1, 0.2, 0.3])
@pytest.mark.parametrize("lost", [0, 25])
def test_jitter_up_to_30_per_cent_of_a_step_is_no_uneven_sampling(
    tmp_path: Path, jitter: float, lost: int
) -> None:
    """Stamps that stray evenly to both sides: the rate is the grid's, and each lost row leaves one empty sample."""
    rng = np.random.default_rng(int(100 * jitter) + lost)
    t, a, b = signals()
    stamps = t + rng.uniform(-jitter, jitter, COUNT) / RATE_HZ
    gone = set(rng.choice(np.arange(100, COUNT - 100), lost, replace=False).tolist())
    rows = [
        f"{x:.8f},{y:.5f},{z:.3f}"
        for k, (x, y, z) in enumerate(zip(stamps, a, b, strict=True))
        if k not in gone
    ]
    wave = read(written(tmp_path / "jitter.csv", rows))
    assert wave.rate_hz == pytest.approx(RATE_HZ, rel=1e-4)
    assert wave.samples.shape == (2, COUNT)
    assert set(np.flatnonzero(np.isnan(wave.samples[0])).tolist()) == gone
    if jitter >= 0.3:
        assert said(wave.notes, "stray by up to")


def test_samples_at_random_times_are_refused(tmp_path: Path) -> None:
    """Steps drawn from an exponential have no grid behind them."""
    rng = np.random.default_rng(5)
    _, a, b = signals()
    stamps = np.cumsum(rng.exponential(1 / RATE_HZ, COUNT))
    rows = [f"{x:.8f},{y:.5f},{z:.3f}" for x, y, z in zip(stamps, a, b, strict=True)]
    with pytest.raises(UnreadableFile, match="not evenly spaced"):
        read(written(tmp_path / "random.csv", rows))


def test_the_time_base_is_the_same_however_many_threads_linear_algebra_has(tmp_path: Path) -> None:
    """A worker of a cluster has one thread and a computer's own process many; the stored copy's name must not tell."""
    write_capture(tmp_path / "a.csv", (1, 1, 1, 1))
    code = (
        "import sys; from pathlib import Path; from pipelines.readers import read_waveform; "
        "from pipelines.warehouse.waveforms import digest; print(digest(read_waveform(Path(sys.argv[1]))))"
    )
    names = {
        subprocess.run(
            [sys.executable, "-c", code, str(tmp_path / "a.csv")],
            env={**os.environ, "OMP_NUM_THREADS": threads, "OPENBLAS_NUM_THREADS": threads},
            cwd=Path(__file__).parents[1], capture_output=True, text=True, check=True,
        ).stdout
        for threads in ("1", "2", "8")
    }  # fmt: skip
    assert len(names) == 1
