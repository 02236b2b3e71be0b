"""Everything a person or another tool reads, rendered from a scan."""
