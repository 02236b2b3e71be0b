"""How often punishers find the refutation, said and seen, on slips of real games in which both moves were played.

    scripts/run check_find measure ../shared/data/human_games.tsv.gz ../shared/data/human_games_rapid_2022.tsv.gz \
        --out slips.jsonl --games 4000
    scripts/run check_find table slips.jsonl
    scripts/run check_find fit slips.jsonl --test others.jsonl

measure: one position a game (ply 6 to 30, fixed by the moves) of games kept aside (folds 0 to 4). Where the move played
seems to lose at a glance (2,000 nodes before and after), the position is examined as a scan with the preset quick would
examine it for this move alone; of those that are slips, the reply that was played is searched for --nodes: it punishes
where it keeps half of what the slip lost. table: said and seen shares of punishers, by their level and by thinking
time: of the replies that the report names (seen: one of them was played), and of all that punish. fit: the shares in
trapscan/chance/found.py, which make the second of the first.
"""

import argparse
import itertools
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import chess
import numpy as np

from scripts.lab.chance.games import CHECK_FOLDS, PACES, POOLS, PRESENT, TEST_FOLDS, Game, fold_of, in_order, read_games
from scripts.lab.chance.losses import ply_of
from trapscan import explain, settings
from trapscan.chance import load_model
from trapscan.chance.correction import JOIN, Join
from trapscan.chance.found import FOUND, Found
from trapscan.chance.net import Conditions
from trapscan.engines import Engine, choose, probe
from trapscan.job.missed import KEEPS
from trapscan.model import Position, Query
from trapscan.score import loss
from trapscan.search import Examiner
from trapscan.stopping import NOISE_AT

GLANCE = 0.06
EDGES = (0.0, 0.15, 0.3, 0.45, 0.6, 0.75, 0.9, 1.01)
BANDS = (("all levels", 0, 9999), ("below 1300", 0, 1300), ("1300-1800", 1300, 1800), ("above 1800", 1800, 9999))


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    kinds = ask.add_subparsers(required=True)
    one = kinds.add_parser("measure")
    one.add_argument("files", nargs="+", type=Path)
    one.add_argument("--engine", default="/usr/games/stockfish")
    one.add_argument("--games", type=int, default=10**9, help="at most so many games of each file")
    one.add_argument("--skip", type=int, default=0)
    one.add_argument("--nodes", type=int, default=20_000)
    one.add_argument("--draw", type=int, default=6, help="another number, another ply of each game")
    one.add_argument("--out", type=Path, required=True)
    one.set_defaults(run=measure)
    two = kinds.add_parser("table")
    two.add_argument("slips", nargs="+", type=Path)
    two.set_defaults(run=table)
    three = kinds.add_parser("fit")
    three.add_argument("slips", nargs="+", type=Path)
    three.add_argument("--test", nargs="*", type=Path, default=[])
    three.set_defaults(run=fit)
    args = ask.parse_args()
    args.run(args)


# --- measuring -------------------------------------------------------------------------------------------------------


def measure(args: argparse.Namespace) -> None:
    """Writes a line for each slip."""
    spec = choose(args.engine)
    looked = 0
    with Engine(spec, probe(spec)) as engine, args.out.open("w") as out:
        for game in drawn(args.files, args.skip, args.games):
            looked += 1
            row = judged(game, engine, args.nodes, args.draw)
            if row is not None:
                out.write(json.dumps(row) + "\n")
                out.flush()
    print(f"{looked} positions looked at")


def drawn(files: list[Path], skip: int, most: int) -> Iterator[Game]:
    """Games kept aside in which a reply was played, the files in turn, each in an order fixed by the moves."""
    for path in files:
        kept = [game for game in read_games(path) if len(game.moves) > 8 and kept_aside(game)]
        yield from in_order(kept)[skip:][:most]


def kept_aside(game: Game) -> bool:
    """Whether no net was fitted on it."""
    return fold_of(game) in TEST_FOLDS or fold_of(game) in CHECK_FOLDS


