"""Why an answer of the victim's fails: what the punisher does to it, from the lines tried."""

from __future__ import annotations

import chess

from trapscan.explain.case import Case
from trapscan.explain.exchange import as_mover, exchange, value_at
from trapscan.explain.motif import Motif, Tier
from trapscan.explain.motifs import REGISTRY, motifs_of
from trapscan.explain.play import Play
from trapscan.explain.tried import Reply, recaptures
from trapscan.explain.words import number, the_piece

LOOKED_AT = 5
"""Plies of a line in which a motif is looked for."""

PIECE = 3
"""Pawns from which what is simply taken says it all."""


def why_not_retaken(case: Case, ply: int, *, by_count: bool = True) -> str:
    """Why the victim may not take back what made move `ply` of the refutation: 'Nxe5 allows Qf8 mate', 'the knight on
    f6 is pinned'. Empty where it cannot take back at all, or where the line itself does; with `by_count` also where
    taking back loses by plain count."""
    play = case.play
    if not ply % 2 or ply > len(play) or not play.is_capture(ply - 1):
        return ""
    board, move = play.boards[ply], play.moves[ply - 1]
    legal = recaptures(board, move.to_square)
    if not legal:
        for square in board.attackers(board.turn, move.to_square):
            if board.is_pinned(board.turn, square) and not board.is_check():
                return f"{the_piece(board, square)} is pinned and cannot take back"
        return ""
    if by_count and exchange(play.boards[ply - 1], move) >= case.gain.material > 0:
        return ""
    if ply < len(play) and play.moves[ply] in legal:
        return ""  # the line itself takes back
    tried = [reply for reply in case.tried.replies if reply.plies == ply and chess.Move.from_uci(reply.move) in legal]
    tried.sort(key=lambda reply: (-reply.chance, value_at(board, chess.Move.from_uci(reply.move).from_square)))
    return refuted(case, tried[0]) if tried else ""


def refuted(case: Case, reply: Reply) -> str:
    """What becomes of one answer, as a clause: 'Nxe5 allows Qf8 mate', 'after Nxe4, f5 hits the knight on e4'."""
    board = case.play.boards[reply.plies]
    move = chess.Move.from_uci(reply.move)
    played = board.san(move).rstrip("#")
    how, answer, words, lead = answered(case, reply)
    if how == "mate":
        return f"{played} allows {answer}"
    if how == "motif":
        return f"after {' '.join([played, *lead])}, {answer} {words}"
    if how == "takes":
        return f"{played} loses {words} to {answer}"
    forcing = "x" in answer or answer.endswith("+")
    return f"{played} fails to {answer}" if forcing else ""  # a quiet move tells nobody why


def answered(case: Case, reply: Reply) -> tuple[str, str, str, list[str]]:
    """(how the answer fails, the punisher's move, words about it, moves before that move): `how` is 'mate' (the move
    says it all), 'motif' (words: what it does), 'takes' (words: what it takes), or empty."""
    board = case.play.boards[reply.plies]
    after = board.copy(stack=1)
    after.push(chess.Move.from_uci(reply.move))
    play = Play.along(after, reply.line)
    if not play.moves:
        return "", "", "", []
    first = play.san(0)
    if play.boards[1].is_checkmate():
        return "mate", f"{first} mate", "", []
    if reply.score.mate_lost:
        return "mate", f"mate in {number(-(reply.score.mate or 0))}", "", []
    taken = play.taken(0)
    prize = exchange(play.boards[0], play.moves[0]) if taken is not None else 0
    if taken is not None and prize >= PIECE:
        return "takes", first, the_piece(play.boards[0], taken[0]), []
    motif = telling(play.first(LOOKED_AT))
    if motif is not None and (tell := REGISTRY[motif.name].tell) and (words := tell(play, motif)):
        return "motif", play.san(motif.ply - 1), words, [play.san(index) for index in range(motif.ply - 1)]
    if taken is not None and prize > 0:
        return "takes", first, the_piece(play.boards[0], taken[0]), []
    return "", first, "", []


def telling(play: Play) -> Motif | None:
    """The first motif of a short line that says how something is won."""
    found = [motif for motif in motifs_of(play) if REGISTRY[motif.name].tier <= Tier.HOW and motif.paid]
    return min(found, key=lambda motif: motif.ply) if found else None


def tried_motifs(case: Case) -> list[str]:
    """What punishes the answers tried: the recaptures, where something is won, and the line as it will be played; and
    what the punisher threatens."""
    start, found = case.play.boards[0], []
    if case.gain.kind != "attack":
        for reply in case.tried.replies:
            board = case.play.boards[reply.plies]
            taken = chess.Move.from_uci(reply.move).to_square == case.play.moves[reply.plies - 1].to_square
            if taken and reply.plies <= case.gain.ply:
                after = board.copy(stack=1)
                after.push_uci(reply.move)
                found.append(telling(Play.along(after, reply.line).first(LOOKED_AT)))
        found.append(telling(Play.along(start, case.tried.likely).first(2 * LOOKED_AT)))
    threat = case.tried.threat
    if threat is not None and case.gain.missed is None:
        idea = Play.along(as_mover(case.play.boards[1], case.side), threat.pv).first(3)
        motif = telling(idea)
        found.append(motif if motif is not None and motif.ply == 1 and case.gain.kind == "attack" else None)
    return [motif.name for motif in found if motif is not None]
