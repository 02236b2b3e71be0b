"""How often a finding is met, what the repertoire answers to it, and what belongs together. Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence

import chess
import msgspec

from trapscan import rank
from trapscan.contract import LetOff, Nature, Prepared, SlipFinding, SlipKind
from trapscan.job.missed import KEEPS
from trapscan.job.owned import Owned
from trapscan.job.positions import ExplainedSlip, Outcome
from trapscan.job.state import ScanState
from trapscan.model import Line, Position
from trapscan.score import loss

LET_OFF, THEN = 2, 3
"""So many replies that let a slip off are told, with so many plies of what follows."""


def forgets(seen: ScanState, position: Position, board: chess.Board, kind: SlipKind) -> float:
    """How often the way to a slip is open although its owner has prepared another move: 1 but for our own slips."""
    if kind is not SlipKind.PITFALL:
        return 1.0
    return forgets_at(position, [seen.after(position, board, move) for move in position.prepared])


def forgets_at(position: Position, following: Iterable[Position | None]) -> float:
    """How often the owner of a repertoire leaves it in a position of his; `following` are those after its moves."""
    last = not any(child is not None and child.prepared for child in following)
    return rank.forgets(len(position.moves) // 2, prepared=bool(position.prepared), last=last)


# --- what the repertoire answers -------------------------------------------------------------------------------------


def prepared_of(owned: Owned, told: ExplainedSlip, best: Line, nature: Nature) -> Prepared | None:
    """What the repertoire answers to a slip that stands in it, and whether that is right."""
    if owned.edge is None:
        return None
    seen, position, board, answers = owned.seen, owned.position, owned.board, owned.answers
    child = seen.after(position, board, told.slip.move)
    after = board.copy(stack=False)
    after.push_uci(told.slip.move)
    return Prepared(
        answers=tuple(after.san(chess.Move.from_uci(uci)) for uci in answers),
        right=bool(answers) and (nature is Nature.GAMBIT or keeps(seen, position, told, best, child, answers[0])),
    )


def keeps(
    seen: ScanState, position: Position, told: ExplainedSlip, best: Line, child: Position | None, answer: str
) -> bool:
    """Whether an answer punishes: a right refutation, the best move of the position after the slip, or one that keeps
    at least half of what the slip lost. What has not been searched is given the benefit of the doubt."""
    slip = told.slip
    outcome = seen.outcomes.get(child.epd) if child is not None else None
    if answer in (*slip.refutation[:1], *slip.also):
        return True
    if outcome is not None and outcome.examined.best.pv[:1] == (answer,):
        return True
    lost = loss(best.score, slip.score)
    verdict = seen.verdicts.get((position.epd, slip.move))
    if verdict is not None and verdict[1].answer is not None:
        return loss(best.score, verdict[1].answer) >= KEEPS * lost
    given = given_away(outcome, answer) if outcome is not None else None
    return given is None or given < (1 - KEEPS) * lost


def given_away(outcome: Outcome, move: str) -> float | None:
    """What a move loses where it was examined, in expected score."""
    examined = outcome.examined
    scores = {slip.move: slip.score for slip in examined.slips} | {uci: score for uci, score, _ in examined.others}
    return loss(examined.best.score, scores[move]) if move in scores else None


def prepared_answer(seen: ScanState, epd: str, slip: str) -> str:
    """The first answer (UCI) that the repertoire holds for a slip that stands in it, or ""."""
    position = seen.positions[epd]
    answers = Owned.of(seen, position, position.board(), slip).answers
    return answers[0] if answers else ""


# --- what belongs together -------------------------------------------------------------------------------------------


def related(findings: Sequence[SlipFinding]) -> Iterator[SlipFinding]:
    """The findings with the id of their idea, and a chance forgone with the slip that it lets go."""
    ideas = rank.group(map(idea_of, findings))
    missed = {(finding.start_fen, *finding.line) for finding in findings if finding.nature is Nature.FORGONE}
    played = {
        way: finding.id
        for finding in (findings if missed else ())
        if (way := (finding.start_fen, *finding.line, finding.slip.san)) in missed
    }

    def forgoes(finding: SlipFinding) -> str:
        return played.get((finding.start_fen, *finding.line), "") if finding.nature is Nature.FORGONE else ""

    letting: dict[str, list[tuple[float, str, LetOff]]] = defaultdict(list)
    for finding in findings if played else ():
        if slip := forgoes(finding):
            reply = LetOff(san=finding.slip.san, chance=finding.chance, line=finding.punishment[:THEN])
            letting[slip] = sorted([*letting[slip], (-sum(finding.chance), finding.id, reply)])[:LET_OFF]
    for finding, idea in zip(findings, ideas, strict=True):
        let_off = tuple(reply for _, _, reply in letting.get(finding.id, ())) or finding.let_off
        yield msgspec.structs.replace(finding, idea=idea, forgoes=forgoes(finding), let_off=let_off)


def idea_of(finding: SlipFinding) -> rank.Idea:
    """What makes the finding's idea."""
    return rank.Idea(
        victim=finding.victim,
        slip=finding.slip.uci,
        reply=finding.refutation.uci if finding.refutation is not None else "",
        gain=finding.gain,
        nature=finding.nature,
        motif=finding.motifs[0] if finding.motifs and finding.nature in (Nature.TACTIC, Nature.OVERSIGHT) else "",
    )
