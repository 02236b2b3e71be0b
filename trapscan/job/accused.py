"""The stage that looks long at what a report says first: slips of the repertoire itself, answers that let a slip off,
and the first ideas of each kind. What does not stand up to it is not said."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import chess
import msgspec

from trapscan import explain
from trapscan.chance import load_model
from trapscan.contract import SlipFinding, SlipKind
from trapscan.explain import Explanation
from trapscan.job.judging import prepared_answer
from trapscan.job.run import Job
from trapscan.job.seen import Seen
from trapscan.job.stage import SEARCHED, Fields, Stage
from trapscan.job.tools import Tools
from trapscan.job.verdict import Verdict
from trapscan.job.work import Recorder
from trapscan.levels import Lens
from trapscan.model import Line, Position, Query, Slip
from trapscan.order import FIRST, by_idea, section_of
from trapscan.search import Examiner
from trapscan.settings import POSITION_SETTINGS, Settings, Stake

LEAST_PART, CLEAR = 20, 1.5
"""The search after an accused move goes on for this part of the budget, and until its loss is so many times its noise
away from the threshold."""

SIDE_PART = 16
"""What bears a slip out, and what else is asked about it, takes this part of the budget."""

LIKELY, ALONE = 0.02, 1e-6
"""An accused move is examined as one of at least this chance; the others, set to nothing, lie below the second."""

ROUNDS = 3
"""How often the first ones are looked at again, as others take the place of those that fall."""


@dataclass(frozen=True, slots=True)
class Accused:
    """A position and the slips of it (UCI) that are to be looked at, each with the answer (UCI) that the repertoire
    has prepared for it, or ""."""

    position: Position
    slips: tuple[tuple[str, str], ...]

    @property
    def epd(self) -> str:
        """The position's EPD."""
        return self.position.epd

    def cache_key(self) -> Fields:
        """As in the search of positions, and what is asked."""
        return {"start_fen": self.position.start_fen, "moves": self.position.moves, "slips": self.slips}


@dataclass(frozen=True, slots=True)
class Looked:
    """The verdicts on a position's slips, `best` being the victim's best line."""

    best: Line
    verdicts: tuple[Verdict, ...]
    searches: int
    nodes: int
    asked: tuple[int, ...]


def look(tools: Tools, task: Accused, recorder: Recorder) -> Looked:
    """Examine the accused moves alone, with the settings' budget for it."""
    settings = long_look(tools.settings)
    position = replace(task.position, prepared=())
    board, model = position.board(), load_model()
    chances = model.predict([board], settings.levels)[0]
    wanted = {move for move, _ in task.slips}
    alone = {move: tuple(max(share, LIKELY) * (move in wanted) for share in chances[move]) for move in chances}
    examined = Examiner(recorder, model, settings, needs_more=explain.needs_more).examine(position, alone)
    found = {slip.move: slip for slip in examined.slips}
    nodes, searches = examined.nodes, examined.searches
    verdicts = []
    for move, answer in task.slips:
        slip, score = found.get(move), None
        if answer:
            after = board.copy(stack=False)
            after.push_uci(move)
            after.push_uci(answer)
            said = recorder.evaluate(Query(after.epd(), settings.stakes[0].most // 2))
            score, nodes, searches = said.best.score.of(board.turn), nodes + said.nodes, searches + 1
        verdicts.append(Verdict(move, slip, _explained(board, examined.best, slip), score))
    return Looked(examined.best, tuple(verdicts), searches, nodes, recorder.digests())


def _explained(board: chess.Board, best: Line, slip: Slip | None) -> Explanation | None:
    if slip is None:
        return None
    move = chess.Move.from_uci(slip.move)
    return explain.explain_slip(board, move, best=best, slip_score=slip.score, refutation=slip.refutation)


def long_look(settings: Settings) -> Settings:
    """The settings with the budgets of a long look: never less than they are."""
    most = max(settings.verify_nodes, settings.best_nodes)
    stake = Stake(chance=0.0, least=max(100, most // LEAST_PART), most=most, clear=CLEAR)
    side = max(settings.side_nodes, most // SIDE_PART)
    return msgspec.structs.replace(
        settings,
        stakes=(stake,),
        best_nodes=most,
        confirm_nodes=max(settings.confirm_nodes, side),
        side_nodes=side,
        min_prior=ALONE,
        min_chance=0.0,
    )


ACCUSED = Stage(
    "accused",
    "positions looked at again",
    look,
    Looked,
    settings=POSITION_SETTINGS | {"verify_nodes"},
    code=(*SEARCHED, "explain", "contract.py", "order.py", "plain.py", "job/accused.py"),
)


# --- who is accused, and what came of it ----------------------------------------------------------------------------


@dataclass(slots=True)
class Court:
    """All that was looked at so far: the victim's best line and the verdict, by position and slip."""

    verdicts: dict[tuple[str, str], tuple[Line, Verdict]] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)
    searches: int = 0
    nodes: int = 0

    def try_all(self, job: Job, tools: Tools, made: Callable[[], tuple[Seen, Sequence[SlipFinding]]]) -> Iterator[None]:
        """Look at what `made` says first, until that has all been looked at; a step for each position that is done."""
        if not tools.settings.verify_nodes:
            return
        for _ in range(ROUNDS):
            tasks = self._tasks(*made())
            if not tasks:
                return
            for done in job.each(ACCUSED, tools, tasks):
                if done.outcome is None:
                    self.failed[done.task.epd] = done.problem
                else:
                    self._keep(done.task.epd, done.outcome)
                yield

    def _tasks(self, seen: Seen, found: Sequence[SlipFinding]) -> list[Accused]:
        slips: dict[str, list[tuple[str, str]]] = {}
        for finding in said_first(found, Lens(seen.settings.levels, seen.settings.level)):
            epd = " ".join(finding.fen.split(" ")[:4])
            if (epd, finding.slip.uci) not in self.verdicts and epd not in self.failed:
                slips.setdefault(epd, []).append((finding.slip.uci, prepared_answer(seen, epd, finding.slip.uci)))
        return [Accused(seen.positions[epd], tuple(sorted(moves))) for epd, moves in slips.items()]

    def _keep(self, epd: str, looked: Looked) -> None:
        self.searches += looked.searches
        self.nodes += looked.nodes
        for verdict in looked.verdicts:
            self.verdicts[epd, verdict.move] = looked.best, verdict


def said_first(found: Iterable[SlipFinding], lens: Lens) -> list[SlipFinding]:
    """What a report says first or as an accusation: slips of the repertoire, answers that let a slip off, and the
    leads of the first ideas of each kind."""
    sections: dict[str, list[SlipFinding]] = {}
    first: dict[str, SlipFinding] = {}
    for finding in found:
        sections.setdefault(section_of(finding), []).append(finding)
        if finding.kind is SlipKind.UNSOUND or lets_off(finding):
            first[finding.id] = finding
    for kind in (SlipKind.TRICK, SlipKind.PITFALL):
        for idea in by_idea(sections.get(kind, ()), lens)[:FIRST]:
            assert isinstance(idea.lead, SlipFinding)
            first[idea.lead.id] = idea.lead
    return list(first.values())


def lets_off(finding: SlipFinding) -> bool:
    """Whether the repertoire is said to answer the slip wrongly."""
    return finding.prepared is not None and bool(finding.prepared.answers) and not finding.prepared.right
