"""A single flipped bit in anything the warehouse keeps is named, never read as if nothing had happened."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipelines import kinds
from pipelines.errors import UnreadableFile
from pipelines.intake import uploads
from pipelines.intake.check import check
from pipelines.intake.entry import upload
from pipelines.intake.undo import undo
from pipelines.kinds import EngineFamily
from pipelines.warehouse import waveforms as store
from pipelines.warehouse.database import Warehouse
from pipelines.waveform import Waveform
from tests.small_shop import write_capture

FLIPS = 12
FOUR = EngineFamily("plain-4", 4, (1, 3, 4, 2))


def flip(path: Path, bit: int) -> None:
    content = bytearray(path.read_bytes())
    content[bit // 8] ^= 1 << bit % 8
    path.write_bytes(content)


def recording(name: str) -> Waveform:
    """A capture of a kind, as its own simulation makes it; constructed where the kind has none."""
    kind = kinds.kinds()[name]
    if kind.simulation is not None:
        simulation = kind.simulation()
    elif kind.simulation_of is not None:
        simulation = kind.simulation_of((FOUR,))
    else:
        samples = np.random.default_rng(3).normal(12, 1, (2, 5000)).astype(np.float32)
        return Waveform(5000.0, 0.0, samples, ("battery", "primary"))
    made = simulation.capture(simulation.groups[0], fault="", slip="", vehicle_seed=1, seed=2).recording
    return Waveform(made.rate_hz, made.start_s, made.samples.astype(np.float32)[:, :20_000], made.units)


def outcome(waveform: Waveform, folder: Path, rng: np.random.Generator) -> str:
    """Flip one bit of a copy: `named`, or `same` where nothing is said there; `silent` is the fault looked for."""
    name = store.save(waveform, folder)
    path = store.path_of(folder, name)
    good, whole = store.load(folder, name), path.read_bytes()
    flip(path, int(rng.integers(len(whole) * 8)))
    try:
        loaded = store.load(folder, name)
    except UnreadableFile:
        assert not store.sound(folder, name)
        store.save(waveform, folder)  # the same file is dropped again
        assert path.read_bytes() == whole
        return "named"
    finally:
        path.write_bytes(whole)
    facts = [(w.rate_hz, w.start_s, w.labels, w.notes) for w in (loaded, good)]
    same = facts[0] == facts[1] and np.array_equal(loaded.samples, good.samples, equal_nan=True)
    return "same" if same else "silent"


@pytest.mark.parametrize("name", kinds.kinds())
def test_no_flipped_bit_of_any_kinds_copy_loads_as_something_else(name: str, tmp_path: Path) -> None:
    rng = np.random.default_rng(list(name.encode()))
    waveform = recording(name)
    found = [outcome(waveform, tmp_path, rng) for _ in range(FLIPS)]
    # Not even where nothing is said (a page's statistics, the writer's name): the seal is over every byte.
    assert found == ["named"] * FLIPS


def test_a_flipped_bit_of_an_uploaded_file_is_named_and_the_same_upload_mends_it(tmp_path: Path) -> None:
    house = Warehouse(tmp_path / "wh", create=True)
    source = tmp_path / "a.csv"
    write_capture(source, (1.0, 0.97, 0.6, 1.02))
    whole = source.read_bytes()
    done = upload(house, [("a.csv", whole)], by="Ida")
    kept = uploads.place(house) / "a.csv"
    assert check(house).uploads == {}
    rng = np.random.default_rng(8)
    for bit in rng.integers(len(whole) * 8, size=2):
        flip(kept, int(bit))
        assert list(check(house).uploads) == ["uploads/a.csv"]
        (taken,) = uploads.keep(house, [("a.csv", whole)], by="Ida", batch="b")
        assert taken.known
        assert kept.read_bytes() == whole
        assert check(house).uploads == {}
    kept.unlink()
    assert "upload the same file again" in check(house).uploads["uploads/a.csv"]
    uploads.keep(house, [("a.csv", whole)], by="Ida", batch="b")
    assert kept.read_bytes() == whole
    assert not list(uploads.place(house).glob(".part*"))
    # What was taken back on purpose is not missed.
    undo(house, done.batch)
    assert not kept.exists()
    assert check(house).uploads == {}
