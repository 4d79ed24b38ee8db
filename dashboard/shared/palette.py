"""The dashboard's colours: few, each meaning the same on every page, and never the only sign.

The colours are the colour-blind-safe set of M. Okabe and K. Ito, *Color Universal Design* (2008), and a
neutral grey. What must be told apart also differs in shape, in dash or in words.
"""

from __future__ import annotations

import sys

BLUE = "#0072B2"
SKY = "#56B4E9"
GREEN = "#009E73"
ORANGE = "#E69F00"
VERMILLION = "#D55E00"
PURPLE = "#CC79A7"
YELLOW = "#F0E442"
GREY = "#767676"
PAPER = "#f3f5f7"
NIGHT = "#0e1117"

# What depends on the background: read as `palette.INK`, `palette.BLACK`, `palette.GRID`.
_ON_LIGHT = {"INK": "#333333", "BLACK": "#000000", "GRID": "#e6e8eb"}
_ON_DARK = {"INK": "#d5d9de", "BLACK": "#ffffff", "GRID": "#363b44"}

USUAL = BLUE
ODD = VERMILLION
UNSURE = GREY
BAND = SKY
SCOPED = GREEN
NOT_SCOPED = ORANGE
PRACTICE = YELLOW
MARK = PURPLE

# The legend, worded once; pages show it in the sidebar and charts take their words from here.
LEGEND: tuple[tuple[str, str], ...] = (
    (USUAL, "usual: even, right, as it should be"),
    (ODD, "odd: flagged, wrong, wants a look"),
    (UNSURE, "too little to say, or not known"),
    (BAND, "band: normal spread, or a 95 % interval"),
    (SCOPED, "with the scope"),
    (NOT_SCOPED, "without the scope"),
    (PRACTICE, "practice (drills)"),
    (MARK, "a decision, a coaching day or an index pulse"),
)

# Shapes go with the colours, so that a page printed in grey still reads.
SHAPES: dict[str, str] = {"usual": "circle", "odd": "triangle-down", "too little to say": "diamond"}
VERDICTS: dict[str, str] = {"usual": USUAL, "odd": ODD, "too little to say": UNSURE}

# No base: the browser's own choice between light and dark holds, and the menu of the page changes it.
THEME: dict[str, str] = {
    "theme.light.primaryColor": BLUE,
    "theme.light.textColor": "#1f2328",
    "theme.light.backgroundColor": "#ffffff",
    "theme.light.secondaryBackgroundColor": PAPER,
    "theme.light.linkColor": BLUE,
    "theme.dark.primaryColor": SKY,
    "theme.dark.textColor": "#e6e9ed",
    "theme.dark.backgroundColor": NIGHT,
    "theme.dark.secondaryBackgroundColor": "#22272f",
    "theme.dark.linkColor": SKY,
}


def dark() -> bool:
    """Whether the page being drawn is dark; never outside of one."""
    streamlit = sys.modules.get("streamlit")
    if streamlit is None:
        return False
    return bool(streamlit.context.theme.type == "dark")


def __getattr__(name: str) -> str:
    if name in _ON_LIGHT:
        return (_ON_DARK if dark() else _ON_LIGHT)[name]
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
