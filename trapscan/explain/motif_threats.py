"""What the first move of a refutation threatens, where the victim's reply keeps it from the board.

An engine's line shows the best defence, so the point of a strong move is often seen only in what it would do next.
"""

from __future__ import annotations

from collections.abc import Iterator

import chess

from trapscan.explain import motif as m
from trapscan.explain.exchange import as_mover, loot, threat_on
from trapscan.explain.motif import Motif
from trapscan.explain.motif_attacks import opened, prey
from trapscan.explain.motif_mates import back_rank, mating_net, smothered
from trapscan.explain.move_text import mate_threat, threats
from trapscan.explain.play import Play


def threatened(play: Play) -> list[Motif]:
    """Motifs of the first move that the line does not carry out (`paid` is 0), the more telling first: a mate that it
    threatens, a second threat beside that (double attack), an attack it discovers, a fork."""
    return list(_threatened(play)) if play.moves else []


def _threatened(play: Play) -> Iterator[Motif]:
    after, move = play.boards[1], play.moves[0]
    if after.is_checkmate():
        return
    mate = mate_threat(after, play.side)
    if mate is not None:
        if threats(play.boards[0], after, move):
            targets = (mate.to_square, *threats(play.boards[0], after, move))
            yield Motif(m.DOUBLE_ATTACK, 1, move.to_square, targets)
        idea = Play.along(as_mover(after, play.side), [mate])
        for finder in (smothered, back_rank, mating_net):
            for found in finder(idea):
                yield Motif(found.name, 1, move.to_square, (mate.to_square,))
                break
            else:
                continue
            break
    for slider, target in opened(play, 0):
        if after.piece_type_at(target) not in (chess.KING, chess.PAWN) and threat_on(after, target, play.side) > 0:
            yield Motif(m.DISCOVERED_ATTACK, 1, slider, (target,))
    pieces = [t for t in prey(after, move.to_square, play.side) if after.piece_type_at(t) != chess.PAWN]
    if len(pieces) > 1 and loot(after, move.to_square) == 0:
        yield Motif(m.FORK, 1, move.to_square, tuple(pieces))
