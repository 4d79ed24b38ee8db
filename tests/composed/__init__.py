"""Cranking captures composed at random from physics: `draw(seed)`, then `simulate(drawn)`."""

from tests.composed.draws import draw
from tests.composed.parameters import Drawn
from tests.composed.troubles import cured, troubles_of
from tests.composed.truth import Truth, simulate

__all__ = ["Drawn", "Truth", "cured", "draw", "simulate", "troubles_of"]
