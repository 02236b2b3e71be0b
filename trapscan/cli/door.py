"""The last door: whatever a command meets, it ends with a line for the user and an exit code."""

from __future__ import annotations

import sys
import tempfile
import time
import traceback
from collections.abc import Sequence
from pathlib import Path

from trapscan.cli.interrupts import SAID, Interrupts
from trapscan.cli.parser import build_parser
from trapscan.cli.streams import Stream, sheltered
from trapscan.errors import (
    EXIT_DONE,
    EXIT_INTERNAL,
    EXIT_INTERRUPTED,
    EXIT_PROBLEMS,
    EXIT_USAGE,
    TrapscanError,
)
from trapscan.sanitize import sanitize

REPORTED = "please report it, with that file"


def run(arguments: Sequence[str], interrupts: Interrupts) -> int:
    """Run one command; see `trapscan.cli.main`. SystemExit as argparse raises it."""
    with sheltered() as out:
        ended: SystemExit | None = None
        try:
            code = _guarded(arguments, interrupts)
        except SystemExit as exc:  # help, or a word that argparse does not understand
            ended, code = exc, exc.code if isinstance(exc.code, int) else EXIT_USAGE
        code = _told(out, code)
        if ended is not None:
            raise SystemExit(code) from None
    return code


def _told(out: Stream, code: int) -> int:
    """The exit code once all is printed: a success of which something was lost is none."""
    out.flush()
    if not out.lost:
        return code
    print(f"trapscan: not all could be written to standard output ({out.lost})", file=sys.stderr)
    return EXIT_PROBLEMS if code == EXIT_DONE else code


def _guarded(arguments: Sequence[str], interrupts: Interrupts) -> int:
    try:
        options = build_parser().parse_args(arguments)
        options.begun = interrupts.begun
        code: int = options.run(options)
        return code
    except TrapscanError as exc:
        if not interrupts.came:
            print(f"trapscan: {sanitize(str(exc))}", file=sys.stderr)
            return exc.exit_code
    except KeyboardInterrupt:
        pass
    except MemoryError:
        print("trapscan: memory is short: free some, or give it fewer files or --jobs", file=sys.stderr)
        return EXIT_USAGE
    except Exception as exc:
        if not interrupts.came:  # else it is what became of the interrupt on its way
            print(f"trapscan: {_internal(exc)}", file=sys.stderr)
            return EXIT_INTERNAL
    sys.stderr.write(SAID)
    return EXIT_INTERRUPTED


def _internal(exc: Exception) -> str:
    """The line for an error that nobody foresaw; its traceback goes into a file."""
    what = sanitize(f"internal error: {type(exc).__name__} {exc}", limit=300)
    text = "".join(traceback.format_exception(exc))
    for folder in _folders():
        path = folder / f"trapscan-error-{time.strftime('%Y%m%d-%H%M%S')}.txt"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8", errors="backslashreplace")
        except OSError:
            continue
        return f"{what}; where it arose is written in {sanitize(str(path))}: {REPORTED}"
    return f"{what}, at {_place(exc)}; please report it"


def _folders() -> list[Path]:
    """Where the traceback may go, in order: beside the store, or among the passing files."""
    folders = []
    try:
        from trapscan.engines.store import store_folder

        folders.append(store_folder())
    except Exception:  # what is broken may be just this
        pass
    return [*folders, Path(tempfile.gettempdir())]


def _place(exc: Exception) -> str:
    frames = traceback.extract_tb(exc.__traceback__)
    return f"{Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else "an unknown place"
