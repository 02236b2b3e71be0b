"""How likely players of given levels are to choose each move."""
