"""One position, its candidate moves, and which of them are slips.

The way of a position: it is searched until its score is at rest, which is what its best move is worth. After each
candidate one search goes on until its loss is clear of the threshold (trapscan.stopping), for as long as its chance
allows. What came out better than the best move is searched as long, and takes its place if it still is. A slip must be
lost by a search of the position after its refutation too. Then it is asked which other replies punish it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from enum import Enum

import chess

from trapscan.model import ChanceModel, Chances, Evaluation, Evaluator, Examined, Line, Position, Query, Slip
from trapscan.score import Score, loss
from trapscan.search.candidates import choose_candidates
from trapscan.search.offers import offers
from trapscan.settings import Budget, Settings
from trapscan.stopping import NOISE_AT, PUNISHES, SPARED, TOLD, LossStop, StableScoreStop

LIKELY = 0.1
"""What many play: a chance at some level. Nothing is spared there (see `SPARED`)."""

ALSO_CHANCE = 0.03
"""Further refutations are looked for where the slip has this chance at some level, or stands in the repertoire."""

ALSO_LINES, ALSO_SHARE = 3, 0.5
"""So many first moves of the punisher are looked at; another one punishes as well when it keeps more than the threshold
and this share of what the slip loses."""

CONFIRM_STRETCH, ALSO_STRETCH = 16, 6
"""The search of the position after a slip's refutation, and after another reply that may punish it, takes at most so
many times `refutation_nodes`."""

OFFER_CHANCE, OFFER_NODES = 0.01, 1_500
"""Where a move of this chance looks harmless, each reply that gives something up is looked at for so many nodes: an
engine sees late what begins with a loss."""

LESS_PART = 3
"""Where all others would be slips, the best move is searched with this part of its position's nodes."""

MAX_EXTENSIONS = 2
"""How often a refutation that ends in the middle of things is prolonged with the engine."""

NeedsMore = Callable[[chess.Board, chess.Move, tuple[str, ...]], bool]


class Verdict(Enum):
    """What the search says of a candidate."""

    BEST = "the position's best move"
    HARMLESS = "it does not lose the threshold, or not clearly"
    SLIP = "it loses the threshold"
    DENIED = "it does not lose it after the reply that was to punish it"


@dataclass(slots=True)
class Candidate:
    """A move and what the search after it said; scores and losses from the victim's point of view."""

    move: str
    child: str
    prepared: bool
    chance: float
    answer: Evaluation | None = None
    score: Score = field(default_factory=lambda: Score(chess.WHITE, cp=0))
    nodes: int = 0
    loss: float = 0.0
    shallow_loss: float = 0.0
    exposed: int = 0
    verdict: Verdict = Verdict.HARMLESS
    further: tuple[str, ...] = ()
    """The refutation, prolonged by the search that confirmed it."""

    @property
    def reply(self) -> str:
        """The punisher's move, "" where there is none or none was asked for."""
        return "".join(self.answer.best.pv[:1]) if self.answer is not None else ""


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
        search = PositionSearch(self.evaluator, self.settings, position, chances)
        search.find_best()
        if not search.candidates:
            return search.result((), chances)
        search.search_candidates()
        search.verify_best()
        search.look_for_offers()
        search.confirm_slips()
        losses = {each.move: (each.shallow_loss, each.loss) for each in search.candidates}
        joined = self.model.join(chances, losses, self.settings.levels)
        slips = []
        for each in search.candidates:
            chance = max(joined[each.move])
            if each.verdict is Verdict.SLIP and (each.prepared or chance >= self.settings.min_chance):
                also = search.other_refutations(each) if each.prepared or chance >= ALSO_CHANCE else ()
                line = search.prolonged(each, self.needs_more)
                slips.append(Slip(each.move, each.score, line, also, each.exposed, each.nodes))
        return search.result(tuple(slips), joined)


