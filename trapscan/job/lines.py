"""Lines tried about a slip, so that nothing is claimed that one plain answer refutes.

After the refutation's first move: the recaptures, the likeliest defences, a move passed; after the move that wins the
gain: the recaptures. And the refutation as it will be played, against the likeliest replies.
"""

from __future__ import annotations

from collections.abc import Callable

import chess

from trapscan.explain.exchange import as_mover, balance, settle
from trapscan.explain.play import Play
from trapscan.explain.tried import Reply, Tried, to_try
from trapscan.model import ChanceModel, Evaluator, Line, Query

NODES = 8_000
"""A line: more changes as much of what is told as it mends."""

LIKELY, MOVES = 0.25, 3
"""The likely line follows replies of this chance at least, so many at most."""


def try_lines(
    board: chess.Board,
    slip: chess.Move,
    refutation: tuple[str, ...],
    ply: int,
    evaluator: Evaluator,
    model: ChanceModel,
    level: int,
    *,
    best: str = "",
    nodes: int = NODES,
) -> Tried:
    """What becomes of the other answers. `board` stands before the slip, with its moves; `refutation` in UCI; `ply`: at
    which its gain is in hand; `best`: the victim's best move before the slip (UCI). Pure but for the evaluator."""
    play = Play.after(board, slip, refutation)
    if not play.moves or play.boards[1].is_game_over():
        return Tried()
    here = board.copy()
    here.push(slip)
    here.push(play.moves[0])
    chances = _chances(model, here, level)

    def best_after(position: chess.Board) -> Line:
        return evaluator.evaluate(Query(position.epd(), nodes)).best

    replies = []
    for plies, move in to_try(play, ply, chances, best):
        after = play.boards[plies].copy(stack=False)
        after.push_uci(move)
        line = best_after(after)
        chance = chances.get(move, 0.0) if plies == 1 else 0.0
        replies.append(Reply(plies, move, line.pv, line.score.of(board.turn), chance))
    threat = None
    passed = as_mover(play.boards[1], play.side)
    if not play.boards[1].is_check() and passed.is_valid() and any(passed.legal_moves):
        threat = best_after(passed)
    return Tried(tuple(replies), threat, _likely(here, play, best_after, model, level))


def _likely(
    board: chess.Board, play: Play, best_after: Callable[[chess.Board], Line], model: ChanceModel, level: int
) -> tuple[str, ...]:
    """The refutation as it will be played (UCI), from its first move on; empty where that is the main line. `board`
    stands after the first move, with all its moves."""
    here, line = board.copy(), [play.moves[0].uci()]
    before = balance(play.boards[0], play.side)
    for _ in range(MOVES):
        chances = _chances(model, here, level)
        reply = min(chances, key=lambda move: (-chances[move], move), default="")
        if not reply or chances[reply] < LIKELY:
            break
        here.push_uci(reply)
        answer = best_after(here).pv[:1]
        if not answer:
            break
        here.push_uci(answer[0])
        line += [reply, answer[0]]
        if here.is_game_over() or (settle(here, play.side)[0] > before and balance(here, play.side) > before):
            break
    main = tuple(move.uci() for move in play.moves)
    return tuple(line) if len(line) > 1 and tuple(line) != main[: len(line)] else ()


def _chances(model: ChanceModel, board: chess.Board, level: int) -> dict[str, float]:
    (found,) = model.predict([board], (level,))
    return {move: chance[0] for move, chance in found.items()}
