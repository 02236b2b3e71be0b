"""From a position to its verified slips. Knows nothing of files, processes or reports: it is handed chances and
something that evaluates (`trapscan.model.Evaluator`), so a table of scores tests it as well as an engine drives it."""

from trapscan.search.baits import MUCH, PRICE_TIMES, Prospector
from trapscan.search.candidates import choose_candidates
from trapscan.search.examine import Examiner
from trapscan.search.worth import Net, Worth, best_play, net, pays_below, worth

__all__ = [
    "MUCH",
    "PRICE_TIMES",
    "Examiner",
    "Net",
    "Prospector",
    "Worth",
    "best_play",
    "choose_candidates",
    "net",
    "pays_below",
    "worth",
]