class PositionSearch:
    """What is known of one position so far, and what it took."""

    def __init__(self, evaluator: Evaluator, settings: Settings, position: Position, chances: Chances) -> None:
        self.evaluator, self.settings, self.position = evaluator, settings, position
        self.board = position.board()
        self.candidates = [
            Candidate(move, _epd_after(self.board, move), move in position.prepared, max(chances[move]))
            for move in choose_candidates(chances, position.prepared, settings)
        ]
        self.best = Line(Score(self.board.turn, cp=0), ())
        self.searches = self.nodes = 0
        self.notes: list[str] = []

    def ask(self, query: Query) -> Evaluation:
        """Put a question to the evaluator and count it."""
        answer = self.evaluator.evaluate(query)
        self.searches += 1
        self.nodes += answer.nodes
        self.notes += [note for note in answer.notes if note not in self.notes]
        return answer

    def loss_of(self, score: Score) -> float:
        """What the victim loses by a score of either side; never negative."""
        return max(0.0, loss(self.best.score, score.of(self.board.turn)))

    # --- the best move -----------------------------------------------------------------------------------------------

    def find_best(self) -> None:
        """Search the position itself until its score is at rest."""
        self.best = self.ask(self._at_rest(self.position.epd)).best

    def _at_rest(self, epd: str) -> Query:
        stop = StableScoreStop.around(self.settings.best_nodes)
        return Query(epd, stop.most, until=stop)

    def verify_best(self) -> None:
        """Another best move, where the search of the position itself was wrong; then all candidates are measured by
        it, and searched again where that leaves them in doubt."""
        better = self._rival() or self._overrated()
        if better is not None:
            self.best = better
            self.search_candidates()

    def _rival(self) -> Line | None:
        """The line of the candidate that came out above the best move by more than its noise, if a search as long as
        the best move's says so too: of two, the higher is the one that is more often too high."""
        others = self._others()
        if not others:
            return None
        rival = max(others, key=lambda each: (each.score.expected(), each.move))
        if rival.score.expected() - self.best.score.expected() <= self.settings.noise_after(rival.nodes):
            return None
        line = self.ask(self._at_rest(rival.child)).best
        score = line.score.of(self.board.turn)
        return Line(score, (rival.move, *line.pv)) if score.expected() > self.best.score.expected() else None

    def _overrated(self) -> Line | None:
        """What is best where the best move is worth less than was thought. Where all other candidates would be slips,
        all of them hang on that one score, so the best move is searched as they were: if it comes out a slip itself
        (measured against what it was thought to be worth), that score is not believed."""
        others = self._others()
        if not self.best.pv or not others or any(each.verdict is not Verdict.SLIP for each in others):
            return None
        nodes = max(1, self.settings.best_nodes // LESS_PART)
        stop = self._loss_stop(self.settings.budget(1.0), confirm=nodes)
        line = self.ask(Query(_epd_after(self.board, self.best.pv[0]), nodes, until=stop)).best
        if self.loss_of(line.score) < self.settings.threshold:
            return None
        score = line.score.of(self.board.turn)
        rival = max(others, key=lambda each: (each.score.expected(), each.move))
        if rival.score.expected() > score.expected():
            assert rival.answer is not None
            return Line(rival.score, (rival.move, *rival.answer.best.pv))
        return Line(score, (self.best.pv[0], *line.pv))

    def _others(self) -> list[Candidate]:
        return [each for each in self.candidates if each.verdict is not Verdict.BEST]

    # --- the candidates ----------------------------------------------------------------------------------------------

    def search_candidates(self) -> None:
        """Search after each candidate, unless what was found before settles it."""
        for each in self.candidates:
            self._search(each)

    def _search(self, each: Candidate) -> None:
        if self.best.pv and each.move == self.best.pv[0]:  # what the best move is worth has just been asked
            each.answer, each.verdict = None, Verdict.BEST
            each.score, each.nodes, each.loss, each.shallow_loss = self.best.score, self.settings.best_nodes, 0.0, 0.0
            return
        query = self._query_after(each)
        stop, known = query.until, each.answer
        if known is None or not (each.prepared or (known.trail and stop is not None and stop.settled(known.trail))):
            known = self.ask(query)
        self._take(each, known, known.trail[-1].nodes if known.trail else self._usual(query))
        steps = [(step.nodes, self.loss_of(step.score)) for step in known.trail] or [(each.nodes, each.loss)]
        first = max((i for i, (nodes, _) in enumerate(steps) if nodes <= NOISE_AT), default=0)
        each.shallow_loss = steps[first][1]
        lost = (nodes for nodes, lost in steps[first:] if lost >= self.settings.threshold)
        each.exposed = next(lost, steps[-1][0])

    def _query_after(self, each: Candidate) -> Query:
        """What is asked of the position after a candidate. After a move of the repertoire it is what that position,
        which stands in the repertoire too, is asked itself: one search serves both."""
        if each.prepared:
            return self._at_rest(each.child)
        budget = self.settings.budget(each.chance)
        confirm = min(max(self.settings.confirm_nodes, budget.least), budget.most)
        stop = self._loss_stop(budget, confirm=confirm, spared=0.0 if each.chance >= LIKELY else SPARED)
        return Query(each.child, budget.most, until=stop)

    def _usual(self, query: Query) -> int:
        return query.until.usual if isinstance(query.until, StableScoreStop) else query.budget

    def _take(self, each: Candidate, answer: Evaluation, nodes: int) -> None:
        """Take over what a search of the position after a candidate says."""
        each.answer, each.nodes, each.score = answer, nodes, answer.best.score.of(self.board.turn)
        each.loss = self.loss_of(each.score)
        # a move that ends the game leaves no doubt
        margin = TOLD * self.settings.noise_after(nodes) if answer.best.pv else 0.0
        each.verdict = Verdict.SLIP if each.loss >= self.settings.threshold + margin else Verdict.HARMLESS

    def _loss_stop(self, budget: Budget, *, confirm: int, spared: float = SPARED) -> LossStop:
        return LossStop(
            best=self.best.score.expected(),
            threshold=self.settings.threshold,
            sigmas=budget.sigmas,
            least=budget.least,
            confirm=confirm,
            noise=self.settings.error,
            spared=spared,
        )

    # --- what an engine sees late ------------------------------------------------------------------------------------

    def look_for_offers(self) -> None:
        """Where a move that people play looks harmless, look at the replies that give something up, each alone. The
        first that punishes makes it a slip."""
        for each in self.candidates:
            if each.verdict is Verdict.HARMLESS and each.reply and (each.prepared or each.chance >= OFFER_CHANCE):
                replies = offers(chess.Board(f"{each.child} 0 1"))
                any(self._offer_pays(each, reply) for reply in replies if reply != each.reply)

    def _offer_pays(self, each: Candidate, reply: str) -> bool:
        line = self.ask(Query(_after_reply(each, reply), OFFER_NODES)).best
        if self.loss_of(line.score) < self.settings.threshold:
            return False
        answer, punishes = self._punishes(each, reply, self.settings.threshold)
        if punishes:
            line = Line(answer.best.score.of(not self.board.turn), (reply, *answer.best.pv))
            nodes = answer.trail[-1].nodes if answer.trail else answer.nodes
            self._take(each, replace(answer, lines=(line,), trail=()), nodes)
            each.exposed = each.nodes
        return each.verdict is Verdict.SLIP

    # --- slips -------------------------------------------------------------------------------------------------------

    def confirm_slips(self) -> None:
        """Each slip must be lost after its refutation too, as the search that found it may have seen something that is
        not there."""
        if not self.evaluator.steady:  # a noisy engine's short search would deny true ones
            return
        most = CONFIRM_STRETCH * self.settings.refutation_nodes
        for each in self.candidates:
            if each.verdict is Verdict.SLIP and each.reply:
                # clearly lost is enough, not lost takes all
                stop = self._reply_stop(sigmas=TOLD, least=most, confirm=self.settings.refutation_nodes // 2)
                answer = self.ask(Query(_after_reply(each, each.reply), most, until=stop))
                each.further = (each.reply, *answer.best.pv)
                margin = TOLD / 2 * self.settings.noise_after(answer.nodes) if answer.best.pv else 0.0
                if self.loss_of(answer.best.score) < self.settings.threshold + margin:
                    each.verdict = Verdict.DENIED

    def _punishes(self, each: Candidate, reply: str, bar: float) -> tuple[Evaluation, bool]:
        """What a search of the position after another reply says, and whether that clearly keeps more than `bar`."""
        side = self.settings.refutation_nodes
        stop = self._reply_stop(sigmas=PUNISHES, least=side // 2, confirm=2 * side, bar=bar)
        answer = self.ask(Query(_after_reply(each, reply), ALSO_STRETCH * side, until=stop))
        return answer, self._is_lost(answer, stop)

    def _reply_stop(self, *, sigmas: float, least: int, confirm: int, bar: float | None = None) -> LossStop:
        return LossStop(
            best=self.best.score.expected(),
            threshold=self.settings.threshold if bar is None else bar,
            sigmas=sigmas,
            least=least,
            confirm=confirm,
            noise=self.settings.error,
            spared=0.0,
            victim_moves=True,
        )

    def _is_lost(self, answer: Evaluation, stop: LossStop) -> bool:
        if not answer.best.pv or not answer.trail:  # a reply that ends the game leaves no doubt
            return self.loss_of(answer.best.score) >= stop.threshold
        return stop.is_clear(answer.trail)

    def other_refutations(self, each: Candidate) -> tuple[str, ...]:
        """Other first moves that punish. One search of several lines says which might, another of each whether it does:
        the first alone was wrong about one in six."""
        if not each.reply or not self.evaluator.multipv:
            return ()
        nodes = self.settings.refutation_nodes
        bar = max(self.settings.threshold, ALSO_SHARE * each.loss)
        noise = self.settings.noise_after(max(1, nodes // ALSO_LINES))
        lines = self.ask(Query(each.child, nodes, lines=ALSO_LINES)).lines
        tried = [line.pv[0] for line in lines if line.pv and self.loss_of(line.score) >= bar + noise]
        return tuple(reply for reply in tried if reply != each.reply and self._punishes(each, reply, bar)[1])

    def prolonged(self, each: Candidate, needs_more: NeedsMore | None) -> tuple[str, ...]:
        """The refutation, as far as it takes to see what it wins."""
        assert each.answer is not None
        line = each.answer.best.pv
        if needs_more is None or not line:
            return line
        slip = chess.Move.from_uci(each.move)
        if len(each.further) > len(line) and needs_more(self.board, slip, line):
            line = each.further
        for _ in range(MAX_EXTENSIONS):
            if not needs_more(self.board, slip, line):
                break
            end = self.board.copy(stack=False)
            for move in (each.move, *line):
                end.push_uci(move)
            more = self.ask(Query(end.epd(), self.settings.refutation_nodes)).best.pv
            if not more:
                break
            line = (*line, *more)
        return line

    def result(self, slips: tuple[Slip, ...], chances: Chances) -> Examined:
        """All that was found out."""
        slipped = {slip.move for slip in slips}
        return Examined(
            epd=self.position.epd,
            best=self.best,
            slips=slips,
            others=tuple((c.move, c.score, c.nodes) for c in self.candidates if c.move not in slipped),
            chances=chances,
            candidates=len(self.candidates),
            searches=self.searches,
            nodes=self.nodes,
            problems=tuple(self.notes),
        )


def _after_reply(each: Candidate, reply: str) -> str:
    return _epd_after(chess.Board(f"{each.child} 0 1"), reply)


def _epd_after(board: chess.Board, move: str) -> str:
    child = board.copy(stack=False)
    child.push_uci(move)
    return child.epd()
