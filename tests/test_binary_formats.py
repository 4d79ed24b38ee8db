"""One contract over every format: what a general library wrote comes back with the same samples, rate and units.

The writers are the formats' own reference libraries (pyarrow, numpy, h5py, asammdf, scipy), never code of ours.
"""

from __future__ import annotations

import builtins
import io
import os
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.feather
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.io import wavfile

from pipelines import readers
from pipelines.errors import UnreadableFile
from pipelines.intake import work
from pipelines.readers import known_suffixes, read_waveform
from pipelines.warehouse import waveforms as store
from tests.constructed_text import HEAD, lines, numbered

Write = Callable[[Path, float, np.ndarray, list[str]], None]


def _table(rate_hz: float, samples: np.ndarray, units: list[str], *, time: bool = True) -> pa.Table:
    names = [f"signal {n} ({unit})" for n, unit in enumerate(units, start=1)]
    columns = dict(zip(names, samples, strict=True))
    if not time:
        return pa.table(columns).replace_schema_metadata({"rate_hz": repr(rate_hz)})
    return pa.table({"time (s)": np.arange(samples.shape[1]) / rate_hz, **columns})


def parquet(path: Path, rate_hz: float, samples: np.ndarray, units: list[str]) -> None:
    pq.write_table(_table(rate_hz, samples, units), path)


def parquet_with_a_rate(path: Path, rate_hz: float, samples: np.ndarray, units: list[str]) -> None:
    pq.write_table(_table(rate_hz, samples, units, time=False), path, compression="zstd")


def arrow(path: Path, rate_hz: float, samples: np.ndarray, units: list[str]) -> None:
    pyarrow.feather.write_feather(_table(rate_hz, samples, units), path, compression="zstd")


def arrow_stream(path: Path, rate_hz: float, samples: np.ndarray, units: list[str]) -> None:
    table = _table(rate_hz, samples, units)
    with pa.ipc.new_stream(path, table.schema) as stream:
        stream.write_table(table, max_chunksize=100)


def npy(path: Path, rate_hz: float, samples: np.ndarray, units: list[str]) -> None:  # noqa: ARG001
    np.save(path, np.vstack([np.arange(samples.shape[1]) / rate_hz, samples]).T)


def npz(path: Path, rate_hz: float, samples: np.ndarray, units: list[str]) -> None:
    named = {f"signal {n} ({unit})": row for n, (row, unit) in enumerate(zip(samples, units, strict=True), 1)}
    np.savez_compressed(path, rate_hz=rate_hz, **named)


def hdf5(path: Path, rate_hz: float, samples: np.ndarray, units: list[str]) -> None:
    h5py = pytest.importorskip("h5py")
    with h5py.File(path, "w") as file:
        group = file.create_group("scope/record 1")
        group.attrs["sample_rate"] = rate_hz
        for n, (row, unit) in enumerate(zip(samples, units, strict=True), 1):
            group.create_dataset(f"signal {n}", data=row, compression="gzip").attrs["units"] = unit


def mdf4(path: Path, rate_hz: float, samples: np.ndarray, units: list[str]) -> None:
    asammdf = pytest.importorskip("asammdf")
    times = np.arange(samples.shape[1]) / rate_hz
    with asammdf.MDF(version="4.10") as file:
        file.append(
            [
                asammdf.Signal(row, times, unit=unit, name=f"signal {n}")
                for n, (row, unit) in enumerate(zip(samples, units, strict=True), 1)
            ]
        )
        file.save(path, overwrite=True)


# Writer, its file's name, the reader's module, and whether it can say mV.
FORMATS: dict[str, tuple[Write, str, str, bool]] = {
    "parquet": (parquet, "a.parquet", "parquet", True),
    "parquet with a rate": (parquet_with_a_rate, "a.pq", "parquet", True),
    "arrow": (arrow, "a.arrow", "arrow_ipc", True),
    "arrow stream": (arrow_stream, "a.arrows", "arrow_ipc", True),
    "npy": (npy, "a.npy", "numpy_arrays", False),
    "npz": (npz, "a.npz", "numpy_arrays", True),
    "hdf5": (hdf5, "a.h5", "hdf5", True),
    "mdf4": (mdf4, "a.mf4", "mdf4", True),
}


