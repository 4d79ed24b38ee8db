"""Small constructed captures as text, for the tests of the readers."""

from __future__ import annotations

from pathlib import Path


def save(tmp_path: Path, content: bytes | str, name: str = "capture.csv") -> Path:
    path = tmp_path / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def numbered(count: int = 100, *, rate_hz: float = 1000.0, first: int = 0) -> list[str]:
    return [f"{k / rate_hz:.4f},{12 + (k % 7) / 8:.3f},{k % 5}.5" for k in range(first, first + count)]


HEAD = "time (s),a (V),b (V)"


def lines(*parts: str | list[str]) -> str:
    return "\n".join(line for part in parts for line in ([part] if isinstance(part, str) else part)) + "\n"
