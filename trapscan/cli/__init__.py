"""The command line: arguments in, an exit code out. Each command is a thin function over the library."""

from __future__ import annotations

import sys
from collections.abc import Sequence

from trapscan.cli.interrupts import Interrupts

__all__ = ["main"]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code (0 done, 1 done with problems, or not all could be printed, 2 usage or
    input, 3 no usable engine, 4 an error of ours, 130 interrupted). Without `arguments`: those of this process, which
    ends afterwards."""
    with Interrupts(stay=arguments is None) as interrupts:
        from trapscan.cli.door import run

        return run(sys.argv[1:] if arguments is None else arguments, interrupts)