def judged(game: Game, engine: Engine, nodes: int, draw: int) -> dict[str, object] | None:
    """The slip and what was replied; None where the move played is none."""
    ply = min(ply_of(game, draw), len(game.moves) - 2)
    board = chess.Board()
    for uci in game.moves[:ply]:
        board.push_uci(uci)
    slip, reply = game.moves[ply : ply + 2]
    after, answered = board.copy(), board.copy()
    after.push_uci(slip)
    for uci in (slip, reply):
        answered.push_uci(uci)
    before = engine.evaluate(Query(board.epd(), NOISE_AT)).best.score
    glance = engine.evaluate(Query(after.epd(), NOISE_AT)).best.score.of(board.turn)
    if loss(before, glance) < GLANCE:
        return None
    model = load_model()
    (chances,) = model.predict([board], (1500,))
    alone = {move: (1.0 if move == slip else 0.0,) for move in chances}
    chosen = settings.load("quick", {"levels": [1500], "max_candidates": 1})
    position = Position(board.epd(), chess.STARTING_FEN, tuple(game.moves[:ply]), 1)
    found = Examiner(engine, model, chosen, needs_more=explain.needs_more).examine(position, alone)
    told = next((each for each in found.slips if each.move == slip), None)
    if told is None or not told.refutation:
        return None
    lost = loss(found.best.score, told.score)
    kept = 1.0 if answered.is_checkmate() else 0.0
    if not answered.is_game_over():
        kept = loss(found.best.score, engine.evaluate(Query(answered.epd(), nodes)).best.score.of(board.turn)) / lost
    victim, punisher = (game.white, game.black) if board.turn else (game.black, game.white)
    return {
        "moves": game.moves[:ply], "slip": slip, "reply": reply, "right": [told.refutation[0], *told.also],
        "lost": round(lost, 4), "plain": told.exposed <= NOISE_AT, "kept": round(kept, 3), "source": game.source,
        "seconds": game.seconds, "victim": victim, "punisher": punisher, "fold": fold_of(game),
    }  # fmt: skip


# --- telling ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Case:
    """A slip: the net's chances of all replies, which of them are named as right, what is at stake, what was played."""

    level: int
    seconds: float
    replies: dict[str, float]
    right: tuple[str, ...]
    lost: float
    plain: bool
    reply: str
    punished: bool

    def said(self, join: Join) -> tuple[float, float]:
        """The chance that a right reply is played, and that of the likeliest other one."""
        shallow = self.lost if self.plain else 0.0
        losses = {move: (0.0, 0.0) if move in self.right else (shallow, self.lost) for move in self.replies}
        joined = join.apply(
            {move: (share,) for move, share in self.replies.items()}, losses, (self.level,), self.seconds
        )
        return sum(joined[move][0] for move in self.right), joined[self.other][0]

    @property
    def other(self) -> str:
        """The likeliest reply that is not named."""
        return min((move for move in self.replies if move not in self.right), key=lambda m: (-self.replies[m], m))


def cases(files: list[Path]) -> list[Case]:
    """The slips of the files, with the shipped net's chances for the players and the pace of each game."""
    out = []
    for line in (line for path in files for line in path.read_text().splitlines()):
        row = json.loads(line)
        board = chess.Board()
        for uci in (*row["moves"], row["slip"]):
            board.push_uci(uci)
        conditions = Conditions(row["seconds"], POOLS.get(row["source"], PRESENT))
        moves, shares = load_model().shares(board, [(row["punisher"], row["victim"])], conditions)
        replies = {move.uci(): float(share) for move, share in zip(moves, shares[0], strict=True)}
        if len(replies) > len(row["right"]):
            punished = row["kept"] >= KEEPS or row["reply"] in row["right"]
            out.append(
                Case(
                    row["punisher"], row["seconds"], replies, tuple(row["right"]), row["lost"], row["plain"],
                    row["reply"], punished,
                )
            )  # fmt: skip
    return out


