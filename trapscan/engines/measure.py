"""Measuring an engine: a few seconds of searches whose outcome is known or can be counted."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import chess
import msgspec

from trapscan.engines.facts import MOST_NOISE, SCREEN_BUDGET, Probe
from trapscan.engines.limits import SLOW_NPS, AnyLimit, DepthLimit, NodeLimit, TimeLimit, pace_of
from trapscan.engines.positions import ENDING, MATE_IN_ONE, MATE_IN_TWO, OPENINGS, QUEEN_UP_BLACK, SHARP
from trapscan.engines.probe_session import ProbeSession, infos_of, nodes_said
from trapscan.engines.spec import EngineSpec
from trapscan.engines.uci import find_option
from trapscan.model import Evaluation
from trapscan.settings import OptionValue

NODE_TRIALS = (300, 2_000, 8_000, 32_000)
FIRST_TRIAL = 4.0  # seconds; an engine of any use does the smallest trial in a fraction
LONG_TRIAL = 2.0  # seconds; after one that took so long there is no larger one
STOP_SECONDS = 3.0
CALIBRATION_NODES, CALIBRATION_SLOW = 400_000, 40_000
DEEPEST = 40
REPEAT_BUDGET, REPEAT_DEPTH = 8_000, 7  # Toga's answers differ at depth 8, Sjaak's at 7, not at 7 and 6 (measured)

DEEP_BUDGET = 100_000
NOISE_BUDGET, NOISE_EXPECTED = 20_000, 0.026
"""The yardstick for an engine's noise: that of Stockfish 15.1 at this budget, measured after opening moves."""
SCREEN_ERROR = 0.11
"""How far, in expected score (root mean square over sharp positions), the cheapest searches may be from deep ones.
Stockfish 15.1 has 0.105 at SCREEN_BUDGET; Ethereal needs depth 11 for as much, sunfish 4,000 nodes (measured)."""


def measure(spec: EngineSpec, options: Mapping[str, OptionValue]) -> Probe:
    """Find out what the engine does; see `Probe`. Raises EngineError only when it cannot be greeted or set up."""
    return _Measurement(spec, options).run()


