"""Slips explained as a scan explains them, from lines tried with an engine: what the scripts about sentences share."""
