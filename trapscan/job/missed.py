"""Who punishes a slip, and who lets it off: the replies that people choose after it."""

from __future__ import annotations

from dataclasses import dataclass

import chess

from trapscan.model import ChanceModel, Chances, Evaluator, Line, Query, Slip
from trapscan.score import loss
from trapscan.stopping import NOISE_AT

KEEPS = 0.5
"""An answer that keeps so much of what the slip lost does not let it off."""

NODES = 20_000
TRIED = 2
"""So many of the likeliest replies that are not known to punish are searched."""


@dataclass(frozen=True, slots=True)
class Missed:
    """A reply (UCI) that lets the slip off: its chance per level, and how the game goes on (UCI)."""

    reply: str
    chance: tuple[float, ...]
    line: tuple[str, ...]


def shows_at_once(slip: Slip) -> bool:
    """Whether the shortest search sees the slip."""
    return slip.exposed <= NOISE_AT


def replies(best: Line, slip: Slip, chances: Chances, model: ChanceModel, levels: tuple[int, ...]) -> Chances:
    """The chances of the replies to a slip, joined with what is at stake: one that does not punish gives back what the
    slip lost. How plainly that shows is told by the budget that exposed the slip."""
    right = (*slip.refutation[:1], *slip.also)
    at_stake = max(0.0, loss(best.score, slip.score))
    shallow = at_stake if shows_at_once(slip) else 0.0
    losses = {move: (0.0, 0.0) if move in right else (shallow, at_stake) for move in chances}
    return model.join(chances, losses, levels)


def missed(
    board: chess.Board, best: Line, slip: Slip, evaluator: Evaluator, model: ChanceModel, levels: tuple[int, ...]
) -> tuple[Missed, ...]:
    """The likeliest replies that leave the slip unpunished, by a search of each. `board` stands before the slip, with
    its moves; `best` is the victim's best line there. Pure but for the evaluator."""
    after = board.copy()
    after.push_uci(slip.move)
    chances = replies(best, slip, model.predict([after], levels)[0], model, levels)
    others = [move for move in chances if move not in (*slip.refutation[:1], *slip.also)]
    lost, out = loss(best.score, slip.score), []
    for reply in sorted(others, key=lambda move: (-sum(chances[move]), move))[:TRIED]:
        child = after.copy(stack=False)
        child.push_uci(reply)
        if child.is_game_over():
            continue
        answer = evaluator.evaluate(Query(child.epd(), NODES)).best
        if loss(best.score, answer.score.of(board.turn)) < KEEPS * lost:
            out.append(Missed(reply, tuple(chances[reply]), answer.pv))
    return tuple(out)


__all__ = ["KEEPS", "Missed", "missed", "replies", "shows_at_once"]
