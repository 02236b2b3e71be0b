"""How likely a player of a given level is to choose each move, and what a score is worth at that level."""

from trapscan.chance.calibration import chance_range
from trapscan.chance.cli_text import boards_from_lines, chance_row, report_json, report_text
from trapscan.chance.evidence import BLEND_K, PLAYER_K, CountedModel, Evidence, blend
from trapscan.chance.found import FOUND, Found
from trapscan.chance.games import count_games
from trapscan.chance.net import BATCH, Conditions, NetModel, load_model
from trapscan.chance.value import expected, k_at

__all__ = [
    "BATCH",
    "BLEND_K",
    "FOUND",
    "PLAYER_K",
    "Conditions",
    "CountedModel",
    "Evidence",
    "Found",
    "NetModel",
    "blend",
    "boards_from_lines",
    "chance_range",
    "chance_row",
    "count_games",
    "expected",
    "k_at",
    "load_model",
    "report_json",
    "report_text",
]
