"""Read files made to break a reader, at full size, and print time, peak memory and what came of each.

    scripts/run bomb_readers [NAME...]      one line for each bomb; exit code 1 if one takes more than 500 MiB or 120 s

Each bomb is read in a process of its own.
"""

from __future__ import annotations

import argparse
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]

MILLION = 1_000_000
MAX_MIB = 500
MAX_SECONDS = 120
START = b"rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq - "
KNIGHTS = [b"Nf3 (Nc3 Nf6 ", b"Nf3 (Nb1 Ng8 "]
GAME = b'[Event "g%d"]\n[Result "*"]\n\n1. e4 e5 2. Nf3 Nc6 3. Bb5 a6 4. Ba4 Nf6 5. O-O Be7 *\n\n'

BOMBS: dict[str, tuple[str, Callable[[], bytes]]] = {
    "nested": ("pgn", lambda: b"".join(KNIGHTS[i % 2] for i in range(100_000)) + b")" * 100_000),
    "replaced": ("pgn", lambda: b"1. e4 " + b"(1. d4 " * 100_000 + b")" * 100_000 + b" e5 *"),
    "unclosed": ("pgn", lambda: b"1. e4 " + b"(" * 10 * MILLION),
    "comment": ("pgn", lambda: b"1. e4 {" + b"x" * 100 * MILLION + b"} e5 2. Nf3 *"),
    "open_comment": ("pgn", lambda: b"1. e4 {" + b"x" * 100 * MILLION),
    "comments": ("pgn", lambda: b"1. e4 " + b"{a}" * 10 * MILLION + b" e5 *"),
    "long_line": ("pgn", lambda: b"Nf3 Nf6 Ng1 Ng8 " * 250_000),
    "games": ("pgn", lambda: b"".join(GAME % i for i in range(200_000))),
    "short_games": ("pgn", lambda: b'[Event "g"]\n\n1. e4 e5 *\n\n' * 200_000),
    "tiny_games": ("pgn", lambda: b"e4 *\n" * MILLION),
    "wrong_games": ("pgn", lambda: b"1. e4 e4 *\n" * 500_000),
    "nags": ("pgn", lambda: b"1. e4 " + b"$1 " * 5 * MILLION + b" e5 *"),
    "all_nags": ("pgn", lambda: b"1. e4 " + b" ".join(b"$%d" % i for i in range(2 * MILLION)) + b" e5 *"),
    "tag": ("pgn", lambda: b'[Event "' + b"x" * 10 * MILLION + b'"]\n\n1. e4 *'),
    "backslashes": ("pgn", lambda: b'[Event "' + b"\\" * 10 * MILLION + b'"]\n\n1. e4 *'),
    "open_tag": ("pgn", lambda: b'[Event "' + b'\\"' * 5 * MILLION),
    "tags": ("pgn", lambda: b'[A "b"]\n' * MILLION + b"1. e4 *"),
    "half_tags": ("pgn", lambda: b"[\n" * MILLION + b"1. e4 *"),
    "word": ("pgn", lambda: b"x" * 100 * MILLION),
    "blanks": ("pgn", lambda: b" " * 100 * MILLION + b"1. e4"),
    "noise": ("pgn", lambda: random.Random(1).randbytes(30 * MILLION)),
    "zeros": ("pgn", lambda: bytes(100 * MILLION)),
    "results": ("pgn", lambda: b"*\n" * 20 * MILLION),
    "utf16": ("pgn", lambda: b"\xff\xfe" + ("1. e4 {" + "x" * 20 * MILLION + "} e5").encode("utf-16-le")),
    "san_lines": ("txt", lambda: b"e4 e5 Nf3 Nc6\n" * 300_000),
    "continued": ("txt", lambda: b"2. Nf3 Nc6\n" * 300_000),
    "positions": ("epd", lambda: (START + b"0 1\n") * 200_000),
    "operations": ("epd", lambda: START + b"x" * 10 * MILLION),
    "strings": ("epd", lambda: (START + b'a "' * 3_200 + b"\n") * 500),
}


def read_one(name: str) -> None:
    """Make a bomb, read it, say what came of it."""
    from trapscan import graph, repertoire
    from trapscan.errors import TrapscanError

    suffix, make = BOMBS[name]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"{name}.{suffix}"
        path.write_bytes(make())
        size = path.stat().st_size / MILLION
        Path("/proc/self/clear_refs").write_text("5")  # the peak counts from here
        began = time.perf_counter()
        try:
            read = repertoire.read_files([path])
            built = graph.build(read)
            texts = [problem.text for problem in read.problems[:2]]
            outcome = (
                f"{len(read.games)} games, {len(built.positions)} positions, {len(read.problems)} problems {texts}"
            )
        except TrapscanError as exc:
            outcome = f"{type(exc).__name__}: {exc}"
        seconds = time.perf_counter() - began
    peak = next(int(x.split()[1]) for x in Path("/proc/self/status").read_text().splitlines() if x[:5] == "VmHWM")
    print(f"{name:13}{size:7.1f} MB {seconds:6.1f} s {peak / 1024:5.0f} MiB  {outcome}", flush=True)
    sys.exit(seconds > MAX_SECONDS or peak / 1024 > MAX_MIB)


if __name__ == "__main__":
    if len(sys.argv) == 3 and sys.argv[1] == "--one":
        read_one(sys.argv[2])
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("names", nargs="*", metavar="NAME", help=", ".join(BOMBS))
    names = ask.parse_args().names
    if unknown := set(names) - set(BOMBS):
        ask.error(f"no such bomb: {', '.join(sorted(unknown))}")
    failed = [
        name
        for name in names or BOMBS
        if subprocess.run([sys.executable, __file__, "--one", name], check=False).returncode
    ]
    print("all within bounds" if not failed else f"out of bounds: {', '.join(failed)}")
    sys.exit(bool(failed))
