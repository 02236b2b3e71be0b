"""Check every finding of a report afresh, with no code of trapscan's: this script and tests/independent import
python-chess and the standard library, and read scan.json as plain JSON.

    scripts/check_report reports/black --engine /usr/games/stockfish --times 10 --sample 100
    scripts/check_report reports/black --engine /usr/games/fairy-stockfish --nodes 400000 --scale fit
    scripts/check_report reports/black --engine /usr/games/ethereal-chess --depth 15 --scale fit --sample 300
    scripts/check_report reports/black                          without an engine: rules, squares and sentences only

Without an engine: the line is legal and leads to the position; slip, refutation, further refutations, moves to play
instead and look-alikes are legal and written right; squares said to differ differ; men and moves named in sentences are
there. With one, each finding is searched anew, from an empty hash, at --nodes, --depth, or --times the nodes that the
report says it was verified with (--least at least; the position before the slip at as many times `best_nodes`):

    slip        the best move's expected score minus the slip's is at least the report's threshold;
                E = 1/(1+10^(-cp/400)), a mate is 1 or 0
    refutation  it is this engine's best reply too, or still takes the threshold from the victim
    also        each further refutation still takes the threshold
    instead     costs less than the threshold
    material    by a plain count along the line, captures played out, against this engine's best line (rules.py)

The judge errs too: what falls short by --slack or less counts as confirmed, and the shares without any slack and with
less of it are printed beside. 0.03 is two standard errors of a loss after 50,000 nodes, by the noise that scan.json
states (0.058 after 2,000, falling with the power 0.4). Another engine's centipawns are not the report's engine's:
--scale fit multiplies them by the one factor that fits best to the scores of the report, over the first 100 findings,
and prints it; --scale 1 (the default) takes them as they are.

Prints a line for each finding that is not confirmed, one in brackets where it took slack, and a table. Exit code 1 when
less than 99 % are confirmed.
"""

from __future__ import annotations

import argparse
import json
import math
import queue
import random
import sys
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import chess
import chess.engine

from tests.independent import rules
from tests.independent.scores import settled_score

Finding = dict[str, Any]
FITTED = 100
"""Findings that tell the scale of an engine's centipawns."""


class Asked:
    """An engine, each question from a cleared hash; answers are kept, since many findings share their position."""

    def __init__(self, command: str, options: argparse.Namespace) -> None:
        self.engine = chess.engine.SimpleEngine.popen_uci(command.split(), timeout=60)
        wanted = {"Hash": 64, "Threads": 1, "Contempt": 0}
        self.engine.configure({name: value for name, value in wanted.items() if name in self.engine.options})
        self.options, self.name = options, self.engine.id.get("name", "?")
        self.known: dict[tuple[str, int], tuple[chess.engine.PovScore, list[chess.Move]]] = {}

    def __call__(self, board: chess.Board, verified: int) -> tuple[chess.engine.PovScore, list[chess.Move]]:
        """The score and the line. A finished game is scored without the engine."""
        if board.is_checkmate():
            return chess.engine.PovScore(chess.engine.MateGiven, not board.turn), []
        if not any(board.legal_moves):
            return chess.engine.PovScore(chess.engine.Cp(0), board.turn), []
        if self.options.depth:
            limit, key = chess.engine.Limit(depth=self.options.depth), self.options.depth
        else:
            key = self.options.nodes or max(self.options.least, self.options.times * verified)
            limit = chess.engine.Limit(nodes=key)
        if (board.epd(), key) not in self.known:
            self.known[board.epd(), key] = settled_score(self.engine, board.copy(stack=False), limit)
        return self.known[board.epd(), key]


def expected(score: chess.engine.PovScore, side: chess.Color, scale: float = 1.0) -> float:
    """Expected score of a side."""
    seen = score.pov(side)
    if seen.is_mate():
        return float(seen > chess.engine.Cp(0))
    return 1 / (1 + 10 ** (-scale * (seen.score() or 0) / 400))


def shown(score: chess.engine.PovScore, side: chess.Color) -> str:
    """For a person."""
    seen = score.pov(side)
    return str(seen).removeprefix("+") if seen.is_mate() else f"{(seen.score() or 0) / 100:+.2f}"


