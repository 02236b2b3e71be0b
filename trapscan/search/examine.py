"""One position, its candidate moves, and which of them are slips.

The position itself is searched once, for the best move. After each candidate one search climbs until the candidate's
loss is clear of the threshold by the noise of the nodes spent so far (trapscan.stopping), so that most moves cost a few
thousand nodes and a doubtful one, if many play it, all it may. The refutation of a slip comes from the same search.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import chess

from trapscan.model import ChanceModel, Chances, Evaluation, Evaluator, Examined, Line, Position, Query, Slip
from trapscan.score import Score, loss
from trapscan.search.candidates import choose_candidates
from trapscan.settings import Settings
from trapscan.stopping import NOISE_AT, Calm, Until

REFUTATIONS = 3
"""How many first moves of the punisher are looked at, to tell which others punish as well."""

LIKELY_REPLY = 0.15
"""Without MultiPV only replies of at least this chance are tried as further refutations: each costs a search."""

ALSO_SHARE = 0.5
"""Another first move punishes as well when what it keeps is clear of the threshold, and of this share of the loss."""

ALSO_CLEAR, ALSO_LEAST, ALSO_STRETCH = 1.5, 2, 6
"""The search that must confirm it ends when what it keeps is so many times its noise away, not before so many times
`side_nodes` if it does punish, and takes at most so many times them."""

ALSO_CHANCE = 0.01
"""Further refutations are looked for where the slip has this chance at some level, or stands in the repertoire."""

END_SHARE = 0.5
"""A search that ends in doubt makes a slip only of a loss this share of its noise over the threshold: of many losses
near it, those that come out above are more often too high than too low (measured: docs/measurements.md, True)."""

BEAR_CLEAR, BEAR_STRETCH, BEAR_SHARE = 0.5, 6, 0.25
"""A slip must look lost after its refutation too: in a search from half of `side_nodes` to so many times that, which
ends once the loss is so many times its noise over the threshold, and must leave it this share of its noise over it."""

BEAR_AGAIN, DENIED_SHARE, DENIED_STRETCH = 4, 0.75, 16
"""A likely slip that is not borne out is searched again with so many times as many nodes, and is told only of a loss
this share of its noise over the threshold, and when a search of up to so many times `side_nodes` after the same
refutation bears it out at last (measured: docs/measurements.md, Denied)."""

RARE_SHARE = 1.0
"""What fewer than ALSO_CHANCE play must lose this share of its noise over the threshold: its search is short, and a
false one teaches nothing."""

LESS_PART = 3
"""Where all others would be slips, the best move is searched with this part of its position's nodes."""

PREPARED_DOUBT, PREPARED_STRETCH = 1.5, 4
"""Where the loss of a move of the repertoire ends within so many times its noise of the threshold, the move is searched
again with so many times as many nodes, and if it still looks like a slip the position too: a sound move must not be
called unsound."""

MAX_EXTENSIONS = 2
"""How often a refutation that ends in the middle of things is prolonged with the engine."""

NeedsMore = Callable[[chess.Board, chess.Move, tuple[str, ...]], bool]


