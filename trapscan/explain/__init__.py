"""Explaining slips as a coach would: what is won, by which motif, why it tempts, why it fails, where it is fine.

Pure functions over positions and lines; no engine is asked here.
"""

from trapscan.explain.compare import Candidate, look_alikes, move_order_hint
from trapscan.explain.gain import needs_more
from trapscan.explain.instead import instead
from trapscan.explain.motif import Motif, MotifClass, MotifKind, Tier
from trapscan.explain.motifs import REGISTRY, any_tactical, find_motifs, tactical
from trapscan.explain.play import Play
from trapscan.explain.slip import Explanation, explain_slip

__all__ = [
    "REGISTRY",
    "Candidate",
    "Explanation",
    "Motif",
    "MotifClass",
    "MotifKind",
    "Play",
    "Tier",
    "any_tactical",
    "explain_slip",
    "find_motifs",
    "instead",
    "look_alikes",
    "move_order_hint",
    "needs_more",
    "tactical",
]
