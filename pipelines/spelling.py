"""How a name is found however it is spelt: by its words, and what may stand between two of them."""

from __future__ import annotations

import re

WORD = re.compile(r"[^\W_]+")
BETWEEN = "[\\s_.,'\u2019-]*"
"""A class that DuckDB's and Python's regular expressions both know."""
