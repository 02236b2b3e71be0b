"""Who punishes a slip, and who lets it off: the replies that people choose after it."""

from __future__ import annotations

from dataclasses import dataclass

import chess

from trapscan.model import ChanceModel, Chances, Evaluator, Line, Query, Slip
from trapscan.score import loss
from trapscan.settings import Settings
from trapscan.stopping import NOISE_AT, LossStop

KEEPS = 0.5
"""An answer that keeps so much of what the slip lost does not let it off."""

TRIED = 2
"""So many of the likeliest replies that are not known to punish are searched."""

LEAST, MOST, CLEAR = 2_000, 40_000, 1.0
"""Such a search takes from so many to so many nodes: it ends once what the reply keeps is so many times its noise away
from `KEEPS`."""


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
    board: chess.Board, best: Line, slip: Slip, evaluator: Evaluator, model: ChanceModel, settings: Settings
) -> tuple[Missed, ...]:
    """The likeliest replies that leave the slip unpunished, by a search of each. `board` stands before the slip, with
    its moves; `best` is the victim's best line there. Pure but for the evaluator."""
    levels = settings.levels
    after = board.copy()
    after.push_uci(slip.move)
    chances = replies(best, slip, model.predict([after], levels)[0], model, levels)
    others = [move for move in chances if move not in (*slip.refutation[:1], *slip.also)]
    bar, out = KEEPS * loss(best.score, slip.score), []
    stop = LossStop(
        best=best.score.expected(),
        threshold=bar,
        sigmas=CLEAR,
        least=LEAST,
        confirm=LEAST,
        noise=settings.error,
        spared=0.0,
        victim_moves=True,
    )
    for reply in sorted(others, key=lambda move: (-sum(chances[move]), move))[:TRIED]:
        child = after.copy(stack=False)
        child.push_uci(reply)
        if child.is_game_over():
            continue
        answer = evaluator.evaluate(Query(child.epd(), MOST, until=stop)).best
        if loss(best.score, answer.score.of(board.turn)) < bar:
            out.append(Missed(reply, tuple(chances[reply]), answer.pv))
    return tuple(out)


__all__ = ["KEEPS", "Missed", "missed", "replies", "shows_at_once"]
