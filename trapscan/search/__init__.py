"""From a position to its verified slips."""
