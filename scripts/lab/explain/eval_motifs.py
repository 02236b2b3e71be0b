"""Precision and recall of the motif rules against labelled tactics.

    scripts/run eval_motifs ../shared/data/motifs/all_themed.tsv.gz          the part kept aside: the figures to quote
    scripts/run eval_motifs FILE --part tune --share 0.2                         a fifth of the part to tune on
    scripts/run eval_motifs FILE --part tune --miss fork --show 10               labelled, but not found by the rules
    scripts/run eval_motifs FILE --part tune --false fork --show 10              found, but not labelled
    scripts/run eval_motifs FILE --part tune --pairs                             one discovered check, labelled two ways

FILE is tab-separated, gzipped: fen_before, slip, refutation (UCI, the punisher first), rating, themes, ... A row
belongs to the part kept aside when the SHA-256 of "fen_before slip", taken as a number, is divisible by five. LABELS
says which of the file's labels stand for which of our motifs; the labels serve for scoring only.
"""

from __future__ import annotations

import argparse
import gzip
import hashlib
import signal
import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import chess

from trapscan.explain import find_motifs

ROOT = Path(__file__).resolve().parents[3]

FIRST, SECOND = (0.90, 0.85), (0.80, 0.70)

# The file marks a discovered check as such in about half of the rows where one occurs, the very same moves now with the
# label and now without (--pairs shows them), and each of them as a discovered attack or a double check: for this motif
# a row with one of these labels and our motif is counted apart as "labelled in other words".
OTHER_WORDS = {"discovered check": {"discoveredAttack", "doubleCheck"}}

# A form of a motif on which the file's labels agree with us, scored beside the whole: the labels leave out a removal of
# the guard that comes with check.
QUIET_REMOVAL = "  without a check"

LABELS: dict[str, tuple[tuple[str, ...], tuple[str, ...], tuple[float, float]]] = {
    # shown as: (our motifs, the file's labels, goal)
    "fork": (("fork",), ("fork",), FIRST),
    "skewer": (("skewer",), ("skewer",), FIRST),
    "double check": (("double check",), ("doubleCheck",), FIRST),
    "discovered check": (("discovered check",), ("discoveredCheck",), FIRST),
    "back-rank mate": (("back-rank mate",), ("backRankMate",), FIRST),
    "smothered mate": (("smothered mate",), ("smotheredMate",), FIRST),
    "promotion": (("promotion",), ("promotion",), FIRST),
    "pin": (("pin",), ("pin",), SECOND),
    "discovered attack": (("discovered attack",), ("discoveredAttack",), SECOND),
    "hanging piece": (("hanging piece",), ("hangingPiece",), SECOND),
    "trapped piece": (("trapped piece",), ("trappedPiece",), SECOND),
    "removal of the guard": (("removal of the guard",), ("capturingDefender",), SECOND),
    QUIET_REMOVAL: ((QUIET_REMOVAL,), ("capturingDefender",), SECOND),
    "deflection": (("deflection",), ("deflection",), SECOND),
    "decoy": (("decoy",), ("attraction",), SECOND),
    "interference": (("interference",), ("interference",), SECOND),
    "zwischenzug": (("zwischenzug",), ("intermezzo",), SECOND),
    "weak f7/f2": (("weak f7", "weak f2"), ("attackingF2F7",), SECOND),
}


