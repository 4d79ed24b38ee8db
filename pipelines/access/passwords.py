"""Passwords: how long they are, how they are compared, how they are sealed."""

from __future__ import annotations

import secrets
import unicodedata
from functools import cache
from typing import TYPE_CHECKING

from pipelines.errors import ShopspreadError

if TYPE_CHECKING:
    from argon2 import PasswordHasher

SHORTEST, LONGEST = 15, 256
"""Length of a password where it is the only factor: NIST SP 800-63B-4, section 3.1.1.2 (from memory); no rule on
which signs it must hold, as the same section asks."""


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


@cache
def hasher() -> PasswordHasher:
    """Argon2id at the library's defaults."""
    from argon2 import PasswordHasher

    return PasswordHasher()


@cache
def nobody() -> str:
    """A hash no password fits: an unknown name must cost the time of a known one."""
    return str(hasher().hash(secrets.token_hex(32)))
