"""A file that appears whole or not at all, and in the place of the one before or not at all."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path


@contextmanager
def whole(path: Path) -> Iterator[Path]:
    """A path beside the file to write to: moved into its place at the end, gone where the writing failed.

    Raises:
        OSError: when it cannot be moved; what stood in the place still does.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        yield part
        part.replace(path)
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
