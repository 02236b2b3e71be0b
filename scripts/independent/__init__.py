"""A second look at reports that shares no code with trapscan: the standard library and python-chess only."""
