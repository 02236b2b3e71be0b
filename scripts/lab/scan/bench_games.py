"""One file of very many games, in every form that such files come in: games a second, peak memory, equal counts.

    scripts/run bench_games ../shared/data/human_games.tsv.gz ../shared/data/openings/c.tsv
    scripts/run bench_games GAMES OPENINGS --form plain --form utf-16 --games 20000

Written out are --distinct different games (every other one with clock comments), over and over until --games are
there: what a reader remembers of beginnings is full long before they come again. They are counted by one process for
the positions of the named openings, to the 40th ply. Of each form a file of the first --sample games is counted by
python-chess's own reader too, and the counts must be equal.
"""

from __future__ import annotations

import argparse
import bz2
import codecs
import gzip
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from itertools import cycle, islice
from pathlib import Path
from typing import Any, cast

import chess.pgn

from scripts.lab.chance.games import read_games
from scripts.lab.chance.written import as_pgn, named_positions
from trapscan.chance import count_games

ROOT = Path(__file__).resolve().parents[3]

PLIES = 40
FORMS: dict[str, tuple[str, Callable[[str], bytes]]] = {
    "plain": (".pgn", str.encode),
    "gz": (".pgn.gz", str.encode),
    "bz2": (".pgn.bz2", str.encode),
    "crlf": (".pgn", lambda text: text.replace("\n", "\r\n").encode()),
    "cr": (".pgn", lambda text: text.replace("\n", "\r").encode()),
    "bom": (".pgn", str.encode),
    "utf-16": (".pgn", lambda text: text.encode("utf-16-le")),
    "untagged": (".pgn", lambda text: text.partition("\n\n")[2].encode()),
}
"""The ending of the file's name, and the bytes of a game."""
MARKS = {"bom": codecs.BOM_UTF8, "utf-16": codecs.BOM_UTF16_LE}


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("games_file", type=Path)
    ask.add_argument("openings", nargs="*", type=Path, help="ECO code, name, moves, by tabs")
    ask.add_argument("--games", type=int, default=200_000)
    ask.add_argument("--distinct", type=int, default=40_000)
    ask.add_argument("--sample", type=int, default=5_000)
    ask.add_argument("--form", action="append", choices=FORMS)
    ask.add_argument("--count", type=Path, help=argparse.SUPPRESS)
    args = ask.parse_args()
    if args.count:
        print(json.dumps(counted(args.games_file, set(args.count.read_text().splitlines()))))
        return
    games = islice((game for game in read_games(args.games_file) if len(game.moves) > 31), args.distinct)
    texts = [as_pgn(game, clock=bool(i % 2)) for i, game in enumerate(games)]
    failed = False
    with tempfile.TemporaryDirectory() as folder:
        positions = Path(folder) / "positions"
        positions.write_text("\n".join(sorted(named_positions(args.openings))))
        for form in args.form or FORMS:
            whole, part = (Path(folder) / f"{name}{FORMS[form][0]}" for name in ("whole", "part"))
            write(whole, form, islice(cycle(texts), args.games))
            write(part, form, islice(cycle(texts), args.sample))
            found, some = (apart(path, positions) for path in (whole, part))
            theirs = by_python_chess(part, form, set(positions.read_text().splitlines()))
            equal = theirs == (some["games"], some["counts"]) and found["games"] == args.games
            failed |= not equal
            print(
                f"{form:9} {found['games']:,} games, {whole.stat().st_size / 2**20:.0f} MiB: "
                f"{found['games'] / found['seconds']:,.0f} games a second, {found['memory']:.0f} MiB; "
                f"sample of {theirs[0]:,} equal to python-chess: {equal}",
                flush=True,
            )
            whole.unlink()
    if failed:
        raise SystemExit("the counts differ")


def write(path: Path, form: str, texts: Iterator[str]) -> None:
    with opened(path, "wb") as file:
        file.write(MARKS.get(form, b""))
        for text in texts:
            file.write(FORMS[form][1](text))


def opened(path: Path, mode: str, encoding: str | None = None) -> Any:
    """The file, packed as its name says."""
    packed = {".gz": gzip.open, ".bz2": bz2.open}.get(path.suffix, open)
    return cast(Any, packed)(path, mode, encoding=encoding)


def apart(path: Path, positions: Path) -> dict[str, Any]:
    """What `counted` says, of a process of its own: its memory is that of the counting."""
    words = [sys.executable, __file__, str(path), "--count", str(positions)]
    return dict(json.loads(subprocess.run(words, check=True, capture_output=True, text=True).stdout))


def counted(path: Path, wanted: set[str]) -> dict[str, object]:
    before = time.process_time()
    found = count_games([path], wanted, max_ply=PLIES)
    return {
        "games": found.games,
        "counts": sorted([epd, move, n] for epd, moves in found.counts.items() for move, n in moves.items()),
        "seconds": time.process_time() - before,
        "memory": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }


def by_python_chess(path: Path, form: str, wanted: set[str]) -> tuple[int, list[list[object]]]:
    counts: Counter[tuple[str, str]] = Counter()
    games = 0
    with opened(path, "rt", encoding="utf-16" if form == "utf-16" else "utf-8-sig") as file:
        while (game := chess.pgn.read_game(file)) is not None:
            games += 1
            board = game.board()
            for move in islice(game.mainline_moves(), PLIES):
                if (epd := board.epd()) in wanted:
                    counts[epd, move.uci()] += 1
                board.push(move)
    return games, sorted([epd, move, n] for (epd, move), n in counts.items())


if __name__ == "__main__":
    main()
