"""Hostile runs of the command line: what is done to it, and how each run is judged."""
