"""How likely a player of a given level is to choose each move, and what a score is worth at that level."""

from trapscan.chance.net import NetModel, load_model
from trapscan.chance.value import expected, k_at

__all__ = ["NetModel", "expected", "k_at", "load_model"]
