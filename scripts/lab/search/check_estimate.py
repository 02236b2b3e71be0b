"""How far `trapscan estimate` is off: the estimate beside a scan really made, with and without baits.

    scripts/run check_estimate trapscan/demo/otter_quay_black.pgn --side black --preset quick
    scripts/run check_estimate --named 60                  60 named openings (../shared/data/openings), both sides
    scripts/run check_estimate --named 60 --skip 1         60 others: the lines that follow them in the tables

Also prints the shares that the estimate reckons with, as this scan had them (trapscan/job/estimate.py). What is
compared is what the engine really searched, one worker, an empty store.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

from trapscan import graph, repertoire, settings
from trapscan.chance import load_model
from trapscan.engines import Engine
from trapscan.job import estimate_scan, scan
from trapscan.model import Evaluation, Line, Query
from trapscan.search import PRICE_TIMES, Prospector, choose_candidates
from trapscan.settings import Settings
from trapscan.stopping import StableScoreStop

ROOT = Path(__file__).resolve().parents[3]


class Watch:
    """Counts what the engine is asked, by the kind of question, and what the screening for baits asks, by its step."""

    def __init__(self, chosen: Settings) -> None:
        self.chosen, self.searches, self.nodes = chosen, Counter[str](), Counter[str]()
        self.steps, self.spent = Counter[str](), Counter[str]()
        evaluate, ask = Engine.evaluate, Prospector._ask

        def watched(engine: Engine, query: Query) -> Evaluation:
            answer = evaluate(engine, query)
            self.searches[self.kind(query)] += 1
            self.nodes[self.kind(query)] += answer.nodes
            return answer

        def asked(prospector: Prospector, epd: str, budget: int) -> Line:
            step, before = sys._getframe(1).f_code.co_name, prospector.nodes
            line = ask(prospector, epd, budget)
            self.steps[f"{step} {budget}"] += 1
            self.spent[f"{step} {budget}"] += prospector.nodes - before
            return line

        Engine.evaluate = watched  # type: ignore[method-assign, assignment]
        Prospector._ask = asked  # type: ignore[method-assign, assignment]

    def kind(self, query: Query) -> str:
        """Climb, or by its budget, the usual one of the search for the best move."""
        if isinstance(query.until, StableScoreStop):
            return str(query.until.usual)
        if query.until is not None and query.budget in {budget.most for budget in self.chosen.budgets}:
            return "climb"
        return str(query.budget)

    def sum_of(self, *kinds: str) -> tuple[int, int]:
        """Searches and nodes of these kinds."""
        return sum(self.searches[kind] for kind in kinds), sum(self.nodes[kind] for kind in kinds)


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("files", nargs="*", type=Path)
    ask.add_argument("--named", type=int, default=0, help="instead of files: so many named openings")
    ask.add_argument("--skip", type=int, default=0, help="of the named openings the ones so many rows later")
    ask.add_argument("--openings", type=Path, default=ROOT.parent / "shared/data/openings")
    ask.add_argument("--side")
    ask.add_argument("--engine")
    ask.add_argument("--preset", default="standard")
    ask.add_argument("--beyond", type=int, default=0)
    ask.add_argument("--plain", action="store_true", help="without baits only")
    options = ask.parse_args()
    chosen = settings.load(options.preset)
    watch = Watch(chosen)
    with tempfile.TemporaryDirectory() as folder:
        files = options.files
        if options.named:
            tables = sorted(options.openings.glob("*.tsv"))
            if not tables:
                print(f"no tables in {options.openings}; name the folder with --openings", file=sys.stderr)
                return 2
            lines = [row.split("\t")[2] for t in tables for row in t.read_text(encoding="utf-8").splitlines()[1:]]
            taken = [lines[i * len(lines) // options.named + options.skip] for i in range(options.named)]
            files = [Path(folder) / "lines.pgn"]
            files[0].write_text("".join(f'[Event "Line"]\n[Result "*"]\n\n{line} *\n\n' for line in taken))
        common: dict[str, Any] = {
            "side": options.side or ("both" if options.named else None),
            "engine": options.engine,
            "preset": options.preset,
            "beyond": options.beyond,
            "jobs": 1,
        }
        said = estimate_scan(files, **common)
        print(said.text())
        total, seconds, examined = 0, 0.0, 0.0
        for baits, cost in ((False, said.plain), (True, said.plain + said.baits)):
            if baits and options.plain:
                break
            result = scan(files, store=Path(folder) / "store.db", baits=baits, **common)
            count, stats = result.scan.counters, result.stats
            total, seconds = total + stats.searched_nodes, seconds + stats.wall_seconds
            print(f"{'with' if baits else 'without'} baits: {stats.text()}")
            print(f"  answers used: {count.searches:,} searches, {count.engine_nodes:,} nodes")
            for what, guess, real in (
                ("positions", cost.positions, count.positions + stats.stages["baits"].asked),
                ("searches", cost.searches, sum(watch.searches.values())),
                ("nodes", cost.nodes, total),
                ("seconds", 60 * said.minutes(cost), seconds),
            ):
                print(f"  {what:9} said {guess:13,.0f}  was {real:13,.0f}  {guess / max(1, real):.2f}")
            if baits:
                bait_shares(watch, stats.stages["baits"].asked, examined)
            else:
                examined = plain_shares(watch, files, count.positions, count.candidates, chosen)
                besides = (stats.engine_cpu - total / said.nps) / sum(watch.searches.values())
                thinking = (stats.worker_seconds - stats.engine_seconds) / count.positions
                print(
                    f"  a search {1000 * besides:.1f} ms of the engine's processor time besides its nodes, "
                    f"a position {1000 * thinking:.0f} ms besides its searches"
                )
            watch.searches.clear()
            watch.nodes.clear()
    return 0


def plain_shares(watch: Watch, files: list[Path], positions: int, candidates: int, chosen: Settings) -> float:
    """Prints the shares of a scan without baits; returns the nodes of an examination."""
    tree, model = graph.build(repertoire.read_files(files)), load_model()
    least = span = known = 0
    for position in tree.positions:
        chances = model.predict([position.board()], chosen.levels)[0]
        for move in choose_candidates(chances, position.prepared, chosen):
            known += 1
            if move not in position.prepared:
                budget = chosen.budget(max(chances[move]))
                least, span = least + budget.least, span + budget.most - budget.least
    scale = candidates / known  # positions past the ends are taken to be like the others
    climbs, nodes = watch.sum_of("climb")
    whole, best = sum(watch.nodes.values()), watch.sum_of(str(chosen.best_nodes))[1]
    beside = whole - nodes - best
    asked = sum(watch.searches.values()) - climbs - watch.sum_of(str(chosen.best_nodes))[0]
    print(f"  by kind, searches: {dict(watch.searches)}; nodes: {dict(watch.nodes)}")
    print(
        f"  rested={best / positions / chosen.best_nodes:.3f} with rivals, "
        f"spent={(nodes / scale - least) / span:.3f}, beside={beside / chosen.refutation_nodes / candidates:.3f}, "
        f"asked={asked / candidates:.3f} ({positions} positions, {candidates} candidates)"
    )
    return whole / positions


def bait_shares(watch: Watch, ours: int, examination: float) -> None:
    """Prints the shares of the search for baits."""
    chosen, steps, spent = watch.chosen, watch.steps, watch.spent
    closer = max(chosen.confirm_nodes, 2 * chosen.bait_screen_nodes)
    glances = sum(number for step, number in steps.items() if step.startswith("_prospect "))
    looked, replies = steps[f"choose {closer}"], steps[f"_search_replies {chosen.bait_screen_nodes}"]
    finals, priced = steps[f"_search_replies {closer}"], steps[f"scores_of_price {PRICE_TIMES * chosen.best_nodes}"]
    screening = sum(spent.values())
    print(f"  steps a position: { {step: round(number / ours, 2) for step, number in steps.items()} }")
    print(f"  nodes a position: { {step: round(number / ours) for step, number in spent.items()} }")
    print(
        f"  looked={looked / glances:.3f}, replies={replies / looked:.3f}, "
        f"finals={finals / ours / chosen.bait_verified:.3f}, "
        f"examined={(sum(watch.nodes.values()) - screening) / ours / examination:.3f}, priced={priced / 2 / ours:.3f}"
    )


if __name__ == "__main__":
    sys.exit(main())