@dataclass(slots=True)
class Climb:
    """A candidate and what the search after it said; scores and losses from the victim's point of view."""

    move: str
    child: str
    score: Score
    nodes: int
    shallow_loss: float
    loss: float
    exposed: int
    evaluation: Evaluation | None
    further: tuple[str, ...] = ()
    """The refutation, prolonged by the search that bore it out."""
    doubt: float = END_SHARE
    """The share of its noise by which its loss must be over the threshold."""

    def again(self, evaluation: Evaluation, best: Line, victim: chess.Color) -> None:
        """Takes over what a longer search of the same position says."""
        self.evaluation, self.nodes, self.score = evaluation, evaluation.nodes, evaluation.best.score.of(victim)
        self.loss = max(0.0, loss(best.score, self.score))


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
        best = self._at_rest(asked, position.epd)
        if not candidates:
            return Examined(position.epd, best, (), (), chances, 0, asked.searches, asked.nodes)
        climbs = [self._climb(asked, board, best, position, chances, move) for move in candidates]
        better = self._better(asked, board, best, climbs) or self._less(asked, board, best, climbs)
        if better is not None:
            best = better
            climbs = [self._climb(asked, board, best, position, chances, climb.move, climb) for climb in climbs]
        best, climbs = self._look_again(asked, board, best, climbs, position.prepared)
        for climb in climbs:
            if self.evaluator.steady and self._is_slip(climb):  # a noisy engine's short search would deny true ones
                played = climb.move in position.prepared or max(chances[climb.move]) >= ALSO_CHANCE
                self._bear_out(asked, board, best, climb, likely=played)
        joined = self.model.join(chances, {c.move: (c.shallow_loss, c.loss) for c in climbs}, self.settings.levels)
        slips = tuple(
            self._report(asked, board, best, climb, climb.move in position.prepared or likely >= ALSO_CHANCE)
            for climb in climbs
            if self._is_slip(climb)
            and ((likely := max(joined[climb.move])) >= self.settings.min_chance or climb.move in position.prepared)
        )
        slipped = {slip.move for slip in slips}
        return Examined(
            epd=position.epd,
            best=best,
            slips=slips,
            others=tuple((c.move, c.score, c.nodes) for c in climbs if c.move not in slipped),
            chances=joined,
            candidates=len(candidates),
            searches=asked.searches,
            nodes=asked.nodes,
            problems=tuple(asked.notes),
        )

    def _at_rest(self, asked: Asked, epd: str) -> Line:
        """The best line of a position, searched until its score is at rest."""
        calm = Calm.around(self.settings.best_nodes)
        return asked(Query(epd, calm.most, until=calm)).best

    def _better(self, asked: Asked, board: chess.Board, best: Line, climbs: Sequence[Climb]) -> Line | None:
        """The line of a candidate that is better than the best move, as the search of the position itself may have
        missed it: the candidate that came out above it by more than its noise, if a longer search says so too."""
        rivals = [climb for climb in climbs if climb.evaluation is not None]
        if not rivals:
            return None
        rival = max(rivals, key=lambda climb: (climb.score.expected(), climb.move))
        if rival.score.expected() - best.score.expected() <= self.settings.noise_after(rival.nodes):
            return None
        # as sure as the best move's own score: of two, the higher is the one that is more often too high
        line = self._at_rest(asked, rival.child)
        score = line.score.of(board.turn)
        return Line(score, (rival.move, *line.pv)) if score.expected() > best.score.expected() else None

    def _less(self, asked: Asked, board: chess.Board, best: Line, climbs: Sequence[Climb]) -> Line | None:
        """What is best where the best move is worth less than was thought. Where all other candidates would be slips,
        all of them hang on that one score, so the best move is searched as they were: if it comes out a slip itself
        (measured against what it was thought to be worth), that score is not believed."""
        others = [climb for climb in climbs if climb.evaluation is not None]
        if not best.pv or not others or not all(self._is_slip(climb) for climb in others):
            return None
        child = _epd_after(board, best.pv[0])
        nodes = max(1, self.settings.best_nodes // LESS_PART)
        stake = self.settings.stake(1.0)
        until = self._until(best, clear=stake.clear, least=stake.least, confirm=nodes)
        line = asked(Query(child, nodes, until=until)).best
        score = line.score.of(board.turn)
        if loss(best.score, score) < self.settings.threshold:
            return None
        rival = max(others, key=lambda climb: (climb.score.expected(), climb.move))
        assert rival.evaluation is not None
        if rival.score.expected() > score.expected():
            return Line(rival.score, (rival.move, *rival.evaluation.best.pv))
        return Line(score, (best.pv[0], *line.pv))

    def _until(self, best: Line, *, clear: float, least: int, confirm: int, threshold: float | None = None) -> Until:
        return Until(
            best=best.score.expected(),
            threshold=self.settings.threshold if threshold is None else threshold,
            clear=clear,
            least=least,
            confirm=confirm,
            noise=self.settings.noise,
            fall=self.settings.noise_fall,
        )

    def _climb(
        self,
        asked: Asked,
        board: chess.Board,
        best: Line,
        position: Position,
        chances: Chances,
        move: str,
        before: Climb | None = None,
    ) -> Climb:
        """Searches after a candidate. `before` is what it came to against another best move: if that settles it now as
        well, it is not searched again."""
        child = _epd_after(board, move)
        if best.pv and move == best.pv[0]:  # what the best move is worth has just been asked
            return Climb(move, child, best.score, self.settings.best_nodes, 0.0, 0.0, 0, None)
        prepared = move in position.prepared
        stake = self.settings.prepared_stake if prepared else self.settings.stake(max(chances[move]))
        confirm = min(self.settings.confirm_nodes, stake.most)
        until = self._until(best, clear=stake.clear, least=stake.least, confirm=confirm)
        evaluation = before.evaluation if before is not None else None
        if evaluation is None or not until.settled([(nodes, step.expected()) for nodes, step in evaluation.trail]):
            evaluation = asked(Query(child, stake.most, until=until))
        score = evaluation.best.score.of(board.turn)
        trail = [(nodes, loss(best.score, step.of(board.turn))) for nodes, step in evaluation.trail]
        trail = trail or [(stake.most, loss(best.score, score))]
        first = max((i for i, (nodes, _) in enumerate(trail) if nodes <= NOISE_AT), default=0)
        exposed = next((nodes for nodes, lost in trail[first:] if lost >= self.settings.threshold), trail[-1][0])
        return Climb(
            move=move,
            child=child,
            score=score,
            nodes=trail[-1][0],
            shallow_loss=max(0.0, trail[first][1]),
            loss=max(0.0, loss(best.score, score)),
            exposed=exposed,
            evaluation=evaluation,
        )

    def _look_again(
        self, asked: Asked, board: chess.Board, best: Line, climbs: list[Climb], prepared: tuple[str, ...]
    ) -> tuple[Line, list[Climb]]:
        """The best line and the climbs, after another search where a prepared move is in doubt."""
        still = False
        for climb in climbs:
            doubt = PREPARED_DOUBT * self.settings.noise_after(climb.nodes)
            off = abs(climb.loss - self.settings.threshold)
            if climb.move not in prepared or climb.evaluation is None or off >= doubt:
                continue
            climb.again(asked(Query(climb.child, PREPARED_STRETCH * self.settings.stakes[0].most)), best, board.turn)
            still = still or climb.loss >= self.settings.threshold
        if still:
            best = asked(Query(board.epd(), PREPARED_STRETCH * self.settings.best_nodes)).best
            for climb in climbs:
                if climb.evaluation is not None:  # what was the best move at first is no slip
                    climb.loss = max(0.0, loss(best.score, climb.score))
        return best, climbs

    def _bear_out(self, asked: Asked, board: chess.Board, best: Line, climb: Climb, *, likely: bool) -> None:
        """Looks whether the slip is lost after its refutation too, as the search that found it may have seen something
        that is not there. If it is not, a likely slip is searched once more and longer, and the refutation that then
        comes up must bear it out, the same one in a longer search. (One that was searched with `best_nodes` stands by
        that search, if clear enough.) An unlikely one is none, nor one that is not clear to begin with."""
        assert climb.evaluation is not None
        if not likely:
            climb.doubt = RARE_SHARE
            if not self._is_slip(climb):
                return
        reply = climb.evaluation.best.pv[:1]
        if not reply or self._borne_out(asked, board, best, climb, reply[0], BEAR_STRETCH):
            return
        if not likely:
            climb.doubt = math.inf
            return
        climb.doubt = DENIED_SHARE
        nodes = min(BEAR_AGAIN * climb.nodes, self.settings.best_nodes)
        if nodes <= climb.nodes:
            return
        climb.again(asked(Query(climb.child, nodes)), best, board.turn)
        now = climb.evaluation.best.pv[:1]
        if not now or not self._is_slip(climb):
            return
        stretch = DENIED_STRETCH if now == reply else BEAR_STRETCH
        if not self._borne_out(asked, board, best, climb, now[0], stretch):
            climb.doubt = math.inf

    def _borne_out(self, asked: Asked, board: chess.Board, best: Line, climb: Climb, reply: str, stretch: int) -> bool:
        """Whether the slip is lost after this reply; keeps the line of the search that says so. It takes at most
        `stretch` times `side_nodes`."""
        half, most = self.settings.side_nodes // 2, stretch * self.settings.side_nodes
        # clearly lost is enough, not lost takes all
        until = self._until(best, clear=BEAR_CLEAR, least=most, confirm=half)
        answer, lost = self._after(asked, board, best, climb, reply, most, until)
        share = BEAR_SHARE if answer.best.pv else 0.0  # the reply ends the game: no doubt
        if lost < self.settings.threshold + share * self.settings.noise_after(answer.nodes):
            return False
        climb.further = (reply, *answer.best.pv)
        return True

    def _after(
        self, asked: Asked, board: chess.Board, best: Line, climb: Climb, reply: str, nodes: int, until: Until
    ) -> tuple[Evaluation, float]:
        """What a search of the position after a reply to the slip says, and the loss it makes of the slip."""
        child = _epd_after(chess.Board(f"{climb.child} 0 1"), reply)
        answer = asked(Query(child, nodes, until=until.for_victim()))
        return answer, loss(best.score, answer.best.score.of(board.turn))

    def _is_slip(self, climb: Climb) -> bool:
        over = climb.evaluation is not None and not climb.evaluation.best.pv  # the move ends the game: no doubt
        share = 0.0 if over else climb.doubt
        return climb.loss >= self.settings.threshold + share * self.settings.noise_after(climb.nodes)

    def _report(self, asked: Asked, board: chess.Board, best: Line, climb: Climb, with_also: bool) -> Slip:
        """The slip with its refutation and, where wanted, the other moves that punish it."""
        assert climb.evaluation is not None
        slip = Slip(
            move=climb.move,
            score=climb.score,
            refutation=climb.evaluation.best.pv,
            also=(),
            exposed=climb.exposed,
            nodes=climb.nodes,
        )
        if not slip.refutation:  # the slip itself ends the game (stalemate)
            return slip
        also = self._also(asked, board, best, climb) if with_also else ()
        return replace(slip, also=also, refutation=self._prolong(asked, board, climb, slip.refutation))

    def _punishes(self, asked: Asked, board: chess.Board, best: Line, climb: Climb, reply: str) -> bool:
        """Whether another reply punishes, by a search of its own; what stays in doubt is not said to."""
        bar = max(self.settings.threshold, ALSO_SHARE * climb.loss)
        half, enough = self.settings.side_nodes // 2, ALSO_LEAST * self.settings.side_nodes
        until = self._until(best, clear=ALSO_CLEAR, least=half, confirm=enough, threshold=bar)
        answer, lost = self._after(asked, board, best, climb, reply, ALSO_STRETCH * self.settings.side_nodes, until)
        if not answer.best.pv:  # the reply ends the game
            return lost >= bar
        return lost >= bar and until.for_victim().settled([(nodes, score.expected()) for nodes, score in answer.trail])

    def _also(self, asked: Asked, board: chess.Board, best: Line, climb: Climb) -> tuple[str, ...]:
        """Other first moves that punish. One search of several lines says which might, another of each whether it does:
        the first alone was wrong about one in six (docs/measurements.md, True)."""
        assert climb.evaluation is not None
        main = climb.evaluation.best.pv[0]
        if self.evaluator.multipv:
            lines = asked(Query(climb.child, self.settings.side_nodes, lines=REFUTATIONS)).lines
            noise = self.settings.noise_after(max(1, self.settings.side_nodes // REFUTATIONS))
            bar = max(self.settings.threshold, ALSO_SHARE * climb.loss) + noise
            tried = [line.pv[0] for line in lines if line.pv and loss(best.score, line.score.of(board.turn)) >= bar]
        else:
            tried = self._likely_replies(board, climb)
        return tuple(reply for reply in tried if reply != main and self._punishes(asked, board, best, climb, reply))

    def _likely_replies(self, board: chess.Board, climb: Climb) -> list[str]:
        after = board.copy()
        after.push_uci(climb.move)
        chances = self.model.predict([after], (self.settings.level,))[0]
        likely = [move for move in chances if chances[move][0] >= LIKELY_REPLY]
        return sorted(likely, key=lambda move: (-chances[move][0], move))[:REFUTATIONS]

    def _prolong(self, asked: Asked, board: chess.Board, climb: Climb, line: tuple[str, ...]) -> tuple[str, ...]:
        if self.needs_more is None:
            return line
        slip = chess.Move.from_uci(climb.move)
        if len(climb.further) > len(line) and self.needs_more(board, slip, line):
            line = climb.further
        for _ in range(MAX_EXTENSIONS):
            if not self.needs_more(board, slip, line):
                break
            end = board.copy(stack=False)
            for move in (climb.move, *line):
                end.push_uci(move)
            more = asked(Query(end.epd(), self.settings.side_nodes)).best.pv
            if not more:
                break
            line = (*line, *more)
        return line


def _epd_after(board: chess.Board, move: str) -> str:
    child = board.copy(stack=False)
    child.push_uci(move)
    return child.epd()
