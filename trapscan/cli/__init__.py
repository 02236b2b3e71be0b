"""The command line: arguments in, an exit code out. Each command is a thin function over the library."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Sequence
from types import FrameType

from trapscan.cli.parser import build_parser
from trapscan.errors import EXIT_INTERRUPTED, TrapscanError
from trapscan.plain import plain

__all__ = ["main"]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code (0 done, 1 done with problems, 2 usage or input, 3 no usable engine,
    130 interrupted)."""
    options = build_parser().parse_args(arguments)
    previous = signal.signal(signal.SIGTERM, _as_interrupt)
    try:
        code: int = options.run(options)
        sys.stdout.flush()
        return code
    except TrapscanError as exc:
        print(f"trapscan: {plain(str(exc))}", file=sys.stderr)
        return exc.exit_code
    except KeyboardInterrupt:
        print("\ntrapscan: interrupted; what is finished is kept, the same command goes on from there", file=sys.stderr)
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        # the reader of our output has gone (`| head`): nothing is wrong, and nothing more can be said
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    finally:
        signal.signal(signal.SIGTERM, previous)


def _as_interrupt(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt
