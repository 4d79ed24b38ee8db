"""One thread for linear algebra, where it matters that a sum comes out the same everywhere."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache

from threadpoolctl import ThreadpoolController


@cache
def _controller() -> ThreadpoolController:
    # Asking the process for its libraries takes milliseconds: once is enough.
    return ThreadpoolController()


@contextmanager
def one_thread() -> Iterator[None]:
    """Work with one thread of linear algebra, and leave the process as it was.

    Everything here multiplies small matrices, and an ingest runs one process a processor: threads inside
    each multiplication only get in each other's way. And with other threads a sum is added up in another
    order, so that the last digit of a reading would depend on who made it.
    """
    with _controller().limit(limits=1):
        yield
