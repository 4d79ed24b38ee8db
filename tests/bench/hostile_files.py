"""Capture files to be hard on: a good one in every format, ones that state too much, and random accidents."""

from __future__ import annotations

import gzip
import io
import random
from collections.abc import Callable

import asammdf
import h5py
import numpy as np
import pyarrow as pa
import pyarrow.feather
import pyarrow.parquet as pq
from scipy.io import wavfile

from tests.small_shop import RATE_HZ, crank_voltage


def files(seconds: float) -> dict[str, bytes]:
    """One good capture in every format, each written by the format's own library."""
    time_s, battery_v, primary_v = crank_voltage((1, 1, 0.9, 1), seconds=seconds)
    columns = np.column_stack([time_s, battery_v, primary_v])
    found: dict[str, bytes] = {}
    for name, delimiter, comma in (("a.csv", ",", False), ("b.csv", ";", True), ("c.txt", "\t", False)):
        stream = io.StringIO()
        np.savetxt(stream, columns, delimiter=delimiter, fmt="%.6g", header=delimiter.join(
            ["time (s)", "channel 1 (V)", "channel 2 (V)"]), comments="")  # fmt: skip
        text = stream.getvalue()
        found[name] = (text.replace(".", ",") if comma else text).encode()
    found["d.csv"] = found["a.csv"].decode().encode("utf-16")
    found["a.csv.gz"] = gzip.compress(found["a.csv"])
    table = pa.table({"time (s)": time_s, "a (V)": battery_v, "b (V)": primary_v})
    signals = [asammdf.Signal(v, time_s, unit="V", name=n) for n, v in (("a", battery_v), ("b", primary_v))]

    def hdf5(out: io.BytesIO) -> None:
        with h5py.File(out, "w") as file:
            file.attrs["sample_rate"] = RATE_HZ
            file["a"], file["b"] = battery_v, primary_v

    def mdf4(out: io.BytesIO) -> None:
        with asammdf.MDF(version="4.10") as file:
            file.append(signals)
            file.save(out)

    writers: dict[str, Callable[[io.BytesIO], object]] = {
        "a.parquet": lambda out: pq.write_table(table, out),
        "a.arrow": lambda out: pyarrow.feather.write_feather(table, out, compression="uncompressed"),
        "a.npy": lambda out: np.save(out, columns),
        "a.npz": lambda out: np.savez(out, rate_hz=RATE_HZ, a=battery_v, b=primary_v),
        "a.wav": lambda out: wavfile.write(out, int(RATE_HZ), columns[:, 1:].astype(np.float32) / 400),
        "a.h5": hdf5,
        "a.mf4": mdf4,
    }
    for name, write in writers.items():
        sink = io.BytesIO()
        write(sink)
        found[name] = sink.getvalue()
    return found


def bombs() -> dict[str, bytes]:
    """Small files of a hundred million equal values."""
    many = np.zeros(100_000_000, np.float32)
    table = pa.table({"a (V)": many}).replace_schema_metadata({"rate_hz": "1000000"})
    found = {"a.csv.gz": gzip.compress(b"0,0\n" * 50_000_000, 1)}
    sink = io.BytesIO()
    pq.write_table(table, sink, compression="zstd")
    found["a.parquet"] = sink.getvalue()
    sink = io.BytesIO()
    np.savez_compressed(sink, rate_hz=1e6, a=many)
    found["a.npz"] = sink.getvalue()
    sink = io.BytesIO()
    with h5py.File(sink, "w") as file:
        file.attrs["sample_rate"] = 1e6
        file.create_dataset("a", data=many, compression="gzip")
    found["a.h5"] = sink.getvalue()
    sink = io.BytesIO()
    np.save(sink, np.zeros((0, 2)))
    found["a.npy"] = sink.getvalue().replace(b"(0, 2)", b"(9999999999, 2)").ljust(4096, b"\0")
    return found


def damaged(content: bytes, rng: random.Random) -> bytes:
    """The content after one random accident."""
    data = bytearray(content)
    place, length = rng.randrange(len(data) + 1), rng.randrange(1, 400)
    kind = rng.randrange(11)
    if kind == 0:
        return bytes(data[:place])
    if kind == 1:
        del data[place : place + length]
    elif kind == 2:
        data[place:place] = data[place // 2 : place // 2 + length]
    elif kind == 3:
        data[place:place] = bytes(length)
    elif kind == 4:
        for _ in range(rng.randrange(1, 20)):
            at = rng.randrange(len(data) or 1)
            if at < len(data):
                data[at] ^= 1 << rng.randrange(8)
    elif kind == 5:
        data[place:place] = rng.choice(
            [b'"', b"\xff\xfe", b"\x00", b"\n\n", b"\r", b"nan", b"1e999", b"--", b";", b",", b"\x1a"]
        )
    elif kind == 6:
        data[place:place] = rng.randbytes(length)
    elif kind == 7:
        return bytes(data).replace(b"\n", rng.choice([b"\r\n", b"\r", b"\n\r", b" \n"]))
    elif kind == 8:
        return bytes(data) + bytes(data[place : place + 20_000])
    elif kind == 9:  # one digit for another: still a file of its format
        places = [at for at in range(place, min(place + length, len(data))) if 48 <= data[at] <= 57]
        for at in places[: rng.randrange(1, 20)]:
            data[at] = 48 + rng.randrange(10)
    else:
        begin = bytes(data).rfind(b"\n", 0, place) + 1
        end = bytes(data).find(b"\n", place) + 1 or len(data)
        del data[begin:end]
    return bytes(data)
