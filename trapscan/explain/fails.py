"""Why a slip fails: one true sentence from the leading motif, the squares, and what is won."""

from __future__ import annotations

from collections.abc import Sequence

from trapscan.explain import motif as m
from trapscan.explain.deeds import deed, later, mate_threat, opening
from trapscan.explain.exchange import balance, exchange, settle
from trapscan.explain.gain import Gain, won_and_paid
from trapscan.explain.motif import Motif
from trapscan.explain.motifs import REGISTRY
from trapscan.explain.play import Play
from trapscan.explain.words import colour, listed, number, sentence, the_piece
from trapscan.score import Score

_WHOLE = (m.MATING_NET,)
"""Motifs whose clause tells the line from its first move."""

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
        kind = REGISTRY.get(motif.name)
        told = kind.tell(play, motif) if kind is not None and kind.tell is not None else ""
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
