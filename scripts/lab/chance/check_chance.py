"""Three checks of the chances of slips: calibration, the candidate filter, and ranks in common positions.

    scripts/run check_chance calibration aside.jsonl rapid.jsonl --plot calibration.svg --anew
    scripts/run check_chance filter ../shared/data/opening_slips.tsv.gz
    scripts/run check_chance rank ../shared/data/human_games.tsv.gz --engine /usr/games/stockfish
    scripts/run check_chance rank ../shared/data/human_games*.tsv.gz --times 30

aside.jsonl comes from scripts/run measure_losses. A slip loses 0.10 or more of expected score. The rank check takes
positions that occur at least 60 times in the games kept aside.
"""

import argparse
import bisect
import gzip
import itertools
from collections import Counter, defaultdict
from collections.abc import Callable
from pathlib import Path

import chess
import chess.engine
import numpy as np

from scripts.lab.chance.fit_join import parted
from scripts.lab.chance.games import PACES, POOLS, PRESENT, TEST_FOLDS, fold_of, read_games
from scripts.lab.chance.losses import samples_of
from tests.chance.samples import Sample
from tests.independent.scores import settled_score
from trapscan.chance import load_model
from trapscan.chance.correction import JOIN, Join
from trapscan.chance.net import Conditions
from trapscan.score import Score

SLIP = 0.10
EDGES = (0.0, 0.01, 0.025, 0.05, 0.10, 0.20, 0.35, 0.60, 1.01)
BANDS = (("all levels", 0, 9999), ("below 1300", 0, 1300), ("1300-1800", 1300, 1800), ("above 1800", 1800, 9999))
LEVELS = (1000, 1200, 1400, 1600, 1800, 2000, 2200, 2400)


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    kinds = ask.add_subparsers(dest="check", required=True)
    one = kinds.add_parser("calibration")
    one.add_argument("samples", nargs="+", type=Path)
    one.add_argument("--plot", type=Path)
    one.add_argument("--anew", action="store_true", help="what the shipped net says, whichever net chose the moves")
    one.add_argument("--cross", action="store_true", help="join fitted anew, each fifth judged by a fit of the others")
    one.set_defaults(
        run=lambda args: calibration(samples_of(args.samples, anew=args.anew), args.plot, cross=args.cross)
    )
    two = kinds.add_parser("filter")
    two.add_argument("slips", type=Path)
    two.add_argument("--limit", type=int, default=10**9)
    two.set_defaults(run=lambda args: candidate_filter(args.slips, args.limit))
    three = kinds.add_parser("rank")
    three.add_argument("games", nargs="+", type=Path)
    three.add_argument("--engine", default="/usr/games/stockfish")
    three.add_argument("--nodes", type=int, default=20_000)
    three.add_argument("--times", type=int, default=60)
    three.set_defaults(run=rank)
    args = ask.parse_args()
    args.run(args)


def calibration(samples: list[Sample], plot: Path | None, *, cross: bool) -> None:
    """Said and seen shares of slips by bin, for the join and for the net alone, overall and by level."""
    print(f"{len(samples)} positions")
    drawn: dict[str, list[tuple[str, list[tuple[float, float, int]]]]] = {band: [] for band, _, _ in BANDS}
    joined = parted(samples) if cross else [(samples, JOIN)]
    for name, parts in (("joined", joined), ("net alone", [(samples, Join())])):
        facts = [slips(part, join) for part, join in parts]
        said, seen, level, seconds = map(np.concatenate, zip(*facts, strict=True))
        judged, wide = 0, 0
        groups = [(band, (level >= low) & (level < high)) for band, low, high in BANDS]
        groups += [(f"{low}-{high - 1} s", (seconds >= low) & (seconds < high)) for low, high in PACES]
        for band, pick in groups:
            if not seen[pick].any():
                continue
            rows = bins(said[pick], seen[pick])
            base = seen[pick].mean()
            skill = 1 - ((said[pick] - seen[pick]) ** 2).mean() / (base * (1 - base))
            counts = f"{pick.sum()} slips looked at, {seen[pick].sum():.0f} played"
            print(f"{name}, {band}: {counts}, Brier skill {skill:.3f}")
            for mean, hit, count in rows:
                expected = mean * count
                verdict = "" if expected < 50 else f"  {100 * (hit / mean - 1):+.1f} %"
                judged += expected >= 50
                wide += expected >= 50 and abs(hit / mean - 1) > 0.15
                shares = f"said {100 * mean:5.1f} %  seen {100 * hit:5.1f} % +- {100 * error(hit, count):3.1f}"
                print(f"   {shares}  moves {count:6d}  expected {expected:6.1f}{verdict}")
            if band in drawn:
                drawn[band].append((name, rows))
        print(f"{name}: {wide} of {judged} bins with 50 or more expected are more than 15 % off")
    of_all, *of_bands = [drawn[band][0][1] for band, _, _ in BANDS]
    print("for trapscan/chance/calibration.py (said, seen, moves): all levels, then what differs from them, by level")
    print("  ", *(f"({said:.4f}, {seen:.4f}, {count})," for said, seen, count in of_all))
    for (band, _, _), rows in zip(BANDS[1:], of_bands, strict=True):
        print("  ", band, *(f"({said:.4f}, {seen:.4f}, {count})," for said, seen, count in differing(rows, of_all)))
    if plot:
        plot.write_text(svg(drawn))