class _Measurement(ProbeSession):
    def __init__(self, spec: EngineSpec, options: Mapping[str, OptionValue]) -> None:
        super().__init__(spec, options)
        self.notes: list[str] = []
        self.limits: dict[str, str] = {}
        self._judged: dict[str, list[float | None]] = {}

    def run(self) -> Probe:
        try:
            return self._run()
        finally:
            self.close()

    def _run(self) -> Probe:
        session = self.session()
        name, author, declared = session.engine_name, session.author, session.options

        def refuse(why: str) -> Probe:
            return Probe(
                name=name, author=author, options=declared, limits=self.limits, notes=tuple(self.notes), refused=why
            )

        spent = self._nodes()
        depth_works = self._depth()
        movetime_works = self._movetime()
        kind = "nodes" if spent is not None else "depth" if depth_works else "movetime" if movetime_works else ""
        if not kind:
            return refuse("it gives no usable verdict: " + "; ".join(f"{k}: {v}" for k, v in self.limits.items()))
        small, large = {
            "nodes": ("nodes 2000", "nodes 20000"),
            "depth": ("depth 5", "depth 6"),
            "movetime": ("movetime 50", "movetime 200"),
        }[kind]
        nps, scores = self._speed(large)
        self._mates(small)
        problem = self._sanity(large)
        if problem:
            return refuse(problem)
        slow = pace_of(nps) if pace_of(nps) < SLOW_NPS else 0
        limit: AnyLimit
        if spent is not None:
            limit = NodeLimit(pace=slow, spent=spent)
        elif kind == "depth":
            limit = DepthLimit(pace=slow, table=self._calibrate(CALIBRATION_SLOW if slow else CALIBRATION_NODES))
            if not limit.table:
                return refuse("it reports no nodes, so that no depth can be chosen for it")
        else:
            limit = TimeLimit(pace=pace_of(nps))
            self.notes.append("driven by time: results vary from run to run and with the machine's load")
        limit = self._with_least(limit)
        facts = Probe(name=name, author=author, driven_by=limit, noise=self._noise(limit))
        if isinstance(limit, DepthLimit):
            small = f"depth {max(REPEAT_DEPTH, limit.depth(facts.stretched(REPEAT_BUDGET)))}"
        return msgspec.structs.replace(
            facts,
            limits=self.limits,
            nps=nps,
            reproducible=kind != "movetime" and self._reproducible(small),
            multipv=self._multipv(large),
            searchmoves=self._searchmoves(large),
            stops=kind == "nodes" and self._stops(nps),
            scores=scores,
            clear_hash=self.clear_hash,
            prime=self.prime,
            renew=self.renew,
            mate_floor=self.mate_floor,
            options=declared,
            notes=tuple(self.notes),
        )

    def _nodes(self) -> tuple[float, float] | None:
        """Whether nodes are honoured: spent over allowed, least and most, or None."""
        ratios: list[float] = []
        seconds = FIRST_TRIAL
        for allowed in NODE_TRIALS:
            raw = self.search(OPENINGS[0], f"nodes {allowed}", seconds)
            if raw is None:
                self.limits["nodes"] = f"does not come back from {allowed}"
                return None
            answer = self.read(OPENINGS[0], raw)
            spent = max([answer.nodes if answer else 0, *nodes_said(raw)])
            ratios.append(spent / allowed)
            if allowed >= 2_000 and (
                spent > 8 * allowed + 10_000 or (raw.seconds > FIRST_TRIAL / 2 and spent > 3 * allowed)
            ):
                self.limits["nodes"] = f"ignored ({spent} for {allowed})"
                return None
            seconds = max(FIRST_TRIAL, 40 * raw.seconds)
            if raw.seconds > LONG_TRIAL:
                break
            if answer is None and allowed >= 2_000:
                self.limits["nodes"] = f"no score within {allowed}"
                return None
        last = ratios[-1]
        if not 0.3 <= last <= 4.0:
            self.limits["nodes"] = f"ignored ({round(last * allowed)} for {allowed})"
            return None
        exact = all(0.85 <= ratio <= 1.1 for ratio in ratios[1:])
        low, high = min(ratios[1:], default=last), max(ratios[1:], default=last)
        self.limits["nodes"] = "exact" if exact else f"coarse ({low:.2g} to {high:.2g} times)"
        return round(low, 2), round(high, 2)

    def _depth(self) -> bool:
        raw = self.search(OPENINGS[1], "depth 4", 3 * FIRST_TRIAL)
        if raw is None:
            self.limits["depth"] = "does not come back"
            return False
        infos = infos_of(raw)
        deepest = max((info.depth for info in infos), default=0)
        # One more is an engine that looks once at the next depth before it stops (sunfish).
        if self.read(OPENINGS[1], raw) is None or not 3 <= deepest <= 5:
            self.limits["depth"] = f"ignored (reached {deepest} for 4)" if deepest else "no score"
            return False
        self.limits["depth"] = "honoured"
        return True

    def _movetime(self) -> bool:
        raw = self.search(OPENINGS[1], "movetime 100", FIRST_TRIAL)
        if raw is None:
            self.limits["movetime"] = "does not come back"
            return False
        if self.read(OPENINGS[1], raw) is None or raw.seconds > 2.0:
            self.limits["movetime"] = f"ignored ({raw.seconds:.1f} s for 0.1)"
            return False
        self.limits["movetime"] = f"honoured ({1000 * raw.seconds:.0f} ms for 100)"
        return True

    def _speed(self, limit: str) -> tuple[int, str]:
        """Nodes per second, and the kind of scores: the best of some positions, by the engine's own processor time
        where it can be read, lest a loaded machine makes it look slow."""
        best, scores = 0, "exact"
        for fen in OPENINGS:
            raw = self.search(fen, limit)
            if raw is None:
                continue
            best = max(best, round(raw.nodes / max(raw.cpu or raw.seconds, 1e-4)))
            infos = infos_of(raw)
            if infos and all(info.bound for info in infos):
                scores = "bracketed"
        return best, scores

    def _mates(self, limit: str) -> None:
        """Whether it writes mates as centipawns, and from which number on."""
        raw = self.search(MATE_IN_ONE, limit)
        infos = infos_of(raw) if raw is not None else []
        if infos and infos[-1].cp is not None and abs(infos[-1].cp) >= 5_000:
            self.mate_floor = abs(infos[-1].cp) // 10 * 9

    def _sanity(self, limit: str) -> str:
        """Why its verdicts cannot be used, or "": a mate in one is found, a queen is counted for the right side."""
        mate = self.read(MATE_IN_ONE, self.search(MATE_IN_ONE, limit))
        if mate is None or mate.best.pv[0] != "a1a8" or mate.best.score.plain < 500:
            return "it does not find a mate in one"
        queen = self.read(QUEEN_UP_BLACK, self.search(QUEEN_UP_BLACK, limit))
        if queen is None:
            return "it gives no usable score"
        if queen.best.score.plain < -300:
            return "it scores for White, not for the side to move as UCI asks"
        if queen.best.score.plain < 300:
            return "it does not see an extra queen"
        return ""

    def _calibrate(self, most: int) -> tuple[int, ...]:
        """Nodes spent by the end of each depth, geometric mean over OPENINGS, as far as all of them got; the searches
        end with the first that takes more than `most`: ended by seconds, they would depend on the load."""
        tables = []
        for fen in OPENINGS:
            table: list[int] = []
            for depth in range(1, DEEPEST):
                raw = self.search(fen, f"depth {depth}") or self.search(fen, f"depth {depth}")  # struck by chance?
                spent = max(nodes_said(raw), default=0) if raw is not None else 0
                if raw is None or (not spent and depth > 2):
                    break  # at the first depths some say nothing (measured: Sjaak II at depth 1)
                table.append(max(spent, table[-1] if table else 1))
                if spent > most:
                    break
            tables.append(table)
        common = min(len(table) for table in tables)
        return tuple(round(math.exp(sum(math.log(table[i]) for table in tables) / len(tables))) for i in range(common))

    def _with_least(self, limit: AnyLimit) -> AnyLimit:
        """The limit with its cheapest searches so costly that their verdicts in sharp positions can be trusted as far
        as SCREEN_ERROR."""
        if isinstance(limit, TimeLimit):
            return limit
        deep = self._verdicts(limit.go(DEEP_BUDGET))
        if isinstance(limit, DepthLimit):
            first, last = limit.depth(SCREEN_BUDGET), limit.depth(DEEP_BUDGET)
            trusted = (d for d in range(first, last) if _rms(deep, self._verdicts(f"depth {d}")) <= SCREEN_ERROR)
            return msgspec.structs.replace(limit, least=next(trusted, last))
        for times in (1, 2, 4):
            if _rms(deep, self._verdicts(f"nodes {times * SCREEN_BUDGET}")) <= SCREEN_ERROR:
                break
        return msgspec.structs.replace(limit, least=times * SCREEN_BUDGET if times > 1 else 0)

    def _noise(self, limit: AnyLimit) -> float:
        """See `Probe.noise`: root mean square over SHARP of NOISE_BUDGET against DEEP_BUDGET."""
        if isinstance(limit, TimeLimit):
            return 1.0
        # of a depth half, so that its nodes are about twice those of the yardstick: what is deeper shows less noise
        part = 2 if isinstance(limit, DepthLimit) else 1
        usual, deep = (self._verdicts(limit.go(budget // part)) for budget in (NOISE_BUDGET, DEEP_BUDGET))
        times = _rms(deep, usual) / NOISE_EXPECTED
        return min(MOST_NOISE, max(1.0, round(2 * times) / 2))

    def _verdicts(self, limit: str) -> list[float | None]:
        """Expected score in each of SHARP, for the side to move; each limit is searched once, as deep searches are
        much of a slow engine's measuring."""
        if limit not in self._judged:
            answers = (self.read(fen, self.search(fen, limit)) for fen in SHARP)
            self._judged[limit] = [answer.best.score.expected() if answer else None for answer in answers]
        return self._judged[limit]

    def _reproducible(self, limit: str) -> bool:
        """Equal answers to equal searches after others: with `ucinewgame`, else with the Clear Hash button too, else
        with a first search of the same position, else by a process of its own for each."""
        button = find_option(self.session().options, "Clear Hash") is not None
        rungs = ((False, False, False), (True, False, False), (False, True, False), (True, True, False))
        for self.clear_hash, self.prime, self.renew in (*rungs, (False, False, True)):
            if (button or not self.clear_hash) and self._repeats(limit):
                if self.renew:
                    self.notes.append("started anew for each search, as its answers hang on earlier ones otherwise")
                return True
        self.clear_hash = self.prime = self.renew = False
        self.notes.append("equal searches do not always give equal answers: reports may vary from run to run")
        return False

    def _repeats(self, limit: str) -> bool:
        """Whether scores, lines and node counts repeat over two processes and different orders."""
        positions = [*OPENINGS, *(_after(fen, at) for fen in OPENINGS for at in (0, 9, 18)), ENDING]
        seen: dict[str, Evaluation] = {}
        for order in (positions, positions[::-1], positions[7:] + positions[:7]):
            self.drop()
            for fen in order:
                answer = self.read(fen, self.search(fen, limit))
                if answer is None or seen.setdefault(fen, answer) != answer:
                    return False
        return True

    def _multipv(self, limit: str) -> bool:
        declared = find_option(self.session().options, "MultiPV")
        if declared is None or declared.type != "spin" or (declared.max or 0) < 2:
            return False
        answer = self.read(OPENINGS[0], self.search(OPENINGS[0], limit, multipv=4), 4)
        if answer is None or len(answer.lines) < 4:
            self.notes.append("MultiPV: not all lines come with exact scores, not used")
            return False
        few = self.read(MATE_IN_TWO, self.search(MATE_IN_TWO, limit, multipv=4), 1)
        if few is None:
            self.notes.append("MultiPV: fails with fewer moves than lines, not used")
            self.drop()
            return False
        return True

    def _searchmoves(self, limit: str) -> bool:
        # The best move by far is left out, and the queen's suicide is one of those asked for.
        only = ("a7a6", "d8b6")
        raw = self.search(OPENINGS[0], limit, moves=only)
        return self.read(OPENINGS[0], raw, moves=only) is not None

    def _stops(self, nps: int) -> bool:
        """Whether `stop`, sent at once, ends a search that would take STOP_SECONDS in half of them."""
        raw = self.search(OPENINGS[0], f"nodes {round(STOP_SECONDS * nps)}", enough=lambda line: True)
        return raw is not None and raw.seconds < STOP_SECONDS / 2


def _rms(first: Sequence[float | None], second: Sequence[float | None]) -> float:
    """Root mean square difference; an answer that is missing counts as wrong altogether."""
    gaps = [1.0 if a is None or b is None else a - b for a, b in zip(first, second, strict=True)]
    return math.sqrt(sum(gap * gap for gap in gaps) / len(gaps))


def _after(fen: str, at: int) -> str:
    """The position after one of the legal moves, by its place in the alphabet."""
    board = chess.Board(fen)
    board.push_uci(sorted(move.uci() for move in board.legal_moves)[at])
    return board.fen()
