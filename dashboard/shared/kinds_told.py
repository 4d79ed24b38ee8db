"""The tests there are a reader for, as the pages name them."""

from __future__ import annotations

from pipelines.kinds import kind, kinds


def cautions(test: str) -> tuple[str, ...]:
    """What to mind when that test is hooked up; of every test where it is not known."""
    known = kind(test)
    if known is not None:
        return known.cautions
    return tuple(sentence for other in kinds().values() for sentence in other.cautions)


def tests() -> list[str]:
    """Every test there is a reader for, by name, in the order of the course."""
    return list(kinds())


def title(test: str | None) -> str:
    """A test's title in words."""
    known = kind(test or "")
    return known.title if known is not None else (test or "no test named").replace("_", " ")
