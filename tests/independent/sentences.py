"""What a sentence about a finding claims, held against the board: moves, men, squares, and what is said of them.

It reads the English and knows the rules of chess (python-chess), nothing else: no code of trapscan's. A move in SAN
must be legal where the sentence stands: it goes on from the move before it, or begins anew after the slip, after the
answer, or before the slip. What is said of a move is looked for on the board after it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

import chess

from tests.independent.motif_claims import MOTIFS
from tests.independent.scene import KIND, SQUARE, Scene, stands
from tests.independent.slip_claims import OF_SLIP
from tests.independent.theme_claims import THEMES

NAMED = re.compile(rf"\b{KIND} on {SQUARE}")


def false_claims(
    board: chess.Board,
    slip: chess.Move,
    refutation: Sequence[str],
    sentence: str,
    best: Sequence[str] = (),
) -> list[str]:
    """The claims of `sentence` that no board bears out; empty if all is true. `board` stands before the slip; lines in
    UCI, `best` the victim's. A sentence that begins with "It" speaks of the slip."""
    of_slip = sentence.startswith("It ")
    line, moves = _played(board, [slip.uci(), *refutation])
    rival, _ = _played(board, best[:9])
    scene = Scene(sentence, board, slip, line[1:], moves[1:], rival[1:])
    if not of_slip:
        scene.read_moves()
    known = [board, scene.after] if of_slip else scene.everywhere()
    wrong = list(scene.wrong)
    for found in NAMED.finditer(sentence):
        if not any(stands(each, found[1], found[2]) for each in known):
            wrong.append(f"no {found[0]}")
    for pattern, holds in OF_SLIP if of_slip else (*MOTIFS, *THEMES):
        wrong += [f"not so: {found[0]}" for found in pattern.finditer(sentence) if not holds(scene, found)]
    return wrong


def _played(board: chess.Board, line: Sequence[str]) -> tuple[list[chess.Board], list[chess.Move]]:
    boards, moves = [board.copy(stack=1)], []
    for uci in line:
        move = chess.Move.from_uci(uci)
        if not boards[-1].is_legal(move):
            break
        after = boards[-1].copy(stack=1)
        after.push(move)
        boards.append(after)
        moves.append(move)
    return boards, moves