@pytest.mark.parametrize("name", FORMATS)
@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    channels=st.integers(1, 4),
    length=st.integers(16, 400),
    rate_hz=st.sampled_from([250.0, 1000.0, 20_000.0, 48_000.0, 1 / 3e-4, 123_456.7]),
    milli=st.booleans(),
    gaps=st.booleans(),
    seed=st.integers(0, 2**32 - 1),
)
def test_what_the_formats_own_library_wrote_comes_back(
    name: str, channels: int, length: int, rate_hz: float, milli: bool, gaps: bool, seed: int, tmp_path: Path
) -> None:
    write, file, module, says_units = FORMATS[name]
    rng = np.random.default_rng(seed)
    samples = rng.normal(12, 4, (channels, length)).astype(np.float32)
    if gaps:
        samples[:, 3:6] = np.nan
        samples[0, 7] = np.inf
    milli = milli and says_units
    write(tmp_path / file, rate_hz, samples, ["mV" if milli else "V"] * channels)
    assert _asked_first(tmp_path / file) == module
    waveform = read_waveform(tmp_path / file)
    assert waveform.rate_hz == pytest.approx(rate_hz, rel=1e-5)
    assert waveform.start_s == 0.0
    expected = np.where(np.isfinite(samples), samples, np.nan) * np.float32(1e-3 if milli else 1)
    np.testing.assert_allclose(waveform.samples, expected, rtol=1e-6)
    # And on into the warehouse.
    kept = store.load(tmp_path / "w", store.save(waveform, tmp_path / "w"))
    np.testing.assert_array_equal(np.isnan(kept.samples), np.isnan(expected))


def _asked_first(path: Path) -> str:
    head = path.read_bytes()[:65_536]
    return next(name for name, reader in readers.readers().items() if reader.recognise(head, path))


def test_no_reader_is_shadowed_by_another(tmp_path: Path) -> None:
    """Every format's file is claimed by its own reader alone, or by it first."""
    samples = np.random.default_rng(1).normal(12, 1, (2, 5000)).astype(np.float32)
    found = {}
    for name, (write, file, module, _) in FORMATS.items():
        write(tmp_path / file, 1000.0, samples, ["V", "V"])
        found[name] = (_asked_first(tmp_path / file), module)
    sound = io.BytesIO()
    wavfile.write(sound, 8000, np.zeros(100, dtype=np.int16))
    (tmp_path / "a.wav").write_bytes(sound.getvalue())
    (tmp_path / "a.csv").write_text(lines(HEAD, numbered(50)))
    found["wav"] = (_asked_first(tmp_path / "a.wav"), "wav")
    found["text"] = (_asked_first(tmp_path / "a.csv"), "delimited")
    assert all(first == module for first, module in found.values()), found
    assert set(readers.readers()) == {module for _, module in found.values()}
    assert list(readers.readers())[-1] == "delimited"
    assert {".parquet", ".arrow", ".npy", ".npz", ".h5", ".mf4", ".npz.gz"} <= set(known_suffixes())


@pytest.mark.parametrize("name", FORMATS)
def test_a_cut_or_flipped_file_is_samples_or_a_sentence(name: str, tmp_path: Path) -> None:
    write, file, *_ = FORMATS[name]
    samples = np.random.default_rng(2).normal(12, 1, (2, 600)).astype(np.float32)
    write(tmp_path / file, 1000.0, samples, ["V", "V"])
    whole = (tmp_path / file).read_bytes()
    rng = np.random.default_rng(3)
    for attempt in range(25):
        content = bytearray(whole[: int(rng.integers(8, len(whole)))] if attempt % 2 else whole)
        for place in rng.integers(0, len(content), 3):
            content[place] ^= 1 << int(rng.integers(8))
        (tmp_path / file).write_bytes(content)
        try:
            outcome = f"{read_waveform(tmp_path / file).rate_hz} samples a second"
        except UnreadableFile as error:
            outcome = str(error)
        assert len(outcome) > 20