def rows(path: Path, part: str, share: float) -> Iterator[tuple[str, str, list[str], set[str]]]:
    """(fen, slip, line, labels) of the wanted part; of it the given share, chosen by the same hash."""
    with gzip.open(path, "rt", encoding="utf-8") as file:
        next(file)
        for text in file:
            fen, slip, line, _, labels, *_ = text.rstrip("\n").split("\t")
            number = int(hashlib.sha256(f"{fen} {slip}".encode()).hexdigest(), 16)
            aside = number % 5 == 0
            if (part == "all" or aside == (part == "aside")) and (number // 5) % 1000 < share * 1000:
                yield fen, slip, line.split(), set(labels.split())


def found_in(fen: str, slip: str, line: list[str]) -> set[str]:
    board = chess.Board(fen)
    board.push_uci(slip)
    motifs = find_motifs(board, line)
    names = {motif.name for motif in motifs}
    for motif in motifs:
        if motif.name == "removal of the guard":
            after = board.copy()
            for uci in line[: motif.ply]:
                after.push_uci(uci)
            names |= set() if after.is_check() else {QUIET_REMOVAL}
    return names


def pairs(path: Path, part: str, share: float, show: int) -> None:
    """Discovered checks by the same piece with the same move for the same piece behind it, as the file labels them:
    such twins with and without the label are told apart by nothing on the board that makes the check."""
    twins: dict[tuple[object, ...], dict[bool, list[str]]] = {}
    for fen, slip, line, labels in rows(path, part, share):
        board = chess.Board(fen)
        board.push_uci(slip)
        for motif in find_motifs(board, line):
            if motif.name == "discovered check":
                after = board.copy()
                for uci in line[: motif.ply]:
                    after.push_uci(uci)
                mover, behind = after.piece_at(after.peek().to_square), after.piece_at(motif.actor)
                key = (str(mover), after.peek().uci(), str(behind), motif.actor)
                text = f"{fen} | {slip} {' '.join(line)} | {' '.join(sorted(labels))}"
                twins.setdefault(key, {}).setdefault("discoveredCheck" in labels, []).append(text)
    mixed = [found for found in twins.values() if len(found) == 2]
    print(f"{len(twins)} discovered checks by moving piece, move and checking piece; {len(mixed)} of them occur both")
    print("with the label discoveredCheck and without")
    for found in mixed[:show]:
        print(f"with:    {found[True][0]}\nwithout: {found[False][0]}\n")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("file", type=Path)
    parser.add_argument("--part", choices=("aside", "tune", "all"), default="aside")
    parser.add_argument("--share", type=float, default=1.0, help="share of the part to use, by hash")
    parser.add_argument("--miss", choices=LABELS, help="show rows labelled so that the rules do not find")
    parser.add_argument("--false", choices=LABELS, dest="wrong", help="show rows found but not labelled so")
    parser.add_argument("--pairs", action="store_true", help="the same discovered check with the label and without")
    parser.add_argument("--show", type=int, default=5)
    args = parser.parse_args()
    if not args.file.exists():
        print(f"{args.file} is missing: give the tactics file by path", file=sys.stderr)
        return 2
    if args.pairs:
        pairs(args.file, args.part, args.share, args.show)
        return 0

    hits, wrong, missed, reworded = (Counter[str]() for _ in range(4))
    total, shown, start = 0, 0, time.perf_counter()
    for fen, slip, line, labels in rows(args.file, args.part, args.share):
        total += 1
        names = found_in(fen, slip, line)
        for motif, (ours, theirs, _) in LABELS.items():
            said, labelled = bool(names & set(ours)), bool(labels & set(theirs))
            hits[motif] += said and labelled
            wrong[motif] += said and not labelled
            missed[motif] += labelled and not said
            reworded[motif] += said and not labelled and bool(labels & OTHER_WORDS.get(motif, set()))
            miss = motif == args.miss and labelled and not said
            false = motif == args.wrong and said and not labelled
            if (miss or false) and shown < args.show:
                shown += 1
                board = chess.Board(fen)
                moves = [chess.Move.from_uci(uci) for uci in (slip, *line)]
                print(fen, "|", board.variation_san(moves), "|", *sorted(labels), "| ours:", *sorted(names))
    print(f"{total} rows, part '{args.part}', share {args.share:g}, {time.perf_counter() - start:.0f} s")
    print(f"{'motif':22}{'labelled':>9}{'found':>7}{'precision':>11}{'recall':>8}   goal")
    for motif, (_, _, goal) in LABELS.items():
        found, marked = hits[motif] + wrong[motif], hits[motif] + missed[motif]
        precision, recall = hits[motif] / max(1, found), hits[motif] / max(1, marked)
        verdict = "met" if precision >= goal[0] and recall >= goal[1] else "not met"
        print(f"{motif:22}{marked:9}{found:7}{precision:11.3f}{recall:8.3f}   {goal[0]:.2f}/{goal[1]:.2f} {verdict}")
        if reworded[motif]:
            both = (hits[motif] + reworded[motif]) / max(1, found)
            print(f"{'  in other words too':22}{'':9}{reworded[motif]:7}{both:11.3f}{recall:8.3f}   see OTHER_WORDS")
    return 0


if __name__ == "__main__":
    signal.signal(signal.SIGPIPE, signal.SIG_DFL)  # so that "| head" ends quietly
    sys.exit(main())