def table(args: argparse.Namespace) -> None:
    """Said and seen by bin and by group: replies that are named, joined and by the net alone, and all that punish."""
    known = cases(args.slips)
    print(f"{len(known)} slips in games kept aside; {load_model().name}")
    named = np.array([case.reply in case.right for case in known], float)
    punished = np.array([case.punished for case in known], float)
    joined, other = np.array([case.said(JOIN) for case in known]).T
    told(known, "named, joined", joined, named)
    told(known, "named, net alone", np.array([case.said(Join())[0] for case in known]), named)
    told(known, "all that punish", found(known, joined, FOUND), punished)
    played = np.mean([case.reply == case.other for case in known])
    print(f"the likeliest reply that is not named: said {other.mean():.3f}, seen {played:.3f}")


def found(known: list[Case], named: np.ndarray, by: Found) -> np.ndarray:
    """The chance that each slip is punished."""
    return np.array([by.punished(float(share), plain=case.plain) for share, case in zip(named, known, strict=True)])


def told(known: list[Case], name: str, said: np.ndarray, seen: np.ndarray) -> None:
    """The table of one way to say it."""
    level, seconds = np.array([case.level for case in known]), np.array([case.seconds for case in known])
    groups = [(band, (level >= low) & (level < high)) for band, low, high in BANDS]
    groups += [(f"{low}-{high - 1} s", (seconds >= low) & (seconds < high)) for low, high in PACES]
    judged, wide = 0, 0
    for group, pick in groups:
        if pick.sum() < 20:
            continue
        base = seen[pick].mean()
        skill = 1 - ((said[pick] - seen[pick]) ** 2).mean() / max(1e-9, base * (1 - base))
        counts = f"{pick.sum()} slips, said {said[pick].mean():.3f}, seen {base:.3f}"
        print(f"{name}, {group}: {counts}, Brier skill {skill:.3f}")
        for low, high in itertools.pairwise(EDGES):
            here = pick & (said >= low) & (said < high)
            if not here.any():
                continue
            mean, share, count = said[here].mean(), seen[here].mean(), int(here.sum())
            large = mean * count >= 50
            judged, wide = judged + large, wide + (large and abs(share / mean - 1) > 0.15)
            error = 100 * (share * (1 - share) / count) ** 0.5
            verdict = f"  {100 * (share / mean - 1):+.1f} %" if large else ""
            print(f"   said {100 * mean:5.1f} %  seen {100 * share:5.1f} % +- {error:3.1f}  of {count:4d}{verdict}")
    print(f"{name}: {wide} of {judged} bins with 50 or more expected are more than 15 % off")


def fit(args: argparse.Namespace) -> None:
    """The most likely shares, to a hundredth."""
    known = cases(args.slips)
    print(f"{len(known)} slips")
    by = Found(*(most_likely([case for case in known if case.plain == plain]) for plain in (True, False)))
    print(by)
    tests = cases(args.test)
    if tests:
        shares = found(tests, np.array([case.said(JOIN)[0] for case in tests]), by)
        told(tests, "all that punish, other games", shares, np.array([case.punished for case in tests], float))


def most_likely(known: list[Case]) -> float:
    """The share of the others that punish under which what was played is likeliest."""
    named = np.array([case.said(JOIN)[0] for case in known])
    punished = np.array([case.punished for case in known])
    shares = np.arange(1, 100) / 100
    said = np.clip(named + (1 - named) * shares[:, None], 1e-6, 1 - 1e-6)
    likely = np.log(np.where(punished, said, 1 - said)).sum(axis=1)
    near = shares[likely > likely.max() - 2]
    best = float(shares[likely.argmax()])
    print(f"{len(known)} slips, {punished.mean():.3f} punished: {best:.2f}, {near[0]:.2f} to {near[-1]:.2f}")
    return best


if __name__ == "__main__":
    main()
