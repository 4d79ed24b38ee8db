"""The dashboard's colours: few, each meaning the same on every page, and never the only sign.

The colours are the colour-blind-safe set of M. Okabe and K. Ito, *Color Universal Design* (2008), and a
neutral grey. What must be told apart also differs in shape, in dash or in words.
"""

from __future__ import annotations

BLUE = "#0072B2"
SKY = "#56B4E9"
GREEN = "#009E73"
ORANGE = "#E69F00"
VERMILLION = "#D55E00"
PURPLE = "#CC79A7"
YELLOW = "#F0E442"
BLACK = "#000000"
GREY = "#767676"
INK = "#333333"
PAPER = "#f3f5f7"

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

THEME: dict[str, str] = {
    "theme.base": "light",
    "theme.primaryColor": BLUE,
    "theme.textColor": "#1f2328",
    "theme.backgroundColor": "#ffffff",
    "theme.secondaryBackgroundColor": PAPER,
    "theme.linkColor": BLUE,
}
