"""Shapes of delimited text, written plainly: what `read_waveform` must read back to the same samples."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
TIME_FACTORS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "seconds": 1.0}
VALUE_FACTORS = {"V": 1.0, "mV": 1e-3, "kV": 1e3, "A": 1.0, "mA": 1e-3, "": 1.0}


@dataclass(frozen=True, slots=True)
class Dialect:
    """One shape. `head` stands above the table, line by line; `{interval}` and `{rate}` are filled in."""

    name: str
    delimiter: str = ","
    comma: bool = False
    head: tuple[str, ...] = ("time (s),battery (V),primary (V)",)
    time_unit: str | None = "s"
    value_unit: str = "V"
    quoted: bool = False
    trailing: bool = False
    blank: str = ""
    line_end: str = "\n"
    encoding: str = "utf-8"
    scientific: bool = False
    foot: str = ""
    mark: str = ""
    zipped: bool = False

    def number(self, value: float, decimals: int = 4) -> str:
        """One cell."""
        text = f"{value:.{decimals + 4}e}" if self.scientific else f"{value:.{decimals}f}"
        text = text.replace(".", ",") if self.comma else text
        return f'"{text}"' if self.quoted else text

    def cell(self, value: float) -> str:
        """One sample; NaN is written as the dialect's mark."""
        return self.mark if np.isnan(value) else self.number(value / VALUE_FACTORS[self.value_unit])

    def write(self, rate_hz: float, samples: Array, start_s: float = 0.0) -> bytes:
        """The file's bytes for samples of shape (channels, samples) in V or A."""
        decimal = "," if self.comma else "."
        facts = {
            "interval": f"{1 / rate_hz:.9f}".replace(".", decimal),
            "rate": f"{rate_hz:.1f}".replace(".", decimal),
        }
        lines = [line.format(**facts) for line in self.head]
        for k in range(samples.shape[1]):
            cells = [self.cell(value) for value in samples[:, k]]
            if self.time_unit is not None:
                factor = TIME_FACTORS[self.time_unit]
                decimals = max(0, 7 + round(np.log10(factor)))
                cells.insert(0, self.number((start_s + k / rate_hz) / factor, decimals))
            lines.append(
                (self.delimiter + self.blank).join(cells) + (self.delimiter if self.trailing else "")
            )
        text = self.line_end.join(lines) + self.line_end + self.foot
        return text.encode(self.encoding)


DIALECTS: tuple[Dialect, ...] = (
    Dialect("comma"),
    Dialect("no header", head=()),
    Dialect("semicolon", ";", head=("time (s);battery (V);primary (V)",)),
    Dialect("tab", "\t", head=("Time [s]\tbattery [V]\tprimary [V]",)),
    Dialect("decimal comma", ";", comma=True, head=("Zeit (s);Kanal A (V);Kanal B (V)",)),
    Dialect("decimal comma, tab", "\t", comma=True, head=("Time (s)\tA\tB",)),
    Dialect("decimal comma in quotes", ",", comma=True, quoted=True, head=('"Time (s)","A (V)","B (V)"',)),
    Dialect("units row", ";", head=("time;a;b", "(ms);(mV);(mV)", ""), time_unit="ms", value_unit="mV"),
    Dialect("bare units row", "\t", head=("t\ta\tb", "us\tmV\tmV"), time_unit="us", value_unit="mV"),
    Dialect("units row alone", ";", head=("ms;mV;mV",), time_unit="ms", value_unit="mV"),
    Dialect("units above names", head=("[ms],[V],[V]", "time,a,b"), time_unit="ms"),
    Dialect("micro sign", head=("Time (µs),a (kV),b (kV)",), time_unit="µs", value_unit="kV"),
    Dialect("latin-1", head=("Zeit (µs),a,b",), time_unit="µs", encoding="latin-1"),
    Dialect("greek mu, utf-16", head=("time (μs),a,b",), time_unit="us", encoding="utf-16"),
    Dialect("utf-16 without mark", encoding="utf-16-le"),
    Dialect("byte order mark", head=(), encoding="utf-8-sig"),
    Dialect("byte order mark and header", encoding="utf-8-sig"),
    Dialect("slashed units", head=("t / ms,U / mV,U2 / mV",), time_unit="ms", value_unit="mV"),
    Dialect("worded units", head=("time in ms,first in mV,second in mV",), time_unit="ms", value_unit="mV"),
    Dialect("underscored units", head=("time_ms,ch1_mV,ch2_mV",), time_unit="ms", value_unit="mV"),
    Dialect("lettered channels", head=("time (s),channel A,channel S",)),
    Dialect("amperes", head=("time (s),starter (A),pump (A)",), value_unit="A"),
    Dialect(
        "preamble",
        head=("saved capture", "Date: 2026-03-02 10:12:00", "", "Range;20 V", "time (s),a (V),b (V)"),
    ),
    Dialect("preamble with numbers", head=("1000", "3", "5,6", "time (s),a,b")),
    Dialect("interval in a line", "\t", head=("sample interval: {interval} s", "a\tb"), time_unit=None),
    Dialect(
        "interval in cells", ";", comma=True, head=("Sample interval;{interval};s", "a;b"), time_unit=None
    ),
    Dialect("interval without header", head=("Sampling period = {interval} s",), time_unit=None),
    Dialect("interval with bracketed unit", head=("Time increment (s),{interval}", "a,b"), time_unit=None),
    Dialect(
        "interval in decimal comma", ";", comma=True, head=("Intervall: {interval} s", "A;B"), time_unit=None
    ),
    Dialect("rate", head=("# rate: {rate} Hz",), time_unit=None),
    Dialect("rate with a blank", head=("sample rate {rate} Hz", "a,b"), time_unit=None),
    Dialect("rate in samples", "\t", head=("Sampling rate\t{rate}\tS/s", "a\tb"), time_unit=None),
    Dialect("time column and rate", head=("rate: {rate} Hz", "time (s),a,b")),
    Dialect("crlf", line_end="\r\n"),
    Dialect("old line ends", line_end="\r"),
    Dialect("blanks after commas", head=("time (s), a (V), b (V)",), blank=" "),
    Dialect("blanks before commas", ";", head=("time (s);a;b",), blank="   "),
    Dialect("trailing delimiter", head=("time (s),a,b,",), trailing=True),
    Dialect("trailing delimiter below only", trailing=True),
    Dialect("quoted", quoted=True, head=('"time (s)","a, the first","b ""second"""',)),
    Dialect("scientific", scientific=True),
    Dialect("scientific with comma", ";", comma=True, scientific=True, head=("time (s);a;b",)),
    Dialect("blank lines below", foot="\n\n\n"),
    Dialect("spreadsheet separator line", ";", head=("sep=;", "time (s);a;b")),
    Dialect("commented head", head=("# made by hand", "# time (s),a,b")),
    Dialect("zipped", zipped=True),
    *(
        Dialect(f"mark {mark}", mark=mark)
        for mark in ("inf", "-inf", "NaN", "∞", "-∞", "---", "--", "Infinity", "n/a")
    ),
    Dialect("mark empty", mark=""),
    Dialect("mark empty, decimal comma", ";", comma=True, head=("time (s);a;b",), mark=""),
    Dialect("mark infinite, decimal comma", ";", comma=True, head=("time (s);a;b",), mark="∞"),
)
