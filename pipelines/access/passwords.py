"""Passwords: how long they are, how they are compared, how they are sealed."""

from __future__ import annotations

import secrets
import threading
import unicodedata
from functools import cache
from typing import TYPE_CHECKING

from pipelines.errors import ShopspreadError

if TYPE_CHECKING:
    from argon2 import PasswordHasher

SHORTEST, LONGEST = 15, 256
"""Length of a password where it is the only factor: NIST SP 800-63B-4, section 3.1.1.2 (from memory); no rule on
which signs it must hold, as the same section asks."""
_AT_ONCE = threading.BoundedSemaphore(4)
"""So many are weighed at once: each takes 64 MiB at the library's defaults, and a whole shop may come at eight."""


def folded(text: str) -> str:
    """A text with look-alike forms of the same letters made one (Unicode NFKC)."""
    return unicodedata.normalize("NFKC", text)


def prepared(password: str) -> str:
    """A password as it is hashed.

    Raises:
        ShopspreadError: when it is too short or too long.
    """
    made_one = folded(password)
    if not SHORTEST <= len(made_one) <= LONGEST:
        raise ShopspreadError(
            f"A password has at least {SHORTEST} signs (a few words you remember do well) and at most {LONGEST}."
        )
    return made_one


def sealed(password: str) -> str:
    """A password as it is kept.

    Raises:
        ShopspreadError: when it is too short or too long.
    """
    given = prepared(password)
    with _AT_ONCE:
        return str(hasher().hash(given))


def matched(stored: str | None, password: str) -> str | None:
    """How a password is to be kept from now on, None where it is not the one that is kept.

    Args:
        stored: as it is kept; None where nobody is known by the name: that takes the same time.
    """
    from argon2.exceptions import VerificationError

    given = folded(password)[:LONGEST]
    with _AT_ONCE:
        try:
            hasher().verify(stored or nobody(), given)
        except VerificationError:
            return None
        if stored is None:
            return None
        return str(hasher().hash(given)) if hasher().check_needs_rehash(stored) else stored


@cache
def hasher() -> PasswordHasher:
    """Argon2id at the library's defaults."""
    from argon2 import PasswordHasher

    return PasswordHasher()


@cache
def nobody() -> str:
    """A hash no password fits: an unknown name must cost the time of a known one."""
    return str(hasher().hash(secrets.token_hex(32)))
