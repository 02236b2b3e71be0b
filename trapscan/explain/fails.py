"""Why a slip fails: one true sentence from the leading motif, the squares, and what is won."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import chess

from trapscan.explain import motif as m
from trapscan.explain import motif_causes as causes
from trapscan.explain.deeds import deed, later, mate_threat, opening, piece_or_square
from trapscan.explain.exchange import balance, exchange, settle
from trapscan.explain.gain import Gain, won_and_paid
from trapscan.explain.motif import Motif
from trapscan.explain.play import Play
from trapscan.explain.words import colour, listed, number, piece_name, sentence, the_piece, the_pieces
from trapscan.score import Score

CLEAR = 150
"""Centipawns from which a side stands clearly better."""


def why_it_fails(
    play: Play, gain: Gain, motifs: list[Motif], before: Score, after: Score, themes: Sequence[str] = ()
) -> str:
    """One sentence on the refutation `play` (the punisher's reply first), led by the first motif that can be told.

    `before` and `after` are the victim's scores of the best move and of the slip; `themes` are clauses that say what it
    costs where nothing is won. Pieces and squares are named as they
    stand when the line gets there.
    """
    if not play.moves:
        return ""
    if gain.kind == "attack" and mate_threat(play.boards[1], play.side) is not None:
        motifs = []  # the threat of mate is the story
    for motif in motifs:
        if not motif.paid and motif.name in (m.MATING_NET, m.BACK_RANK, m.SMOTHERED, m.DOUBLE_ATTACK):
            continue  # a threat; the story below tells it
        told = _TELLERS[motif.name](play, motif)
        if told:
            lead = f"{opening(play)}, and {later(motif.ply - 1)} " if motif.ply > 1 and motif.name not in _WHOLE else ""
            return sentence(f"{lead}{told}{_outcome(play, gain, before, after, themes)}")
    return sentence(f"{_story(play, gain)}{_outcome(play, gain, before, after, themes)}")


def _story(play: Play, gain: Gain) -> str:
    """The first move with what it attacks, and the capture that brings the gain home if it comes later."""
    text = opening(play)
    if gain.kind in ("attack", "mate") or gain.missed is not None:
        return text
    # captures that win something on balance, not the second half of a trade
    captures = [
        index
        for index in play.own()
        if 0 < index <= gain.ply
        and play.is_capture(index)
        and balance(play.boards[index + 1], play.side) > balance(play.boards[index - 1], play.side)
    ]
    if captures:
        best = max(captures, key=lambda index: (exchange(play.boards[index], play.moves[index]), -index))
        text += f", and {later(best)} {deed(play, best)}"
    return text


# --- what comes of it ------------------------------------------------------------------------------------------------


def _outcome(play: Play, gain: Gain, before: Score, after: Score, themes: Sequence[str]) -> str:
    if gain.kind == "mate":
        return "" if play.end.is_checkmate() else f", and it is mate in {number(gain.mate)}"
    if gain.kind == "attack":
        because = f": {', and '.join(themes)}" if themes else ""
        return f"{_standing(play, before, after)}{because}"
    if gain.missed is not None:
        return f"; the chance to take {the_piece(play.boards[0], gain.missed)} with profit is gone"
    won, paid = won_and_paid(gain)
    if not won:
        return ""
    verb = "are" if len(won) > 1 or won[0].split()[0] in ("two", "three", "four") else "is"
    given = f" for {listed(paid)}" if paid else ""
    return f", so {listed(won)} {verb} lost{given}"


def _standing(play: Play, before: Score, after: Score) -> str:
    """How the sides stand when nothing has been won yet, or nothing that the best move would not lose as well."""
    victim = not play.side
    value = after.of(victim).plain
    start = play.boards[0].copy(stack=1)
    if start.move_stack:
        start.pop()
    same = balance(play.end, play.side) > balance(start, play.side)
    settled, _ = settle(play.end, play.side)
    pending = settled != balance(play.end, play.side) and settled <= balance(start, play.side)
    lost, soon = ("no more is lost than after the best move", "") if same else ("nothing is lost", " yet")
    lost, soon = ("the exchanges come out even", "") if pending else (lost, soon)
    if value <= -CLEAR:
        return f"; {lost}{soon}, but {colour(not victim)} is clearly better"
    if value <= -50:
        return f"; {lost}{soon}, but {colour(not victim)} is better"
    if before.of(victim).plain >= CLEAR:
        return f"; {lost}, but most of {colour(victim)}'s advantage is gone"
    return f"; {lost}, but {colour(victim)} could have stood better"


# --- one clause a motif ----------------------------------------------------------------------------------------------


def _fork(play: Play, motif: Motif) -> str:
    after = play.boards[motif.ply]
    others = [square for square in motif.targets if after.piece_type_at(square) != chess.KING]
    if not others:
        return ""
    names = the_pieces(after, others[:2])
    check = after.is_check() and bool(after.checkers_mask() & chess.BB_SQUARES[motif.actor])
    if check:
        return f"{deed(play, motif.ply - 1)} and attacks {names} at the same time"
    if len(others) < 2:
        return ""
    verb = "forks" if motif.name == m.FORK and play.mover(motif.ply - 1) != chess.QUEEN else "attacks"
    return f"{deed(play, motif.ply - 1)} and {verb} {names}"


def _pin(play: Play, motif: Motif) -> str:
    index, after = motif.ply - 1, play.boards[motif.ply]
    front, rear, *spared = motif.targets
    held = the_piece(after, front)
    against = f"{the_piece(after, rear)}"
    move = play.moves[index]
    if spared and spared[0] == move.to_square:
        return f"{deed(play, index)}, where {held} cannot take, being pinned against {against}"
    if spared:
        if motif.actor == move.to_square:
            what = the_piece(after, spared[0])
            return f"{deed(play, index)} and pins {held} against {against}, so that it cannot take {what}"
        return f"{deed(play, index)}; {held} is pinned against {against} and cannot take {the_piece(after, spared[0])}"
    return f"{deed(play, index)} and pins {held} against {against}"


def _skewer(play: Play, motif: Motif) -> str:
    index, after = motif.ply - 1, play.boards[motif.ply]
    front, rear = motif.targets
    if after.piece_type_at(front) == chess.KING:
        return f"{deed(play, index)}, and behind the king {the_piece(after, rear)} is lost"
    return f"{deed(play, index)} and attacks {the_piece(after, front)}, behind which {the_piece(after, rear)} is lost"


def _discovered(play: Play, motif: Motif) -> str:
    index, after = motif.ply - 1, play.boards[motif.ply]
    (target,) = motif.targets
    if after.piece_type_at(target) == chess.KING:
        return _discovered_check(play, motif)
    return f"{deed(play, index)} and opens the line of {the_piece(after, motif.actor)} to {the_piece(after, target)}"


def _discovered_check(play: Play, motif: Motif) -> str:
    index, after = motif.ply - 1, play.boards[motif.ply]
    return f"{deed(play, index, quiet=True)} and discovers a check by {the_piece(after, motif.actor)}"


def _double_check(play: Play, motif: Motif) -> str:
    after = play.boards[motif.ply]
    names = listed([the_piece(after, square) for square in after.checkers()])
    return f"{deed(play, motif.ply - 1, quiet=True)} with a double check by {names}"


def _hanging(play: Play, motif: Motif) -> str:
    text = f"{deed(play, 0, quiet=True)}, which nothing guards"
    for _ in (*causes.guard_leaves(play), *causes.way_opened(play)):
        return f"{text} now that {_slipped(play)}"
    for _ in causes.unmet_threat(play):
        return f"{text} and which it threatened already"
    return text


def _slipped(play: Play) -> str:
    """'the knight has left f3', for the slip before the line."""
    slip = play.boards[0].peek()
    kind = play.boards[0].piece_type_at(slip.to_square) if slip.promotion is None else chess.PAWN
    return f"the {chess.piece_name(kind or chess.PAWN)} has left {chess.square_name(slip.from_square)}"


def _left(play: Play, motif: Motif) -> str:
    return f"{deed(play, 0)}, now that {_slipped(play)}"


def _en_prise(play: Play, motif: Motif) -> str:
    return f"{deed(play, 0)}, which has just come within its reach"


def _unmet(play: Play, motif: Motif) -> str:
    return f"{deed(play, 0)}, which it threatened already"


def _shut_off(play: Play, motif: Motif) -> str:
    board = play.boards[0]
    _, guard, between = motif.targets
    return f"{deed(play, 0)}, now that {the_piece(board, between)} shuts off {the_piece(board, guard)}"


def _safe_capture(play: Play, motif: Motif) -> str:
    return f"{deed(play, 0)} and need not give it back"


def _exchanges(play: Play, motif: Motif) -> str:
    hit = motif.paid - 1
    return f"{deed(play, 0)}, and after the exchanges {deed(play, hit)}"


def _tempo(play: Play, motif: Motif) -> str:
    index = motif.ply - 1
    after = play.boards[motif.ply]
    hunted = the_piece(after, motif.targets[0])
    itself = after.attacks_mask(motif.actor) & chess.BB_SQUARES[motif.targets[0]]
    attacks = "attacks" if itself else "opens a line against"
    return f"{deed(play, index)} and {attacks} {hunted}, and while that gets away {deed(play, index + 2)}"


def _attacked(play: Play, motif: Motif) -> str:
    hit, target = motif.paid - 1, the_piece(play.boards[1], motif.targets[0])
    return f"{deed(play, 0)} and attacks {target}, and {later(hit)} {deed(play, hit)}"


def _trapped(play: Play, motif: Motif) -> str:
    after = play.boards[motif.ply]
    return f"{deed(play, motif.ply - 1)}, and {the_piece(after, motif.targets[0])} has no safe square"


def _removal(play: Play, motif: Motif) -> str:
    index = motif.ply - 1
    return f"{deed(play, index, quiet=True)}, which guards {the_piece(play.boards[index], motif.targets[1])}"


def _deflection(play: Play, motif: Motif) -> str:
    index, after = motif.ply - 1, play.boards[motif.ply]
    guard, goal = motif.targets
    return f"{deed(play, index)} and draws {the_piece(after, guard)} away from {piece_or_square(after, goal)}"


def _overload(play: Play, motif: Motif) -> str:
    index, after = motif.ply - 1, play.boards[motif.ply]
    guard, goal, _ = motif.targets
    duty = piece_or_square(after, goal)
    return f"{deed(play, index)}, and {the_piece(after, guard)} cannot take back and still guard {duty}"


def _decoy(play: Play, motif: Motif) -> str:
    index, after = motif.ply - 1, play.boards[motif.ply]
    lured, bait = piece_name(after, motif.targets[0]), chess.square_name(motif.targets[1])
    return f"{deed(play, index)} and draws the {lured} to {bait}, and then {deed(play, index + 2)}"


def _interference(play: Play, motif: Motif) -> str:
    index = motif.ply - 1
    goal, guard = motif.targets
    if motif.actor == play.moves[index].to_square:
        after = play.boards[index + 1]
        return f"{deed(play, index)} and cuts off {the_piece(after, guard)} from {piece_or_square(after, goal)}"
    later_on = play.boards[index + 2]
    blocker, cut = the_piece(later_on, motif.actor), the_piece(later_on, guard)
    return f"{deed(play, index)}, after which {blocker} cuts off {cut} from {piece_or_square(later_on, goal)}"


def _zwischenzug(play: Play, motif: Motif) -> str:
    return f"before taking back on {chess.square_name(motif.targets[0])}, {deed(play, 0)}"


def _smothered(play: Play, motif: Motif) -> str:
    king = chess.square_name(motif.targets[0])
    return f"{deed(play, len(play) - 1)} and mates the king on {king}, shut in by its own men"


def _back_rank(play: Play, motif: Motif) -> str:
    return f"{deed(play, len(play) - 1)} and mates on the back rank"


def _mating_net(play: Play, motif: Motif) -> str:
    king = chess.square_name(motif.targets[0])
    if len(play) == 1:
        return f"{deed(play, 0)} and mates the king on {king}"
    text = f"{deed(play, 0)}, and it is mate in {number((len(play) + 1) // 2)}"
    return f"{text}: in the end {deed(play, len(play) - 1)} and mates the king on {king}"


def _attack_f7(play: Play, motif: Motif) -> str:
    return f"{deed(play, motif.ply - 1)}, next to the king on {chess.square_name(motif.targets[1])}"


def _promotion(play: Play, motif: Motif) -> str:
    return deed(play, motif.ply - 1)


def _opened(play: Play, motif: Motif) -> str:
    after = play.boards[motif.ply]
    if not after.is_check():
        return ""
    king = chess.square_name(motif.targets[0])
    return f"{deed(play, motif.ply - 1)} on the line that the last move has opened to the king on {king}"


_WHOLE = (m.MATING_NET,)
"""Motifs whose clause tells the line from its first move."""

_TELLERS: dict[str, Callable[[Play, Motif], str]] = {
    m.FORK: _fork,
    m.DOUBLE_ATTACK: _fork,
    m.CHECK_WINS_PIECE: _fork,
    m.CHECK_WINS_PAWN: _fork,
    m.PIN: _pin,
    m.SKEWER: _skewer,
    m.DISCOVERED_ATTACK: _discovered,
    m.DISCOVERED_CHECK: _discovered_check,
    m.DOUBLE_CHECK: _double_check,
    m.HANGING: _hanging,
    m.TRAPPED: _trapped,
    m.REMOVAL: _removal,
    m.DEFLECTION: _deflection,
    m.OVERLOAD: _overload,
    m.DECOY: _decoy,
    m.INTERFERENCE: _interference,
    m.ZWISCHENZUG: _zwischenzug,
    m.BACK_RANK: _back_rank,
    m.SMOTHERED: _smothered,
    m.MATING_NET: _mating_net,
    m.ATTACK_F7: _attack_f7,
    m.ATTACK_F2: _attack_f7,
    m.PROMOTION: _promotion,
    m.OPENED_LINE: _opened,
    m.TEMPO: _tempo,
    m.ATTACKED: _attacked,
    m.LOOSE_PAWN: _hanging,
    m.EN_PRISE: _en_prise,
    m.GUARD_LEAVES: _left,
    m.WAY_OPENED: _left,
    m.UNMET: _unmet,
    m.EXCHANGES: _exchanges,
    m.SHUT_OFF: _shut_off,
    m.SAFE_CAPTURE: _safe_capture,
}
