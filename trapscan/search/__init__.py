"""From a position to its verified slips. Knows nothing of files, processes or reports: it is handed chances and
something that evaluates (`trapscan.model.Evaluator`), so a table of scores tests it as well as an engine drives it."""

from trapscan.search.candidates import choose_candidates
from trapscan.search.examine import Examiner

__all__ = ["Examiner", "choose_candidates"]