class Wrong(NamedTuple):
    """Something that is not confirmed: what, by how much it falls short (expected score), in words."""

    kind: str
    short: float
    text: str


@dataclass
class Judge:
    """What a finding is measured by."""

    ask: Asked
    threshold: float
    best_nodes: int
    scale: float = 1.0

    def expected(self, score: chess.engine.PovScore, side: chess.Color) -> float:
        return expected(score, side, self.scale)

    def slip(
        self, before: chess.Board, slip: Finding, refutation: Finding | None, also: list[str], nodes: int
    ) -> Iterator[Wrong]:
        """The slip loses, and each refutation punishes."""
        victim = before.turn
        after = before.copy(stack=False)
        after.push_uci(slip["uci"])
        best, reply = self.ask(before, self.best_nodes), self.ask(after, nodes)
        top = self.expected(best[0], victim)
        lost = top - self.expected(reply[0], victim)
        if lost < self.threshold:
            told = f"loses {lost:.3f} ({shown(best[0], victim)} to {shown(reply[0], victim)})"
            yield Wrong("slip", self.threshold - lost, told)
        if refutation is None or not reply[1]:
            return
        for kind, moves in (("refutation", [refutation["san"]]), ("also", also)):
            for san in moves:
                move = after.parse_san(san)
                if move == reply[1][0]:
                    continue
                child = after.copy(stack=False)
                child.push(move)
                answer = self.ask(child, nodes)
                kept = top - self.expected(answer[0], victim)
                if kept < self.threshold:
                    better = f"{after.san(reply[1][0])} takes {lost:.3f}"
                    told = f"{san} takes {kept:.3f} ({shown(answer[0], victim)}), {better}"
                    yield Wrong(kind, self.threshold - kept, told)

    def finding(self, finding: Finding) -> Iterator[Wrong]:
        """All that needs an engine."""
        board, nodes = chess.Board(finding["fen"]), finding["verified"]["nodes"]
        if finding["record"] == "bait":
            board.push_uci(finding["bait"]["uci"])
            for reply in finding["replies"]:
                yield from self.slip(board, reply["slip"], reply["refutation"], [], nodes)
            return
        yield from self.slip(board, finding["slip"], finding["refutation"], finding["also"], nodes)
        best, line = self.ask(board, self.best_nodes)
        for instead in finding["instead"]:
            if not line or instead["uci"] == line[0].uci():
                continue
            child = board.copy(stack=False)
            child.push_uci(instead["uci"])
            lost = self.expected(best, board.turn) - self.expected(self.ask(child, nodes)[0], board.turn)
            if lost >= self.threshold:
                yield Wrong("instead", lost - self.threshold, f"{instead['san']} loses {lost:.3f} itself")
        cp = best.pov(board.turn).score()
        for text in rules.check_material(finding, line, None if cp is None else round(self.scale * cp)):
            yield Wrong("material", math.inf, text.removeprefix("material: "))

    def fit(self, findings: list[Finding]) -> int:
        """Sets `scale` to what brings this engine's centipawns nearest to the report's (least squares through zero),
        from positions before and after slips, up to 6 pawns; returns how many there were."""
        pairs = []
        for finding in findings:
            if finding["record"] == "bait":
                continue
            before = chess.Board(finding["fen"])
            after = before.copy(stack=False)
            after.push_uci(finding["slip"]["uci"])
            asked = (before, self.best_nodes, "cp_best"), (after, finding["verified"]["nodes"], "cp_slip")
            for board, nodes, field in asked:
                mine, theirs = self.ask(board, nodes)[0].pov(before.turn).score(), finding[field]
                if mine is not None and isinstance(theirs, int) and abs(mine) <= 600 and abs(theirs) <= 600:
                    pairs.append((mine, theirs))
        square = sum(mine * mine for mine, _ in pairs)
        self.scale = sum(mine * theirs for mine, theirs in pairs) / square if square else 1.0
        return len(pairs)


