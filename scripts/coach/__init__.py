"""Findings that coaches have judged: reading them, examining them as a scan does, and fitting the worth to them."""
