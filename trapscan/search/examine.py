"""Screening and verifying: one position, its candidate moves, and which of them are slips.

A candidate climbs the stages (rising budgets, one search of the position after it) until its loss is clear of the
threshold by the noise of its stage, so that most moves cost one cheap search. What settles as a slip is confirmed with
a larger budget, from which its refutation comes; a slip that does not survive that climbs on to the last stage.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import chess

from trapscan.model import ChanceModel, Chances, Evaluation, Evaluator, Examined, Line, Position, Query, Slip
from trapscan.score import Score, loss
from trapscan.search.candidates import choose_candidates
from trapscan.settings import Settings

REFUTATIONS = 4
"""How many first moves of the punisher are looked at, to tell which others punish as well."""

LIKELY_REPLY = 0.15
"""Without MultiPV only replies of at least this chance are tried as further refutations: each costs a search."""

ALSO_SHARE = 0.5
"""Another first move punishes as well when it keeps the loss over the threshold and at least this share of it."""

STAKES = ((0.10, 1.5), (0.03, 1.0), (0.0, 0.4))
"""(least chance at any level, factor on the margin): a move that many play deserves more nodes than one of 1 %. Traps
that a shallow search misjudges are just the moves that people play (measured: scripts/check_traps)."""

MAX_EXTENSIONS = 2
"""How often a refutation that ends in the middle of things is prolonged with the engine."""

NeedsMore = Callable[[chess.Board, chess.Move, tuple[str, ...]], bool]


@dataclass(slots=True)
class Climb:
    """A candidate on its way up: its score after each search so far."""

    move: str
    child: str
    score: Score
    nodes: int
    shallow_loss: float
    loss: float
    stake: float = 1.0
    exposed: int = 0
    settled: bool = False
    evaluation: Evaluation | None = None


@dataclass(slots=True)
class Asked:
    """Counts the questions of one position and passes them on."""

    evaluator: Evaluator
    searches: int = 0
    nodes: int = 0
    notes: list[str] = field(default_factory=list)

    def __call__(self, query: Query) -> Evaluation:
        evaluation = self.evaluator.evaluate(query)
        self.searches += 1
        self.nodes += evaluation.nodes
        self.notes += [note for note in evaluation.notes if note not in self.notes]
        return evaluation


class Examiner:
    """Examines positions with one evaluator, one chance model and fixed settings; keeps nothing between positions.

    `needs_more(board, slip, refutation)` says whether a refutation line should be prolonged (the explain room knows).
    """

    def __init__(
        self, evaluator: Evaluator, model: ChanceModel, settings: Settings, *, needs_more: NeedsMore | None = None
    ) -> None:
        self.evaluator, self.model, self.settings, self.needs_more = evaluator, model, settings, needs_more

    def examine(self, position: Position, chances: Chances) -> Examined:
        """All slips of the side to move in `position`, given the chances of its legal moves before the engine looks.

        Raises trapscan.errors.EngineError when the evaluator gives no usable answer.
        """
        board = position.board()
        candidates = choose_candidates(chances, position.prepared, self.settings)
        asked = Asked(self.evaluator)
        best = asked(Query(position.epd, self.settings.best_nodes)).best
        if not candidates:
            return Examined(position.epd, best, (), (), chances, 0, asked.searches, asked.nodes)
        climbs = [self._screen(asked, board, best, move) for move in candidates]
        joined = self._join(chances, climbs)
        for climb in climbs:
            climb.stake = _stake(max(joined[climb.move]))
            self._note(climb, climb.nodes, 0)
        worth = [c for c in climbs if self._matters(joined, c.move, position, share=0.5)]
        for climb in worth:
            self._settle(asked, best, climb)
        joined = self._join(chances, climbs)
        slips = [
            self._report(asked, board, best, climb)
            for climb in worth
            if climb.loss >= self.settings.threshold and self._matters(joined, climb.move, position)
        ]
        confirmed = tuple(slip for slip in slips if slip is not None)
        joined = self._join(chances, climbs)  # confirming moved some losses
        slipped = {slip.move for slip in confirmed}
        return Examined(
            epd=position.epd,
            best=best,
            slips=tuple(slip for slip in confirmed if self._matters(joined, slip.move, position)),
            others=tuple((c.move, c.score, c.nodes) for c in climbs if c.move not in slipped),
            chances=joined,
            candidates=len(candidates),
            searches=asked.searches,
            nodes=asked.nodes,
            problems=tuple(asked.notes),
        )

    def _screen(self, asked: Asked, board: chess.Board, best: Line, move: str) -> Climb:
        child = _epd_after(board, move)
        budget = self.settings.stages[0]
        evaluation = asked(Query(child, budget))
        score = evaluation.best.score.of(board.turn)
        lost = max(0.0, loss(best.score, score))
        return Climb(move, child, score, budget, shallow_loss=lost, loss=lost, evaluation=evaluation)

    def _settle(self, asked: Asked, best: Line, climb: Climb) -> None:
        """Search on until the move is clearly a slip or clearly none, or the stages end."""
        for stage, budget in enumerate(self.settings.stages):
            if climb.settled:
                return
            if budget <= climb.nodes:
                continue
            self._search(asked, best, climb, Query(climb.child, budget))
            self._note(climb, budget, stage)

    def _search(self, asked: Asked, best: Line, climb: Climb, query: Query) -> None:
        climb.evaluation = asked(query)
        climb.score = climb.evaluation.best.score.of(best.score.side)
        climb.loss = max(0.0, loss(best.score, climb.score))
        climb.nodes = query.budget

    def _note(self, climb: Climb, budget: int, stage: int) -> None:
        margin = climb.stake * self.settings.clear * self.settings.noise[stage]
        climb.settled = abs(climb.loss - self.settings.threshold) > margin or budget >= self.settings.stages[-1]
        if climb.loss >= self.settings.threshold and not climb.exposed:
            climb.exposed = budget

    def _stage_of(self, budget: int) -> int:
        """The last stage that costs no more than `budget`: its noise is the one to reckon with."""
        return max(0, sum(stage <= budget for stage in self.settings.stages) - 1)

    def _report(self, asked: Asked, board: chess.Board, best: Line, climb: Climb) -> Slip | None:
        """The slip with its refutation, or None when it does not survive the confirming search."""
        budget = self.settings.confirm_nodes
        if climb.nodes < budget:
            # on one line: with several, the first is searched so much less deeply that it cries wolf
            self._search(asked, best, climb, Query(climb.child, budget))
            self._note(climb, budget, self._stage_of(budget))
            self._settle(asked, best, climb)
        if climb.loss < self.settings.threshold:
            return None
        assert climb.evaluation is not None
        slip = Slip(
            move=climb.move,
            score=climb.score,
            refutation=climb.evaluation.best.pv,
            also=(),
            exposed=climb.exposed or climb.nodes,
            nodes=climb.nodes,
        )
        if not slip.refutation:  # the slip itself ends the game (stalemate)
            return slip
        also = (
            self._also(asked, board, best, climb)
            if self.evaluator.multipv
            else self._also_one_by_one(asked, board, best, climb)
        )
        return replace(slip, also=also, refutation=self._prolong(asked, board, climb, slip.refutation))

    def _punishes(self, best: Line, climb: Climb, victims: Score) -> bool:
        lost = loss(best.score, victims)
        return lost >= self.settings.threshold and lost >= ALSO_SHARE * climb.loss

    def _also(self, asked: Asked, board: chess.Board, best: Line, climb: Climb) -> tuple[str, ...]:
        assert climb.evaluation is not None
        lines = asked(Query(climb.child, self.settings.confirm_nodes, lines=REFUTATIONS)).lines
        main = climb.evaluation.best.pv[0]
        return tuple(
            line.pv[0]
            for line in lines
            if line.pv and line.pv[0] != main and self._punishes(best, climb, line.score.of(board.turn))
        )

    def _also_one_by_one(self, asked: Asked, board: chess.Board, best: Line, climb: Climb) -> tuple[str, ...]:
        """The same without MultiPV: the likeliest replies are searched one at a time, at the screening budget."""
        assert climb.evaluation is not None
        after = board.copy()
        after.push_uci(climb.move)
        chances = self.model.predict([after], (self.settings.level,))[0]
        main = climb.evaluation.best.pv[0]
        likely = sorted(
            (move for move in chances if chances[move][0] >= LIKELY_REPLY), key=lambda move: (-chances[move][0], move)
        )[:REFUTATIONS]
        return tuple(
            move
            for move in likely
            if move != main
            and self._punishes(
                best, climb, asked(Query(_epd_after(after, move), self.settings.stages[0])).best.score.of(board.turn)
            )
        )

    def _prolong(self, asked: Asked, board: chess.Board, climb: Climb, line: tuple[str, ...]) -> tuple[str, ...]:
        if self.needs_more is None:
            return line
        slip = chess.Move.from_uci(climb.move)
        for _ in range(MAX_EXTENSIONS):
            if not self.needs_more(board, slip, line):
                break
            end = board.copy(stack=False)
            for move in (climb.move, *line):
                end.push_uci(move)
            more = asked(Query(end.epd(), self.settings.confirm_nodes)).best.pv
            if not more:
                break
            line = (*line, *more)
        return line

    def _join(self, chances: Chances, climbs: list[Climb]) -> Chances:
        losses = {climb.move: (climb.shallow_loss, climb.loss) for climb in climbs}
        return self.model.join(chances, losses, self.settings.levels)

    def _matters(self, chances: Chances, move: str, position: Position, share: float = 1.0) -> bool:
        return move in position.prepared or max(chances[move]) >= share * self.settings.min_chance


def _stake(chance: float) -> float:
    """How much surer than usual one must be of a move that is played this often."""
    return next(stake for least, stake in STAKES if chance >= least)


def _epd_after(board: chess.Board, move: str) -> str:
    child = board.copy(stack=False)
    child.push_uci(move)
    return child.epd()