def error(share: float, count: int) -> float:
    """Standard error of a share seen."""
    return float((share * (1 - share) / count) ** 0.5)


def differing(
    rows: list[tuple[float, float, int]], of_all: list[tuple[float, float, int]]
) -> list[tuple[float, float, int]]:
    """Bins whose ratio of seen to said is more than two standard errors from that of the same bin of all levels."""
    ratio = {bisect.bisect(EDGES, said): seen / said for said, seen, _ in of_all}
    return [
        (said, seen, count)
        for said, seen, count in rows
        if abs(seen - said * ratio[bisect.bisect(EDGES, said)]) > 2 * error(seen, count)
    ]


def slips(samples: list[Sample], join: Join) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Chance, whether played, rating, and thinking time, of every slip among the examined moves."""
    said, seen, level, seconds = [], [], [], []
    for sample in samples:
        chances = sample.chances(join)
        for i in np.flatnonzero(sample.losses[:, 1] >= SLIP):
            said.append(chances[i])
            seen.append(sample.moves[i] == sample.played)
            level.append(sample.own)
            seconds.append(sample.seconds)
    return np.array(said), np.array(seen, float), np.array(level), np.array(seconds)


def bins(said: np.ndarray, seen: np.ndarray) -> list[tuple[float, float, int]]:
    """(mean said, share seen, count) of each bin that holds anything."""
    rows = []
    for low, high in itertools.pairwise(EDGES):
        pick = (said >= low) & (said < high)
        if pick.any():
            rows.append((float(said[pick].mean()), float(seen[pick].mean()), int(pick.sum())))
    return rows


SIDE, GAP, LEAST = 190, 56, 0.004
TICKS = (0.005, 0.02, 0.1, 0.3, 1.0)


def at(share: float) -> float:
    """Where a share lies on a side of a panel: logarithmic from LEAST to 1."""
    return float(SIDE * (1 - np.log(max(share, LEAST)) / np.log(LEAST)))


def svg(drawn: dict[str, list[tuple[str, list[tuple[float, float, int]]]]]) -> str:
    """A panel for each group of levels: said across, seen upwards; bars are two standard errors, the grey band is 15 %
    to either side."""
    out = []
    for number, (band, series) in enumerate(drawn.items()):
        left, top = GAP + number % 2 * (SIDE + GAP), 30 + number // 2 * (SIDE + GAP)
        out.append(f'<g transform="translate({left} {top})"><text y="-8">{band}</text>')
        low, high = at(LEAST / 0.85), at(LEAST * 1.15)
        out.append(
            f'<path d="M0 {SIDE}L{low:.1f} {SIDE}L{SIDE} {SIDE - at(0.85):.1f}V0'
            f'H{at(1 / 1.15):.1f}L0 {SIDE - high:.1f}Z" fill="#ddd"/>'
            f'<rect width="{SIDE}" height="{SIDE}" fill="none" stroke="#888"/>'
        )
        for tick in TICKS:
            place, label = at(tick), f"{100 * tick:g} %"
            out.append(f'<text x="{place:.1f}" y="{SIDE + 14}" text-anchor="middle">{label}</text>')
            out.append(f'<text x="-4" y="{SIDE - place + 4:.1f}" text-anchor="end">{label}</text>')
        for (name, rows), (colour, aside) in zip(series, (("#05a", -2), ("#c60", 2)), strict=True):
            for said, seen, count in rows:
                bar = 2 * error(seen, count)
                x, y = at(said) + aside, SIDE - at(seen)
                ends = f"{SIDE - at(min(seen + bar, 1)):.1f}V{SIDE - at(seen - bar):.1f}"
                title = f"<title>{name}, {band}: said {said:.1%}, seen {seen:.1%} of {count} moves</title>"
                out.append(f'<g stroke="{colour}" fill="{colour}">{title}<path d="M{x:.1f} {ends}"/>')
                out.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{3 if said * count >= 50 else 1.5}"/></g>')
        out.append("</g>")
    wide, high = 2 * (SIDE + GAP) + 60, 2 * (SIDE + GAP) + 40
    out.append(
        f'<text x="{GAP}" y="{high - 20}">Across: said; upwards: seen. Bars: two standard errors. Large dots: 50 or '
        f'more expected.</text><text x="{GAP}" y="{high - 5}"><tspan fill="#05a">Joined with an engine</tspan>, '
        '<tspan fill="#c60">the net alone</tspan>.</text>'
    )
    head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide} {high}" width="{wide}" height="{high}"'
    return (
        f'{head} font-family="sans-serif" font-size="11"><rect width="100%" height="100%" fill="#fff"/>'
        + "\n".join(out)
        + "</svg>\n"
    )


def candidate_filter(path: Path, limit: int) -> None:
    """Share of really played slips let through, and moves kept a position, by least chance and most moves."""
    with gzip.open(path, "rt") as file:
        rows = [line.rstrip("\n").split("\t") for line in file][1:][:limit]
    found: dict[str, list[tuple[float, int, np.ndarray]]] = defaultdict(list)
    for fen, slip, _, _, _, _, block in rows:
        (chances,) = load_model().predict([chess.Board(fen)], LEVELS)
        best = {move: max(shares) for move, shares in chances.items()}
        order = sorted(best.values(), reverse=True)
        here = (best[slip], sum(value > best[slip] for value in order), np.array(order))
        found[block].append(here)
        found["all"].append(here)
    for block, cases in sorted(found.items()):
        print(f"{block}: {len(cases)} slips")
        for least in (0.02, 0.01, 0.006, 0.005, 0.004, 0.003, 0.002, 0.001):
            for most in (10, 12, 14):
                passed = np.mean([chance >= least and place < most for chance, place, _ in cases])
                kept = np.mean([min(most, int((order >= least).sum())) for _, _, order in cases])
                told = f"let through {100 * passed:.1f} %, moves kept {kept:.1f}"
                print(f"   least {100 * least:.1f} %, most {most}: {told}")


def rank(args: argparse.Namespace) -> None:
    """Said and seen shares of each slip in common positions: rank correlation, and the ten worst misses."""
    seen: dict[str, Counter[str]] = defaultdict(Counter)
    asked: dict[str, list[tuple[float, float, Conditions]]] = defaultdict(list)
    boards: dict[str, chess.Board] = {}
    for game in (game for path in args.games for game in read_games(path)):
        if fold_of(game) not in TEST_FOLDS:
            continue
        board = chess.Board()
        for uci in game.moves[:24]:
            epd = board.epd()
            seen[epd][uci] += 1
            pair = (game.white, game.black) if board.turn else (game.black, game.white)
            asked[epd].append((*pair, Conditions(game.seconds, POOLS.get(game.source, PRESENT))))
            boards.setdefault(epd, board.copy())
            board.push_uci(uci)
    rows = []
    with chess.engine.SimpleEngine.popen_uci(args.engine) as engine:
        for epd, counts in seen.items():
            total = sum(counts.values())
            if total < args.times:
                continue
            board = boards[epd]
            losses = worth(board, counts, engine, args.nodes)
            every = asked[epd][:: max(1, total // 60)]
            joined = [joined_shares(board, *case, losses) for case in every]
            for move, loss in losses.items():
                if loss >= SLIP:
                    share = float(np.mean([shares[move] for shares in joined]))
                    rows.append((share, counts[move] / total, total, board.copy(), move, loss))
    said, found, met = (np.array([row[column] for row in rows], dtype=float) for column in (0, 1, 2))
    places = len({row[3].epd() for row in rows})
    print(f"{len(rows)} slips in {places} positions, {(said * met).sum():.0f} said, {(found * met).sum():.0f} seen")
    draws = np.random.default_rng(0).binomial(met.astype(int), np.minimum(said, 1), (40, len(rows))) / met
    for told, kept in OFTEN:
        value, count = _rank_of(said, found, met, kept)
        best = np.mean([_rank_of(said, drawn, met, kept)[0] for drawn in draws])
        print(f"   {told}: {count} slips, rank correlation {value:.3f}; were every word true: {best:.3f}")
    misses = sorted(rows, key=lambda row: -abs(row[0] - row[1]) / (max(row[0], row[1]) / row[2]) ** 0.5)[:10]
    for chance, share, total, board, move, loss in misses:
        line = chess.Board().variation_san(board.move_stack)
        told = f"said {100 * chance:5.1f} %  seen {100 * share:5.1f} % of {total:4d}  loses {loss:.2f}"
        print(f"   {told}  {line} ... {board.san(chess.Move.from_uci(move))}")


OFTEN: tuple[tuple[str, Callable[[np.ndarray, np.ndarray], np.ndarray]], ...] = (
    ("all", lambda said, seen: said >= 0),
    ("said or seen once", lambda said, seen: np.maximum(said, seen) >= 1),
    ("said or seen twice", lambda said, seen: np.maximum(said, seen) >= 2),
    ("said or seen three times", lambda said, seen: np.maximum(said, seen) >= 3),
    ("seen once", lambda said, seen: seen >= 1),
    ("seen twice", lambda said, seen: seen >= 2),
    ("seen three times", lambda said, seen: seen >= 3),
)
"""Which slips a rank correlation is told for, by how often they were expected and were played."""


def _rank_of(
    said: np.ndarray, seen: np.ndarray, total: np.ndarray, kept: Callable[[np.ndarray, np.ndarray], np.ndarray]
) -> tuple[float, int]:
    """Rank correlation of the shares, and over how many slips."""
    pick = kept(said * total, np.round(seen * total))
    return spearman(said[pick], seen[pick]), int(pick.sum())


def joined_shares(
    board: chess.Board, own: float, other: float, conditions: Conditions, losses: dict[str, float]
) -> dict[str, float]:
    """Joined chance of every move for one player in one game."""
    moves, shares = load_model().shares(board, [(own, other)], conditions)
    plain = {move.uci(): (float(share),) for move, share in zip(moves, shares[0], strict=True)}
    joined = load_model().join(plain, {move: (loss, loss) for move, loss in losses.items()}, (round(own),))
    return {move: share[0] for move, share in joined.items()}


def worth(board: chess.Board, counts: Counter[str], engine: chess.engine.SimpleEngine, nodes: int) -> dict[str, float]:
    """Loss of every move that has a chance of 0.4 % somewhere or was played."""
    (chances,) = load_model().predict([board], LEVELS)
    values = {}
    for move, shares in chances.items():
        if max(shares) < 0.004 and not counts[move]:
            continue
        after = board.copy(stack=False)
        after.push_uci(move)
        if after.is_game_over():
            values[move] = 1.0 if after.is_checkmate() else 0.5
            continue
        score = settled_score(engine, after, chess.engine.Limit(nodes=nodes))[0].pov(board.turn)
        values[move] = Score(board.turn, cp=score.score(), mate=score.mate() if score.is_mate() else None).expected()
    top = max(values.values())
    return {move: max(0.0, top - value) for move, value in values.items()}


def spearman(a: np.ndarray, b: np.ndarray) -> float:
    """Rank correlation, equal values sharing their mean rank."""

    def ranks(values: np.ndarray) -> np.ndarray:
        _, inverse, counts = np.unique(values, return_inverse=True, return_counts=True)
        ends = np.cumsum(counts)
        return ((ends - counts + ends - 1) / 2)[inverse]

    return float(np.corrcoef(ranks(a), ranks(b))[0, 1])


if __name__ == "__main__":
    main()