@pytest.mark.parametrize(("name", "library", "extra"), [("hdf5", "h5py", "hdf5"), ("mdf4", "asammdf", "mdf")])
def test_a_format_whose_library_is_not_there_says_how_to_get_it(
    name: str, library: str, extra: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write, file, *_ = FORMATS[name]
    write(tmp_path / file, 1000.0, np.ones((1, 100), np.float32), ["V"])
    real = builtins.__import__

    def without(wanted: str, *rest: Any, **more: Any) -> Any:
        if wanted.split(".")[0] == library:
            raise ImportError(wanted)
        return real(wanted, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(UnreadableFile, match=rf"shopspread\[{extra}\]"):
        read_waveform(tmp_path / file)


def test_optional_libraries_are_not_imported_before_they_are_needed() -> None:
    code = (
        "import importlib, sys; from pipelines import readers\n"
        "for name in readers.readers(): importlib.import_module(f'pipelines.readers.{name}')\n"
        "print({'h5py', 'asammdf'} & {name.split('.')[0] for name in sys.modules})"
    )
    # A process of its own: a library cannot be unloaded and loaded again in this one.
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"


# -- what a format may say in another way ----------------------------------------------------------------


def test_times_may_be_instants_and_channels_may_have_gaps(tmp_path: Path) -> None:
    start = np.datetime64("2026-03-02T08:00:00", "us")
    times = start + (np.arange(200) * 2000).astype("timedelta64[us]")
    table = pa.table({"time": times[np.arange(200) != 90], "a (V)": np.arange(199.0)})
    pq.write_table(table, tmp_path / "a.parquet")
    waveform = read_waveform(tmp_path / "a.parquet")
    assert waveform.rate_hz == pytest.approx(500.0)
    assert waveform.samples.shape == (1, 200)
    assert np.isnan(waveform.samples[0, 90])


def test_units_may_stand_in_a_fields_own_metadata(tmp_path: Path) -> None:
    schema = pa.schema(
        [pa.field("a", pa.float64(), metadata={"unit": "mV"})], metadata={"interval_s": "0.001"}
    )
    pq.write_table(pa.table({"a": np.full(64, 12_000.0)}, schema=schema), tmp_path / "a.parquet")
    waveform = read_waveform(tmp_path / "a.parquet")
    assert waveform.rate_hz == pytest.approx(1000.0)
    np.testing.assert_allclose(waveform.samples, 12.0, rtol=1e-6)


@pytest.mark.parametrize(
    ("write", "reason"),
    [
        (lambda p: np.save(p, np.zeros((2, 3, 40))), "shape"),
        (lambda p: np.save(p, np.tile([[3.0], [1.0]], (1, 50))), "does not rise like time"),
        (lambda p: np.save(p, np.array([{"a": 1}], dtype=object), allow_pickle=True), "broken"),
        (lambda p: p.write_bytes(_npz(a=np.arange(50.0))), "how fast the samples"),
        (
            lambda p: p.write_bytes(_npz(rate_hz=5.0, a=np.arange(50.0), b=np.arange(60.0))),
            "differ in length",
        ),
        (lambda p: p.write_bytes(_npz(rate_hz=5.0)), "no channel"),
        (lambda p: pq.write_table(pa.table({"t": ["x"] * 40}), p), "no channel"),
    ],
)
def test_what_cannot_be_a_capture_is_named(
    write: Callable[[Path], None], reason: str, tmp_path: Path
) -> None:
    write(tmp_path / "a.npy")
    with pytest.raises(UnreadableFile, match=reason):
        read_waveform(tmp_path / "a.npy")


def _npz(**arrays: Any) -> bytes:
    stream = io.BytesIO()
    np.savez(stream, **arrays)
    return stream.getvalue()


def test_a_zip_of_other_things_and_a_bursting_one_are_refused(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "a.npz", "w") as archive:
        archive.writestr("readme.txt", "hello")
    with pytest.raises(UnreadableFile, match="no format Shopspread reads"):
        read_waveform(tmp_path / "a.npz")
    with (
        zipfile.ZipFile(tmp_path / "b.npz", "w", zipfile.ZIP_DEFLATED) as archive,
        archive.open("a.npy", "w") as file,
    ):
        for _ in range(700):
            file.write(bytes(1 << 20))
    with pytest.raises(UnreadableFile, match="stretch that matters only"):
        read_waveform(tmp_path / "b.npz")


def test_a_warehouses_own_copy_is_not_taken_for_a_capture(tmp_path: Path) -> None:
    waveform = readers.Waveform(1000.0, 0.0, np.ones((1, 64), np.float32), ("a",))
    name = store.save(waveform, tmp_path)
    with pytest.raises(UnreadableFile, match="warehouse's own folder"):
        read_waveform(store.path_of(tmp_path, name))


@pytest.mark.parametrize("name", ["parquet with a rate", "hdf5", "npz"])
def test_a_small_file_that_grows_beyond_reason_is_refused_before_it_does(name: str, tmp_path: Path) -> None:
    """Twelve million equal samples pack into a few kB; a capture of that many is packed a hundredfold at most."""
    write, file, *_ = FORMATS[name]
    write(tmp_path / file, 1e6, np.zeros((1, 12_000_000), np.float32), ["V"])
    assert (tmp_path / file).stat().st_size < 12_000_000 * 4 / 100
    with pytest.raises(UnreadableFile, match=r"states 1200\d{4} values"):
        read_waveform(tmp_path / file)


@pytest.mark.parametrize("fault", [SystemError, RecursionError, ZeroDivisionError, KeyError])
@pytest.mark.parametrize("name", FORMATS)
def test_whatever_a_library_raises_is_a_sentence_about_the_file(
    name: str, fault: type[Exception], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write, file, *_ = FORMATS[name]
    write(tmp_path / file, 1000.0, np.ones((1, 64), np.float32), ["V"])

    def broken(*_: Any, **__: Any) -> None:
        raise fault("seen in the library")

    for call in (
        "numpy.load",
        "pyarrow.parquet.ParquetFile",
        "pyarrow.ipc.open_file",
        "pyarrow.ipc.open_stream",
        "h5py.File",
        "asammdf.MDF",
    ):
        monkeypatch.setattr(call, broken)
    with pytest.raises(UnreadableFile, match="seen in the library"):
        read_waveform(tmp_path / file)


def test_a_file_too_large_is_refused_before_it_is_hashed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "a.csv").touch()
    os.truncate(tmp_path / "a.csv", 600 << 20)
    monkeypatch.setattr("hashlib.file_digest", lambda *_: pytest.fail("hashed"))
    done = work.run(work.Task("a.csv", tmp_path / "a.csv", None, tmp_path / "w"))
    assert done.refused is not None
    assert "more than 512 MiB" in done.refused
    assert done.file_bytes == 600 << 20


def test_a_broken_measurement_file_is_refused_without_noise(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """The library logs to stderr and its half-built file complains when it is collected."""
    mdf4(tmp_path / "a.mf4", 1000.0, np.ones((1, 200), np.float32), ["V"])
    whole = (tmp_path / "a.mf4").read_bytes()
    for cut in range(64, len(whole), 211):
        (tmp_path / "a.mf4").write_bytes(whole[:cut])
        with pytest.raises(UnreadableFile):
            read_waveform(tmp_path / "a.mf4")
    assert capfd.readouterr().err == ""