def all_wrong(finding: Finding, idle: queue.SimpleQueue[Judge] | None) -> list[Wrong]:
    """What is not confirmed of a finding, by the rules, and where these hold by the next judge that is idle."""
    wrong = [Wrong(text.split(":")[0], math.inf, text.partition(": ")[2]) for text in rules.check(finding)]
    if not wrong and idle is not None:
        judge = idle.get()
        try:
            wrong = list(judge.finding(finding))
        finally:
            idle.put(judge)
    return wrong


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("folder", type=Path, metavar="DIR", help="folder of a report, or its scan.json")
    ask.add_argument("--engine", help="path of a UCI engine, with arguments")
    ask.add_argument("--nodes", type=int)
    ask.add_argument("--times", type=int, default=10, help="times the nodes of the report (default 10)")
    ask.add_argument("--depth", type=int, help="for engines that do not count nodes")
    ask.add_argument("--least", type=int, default=100_000, help="least nodes with --times (default 100,000)")
    ask.add_argument("--scale", default="1", help="factor for the engine's centipawns, or 'fit'")
    ask.add_argument("--slack", type=float, default=0.03, help="expected score; default 0.03")
    ask.add_argument("--sample", type=int, help="so many findings, drawn at random")
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--jobs", type=int, default=1, help="engines that search at once")
    ask.add_argument("--quiet", action="store_true", help="the table only")
    options = ask.parse_args()
    path = options.folder / "scan.json" if options.folder.is_dir() else options.folder
    scan = json.loads(path.read_text(encoding="utf-8"))
    findings = scan["findings"]
    if options.sample and options.sample < len(findings):
        findings = random.Random(options.seed).sample(findings, options.sample)
    threshold, best_nodes = scan["settings"]["threshold"], scan["settings"]["best_nodes"]
    judges = [
        Judge(Asked(options.engine, options), threshold, best_nodes)
        for _ in range(options.jobs if options.engine else 0)
    ]
    idle: queue.SimpleQueue[Judge] = queue.SimpleQueue()
    steps = sorted({0.0, options.slack / 3, options.slack * 2 / 3, options.slack})
    confirmed = dict.fromkeys(steps, 0)
    kinds: Counter[str] = Counter()
    checked = 0
    for each in judges:
        if options.scale != "fit":
            each.scale = float(options.scale)
        elif each is not judges[0]:
            each.scale = judges[0].scale
        else:
            number = each.fit(findings[:FITTED])
            print(f"centipawns x {each.scale:.3f}, fitted to {number} scores of the report", flush=True)
        idle.put(each)
    pool = ThreadPoolExecutor(options.jobs)
    try:
        judged = pool.map(lambda finding: all_wrong(finding, idle if judges else None), findings)
        for number, (finding, wrong) in enumerate(zip(findings, judged, strict=True), 1):
            checked = number
            short = max((each.short for each in wrong), default=0.0)
            for step in steps:
                confirmed[step] += short <= step
            for kind in {each.kind + (" (within slack)" if each.short <= options.slack else "") for each in wrong}:
                kinds[kind] += 1
            if wrong and not options.quiet:
                move = finding[finding["record"]]["san"]
                told = f"{finding['id']} {finding['kind']} {finding['fen']} {move} [{finding['gain']}]"
                told += " " + "; ".join(f"{each.kind}: {each.text}" for each in wrong)
                print(f"({told})" if short <= options.slack else told, flush=True)
    except KeyboardInterrupt:
        print("\ninterrupted: the table tells of what was checked", file=sys.stderr)
    finally:
        pool.shutdown(cancel_futures=True)
        for each in judges:
            each.ask.engine.quit()
    how = "without an engine"
    if judges:
        limit = f"depth {options.depth}" if options.depth else f"nodes {options.nodes or f'x {options.times}'}"
        scale = f", centipawns x {judges[0].scale:.3f}" if judges[0].scale != 1 else ""
        how = f"by {judges[0].ask.name}, {limit}{scale}, {sum(len(each.ask.known) for each in judges)} searches"
    print(f"\n{checked} of {len(scan['findings'])} findings of {scan['engine']['name']} checked {how}")
    for kind, count in kinds.most_common():
        print(f"  {count:5}  {kind}")
    for step in steps if judges else steps[-1:]:
        share = confirmed[step] / checked if checked else 1.0
        print(
            f"confirmed{f' with a slack of {step:.2f}' if judges else ''}: {confirmed[step]} of {checked}, {share:.1%}"
        )
    return 0 if checked == 0 or confirmed[options.slack] / checked >= 0.99 else 1


if __name__ == "__main__":
    sys.exit(main())
