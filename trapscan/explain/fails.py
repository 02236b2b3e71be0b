"""Why a slip fails: one true sentence that says the point, from what was found along the lines.

Each angle below is one way to see a slip, tried in the order of ANGLES; the first that has something to say is told.
How sentences are made: STYLE.md.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace

import chess

from trapscan.explain import motif as m
from trapscan.explain.case import Case, Said
from trapscan.explain.exchange import VALUES, balance, exchange, settle, value_at
from trapscan.explain.forgone import forgone
from trapscan.explain.motif import Motif, Tier
from trapscan.explain.motifs import REGISTRY, motifs_of
from trapscan.explain.move_text import mate_threat, threats
from trapscan.explain.play import Play
from trapscan.explain.quiet import quiet
from trapscan.explain.refuted import refuted, why_not_retaken
from trapscan.explain.words import hits, number, piece_name, sentence, the_piece, the_pieces

LONGEST = 25
"""Words in a sentence."""

LONG = 5
"""A line of more plies is not told move by move, where there is something shorter to say."""

NEAR = 5
"""Plies within which a motif may begin that a sentence tells."""


def why_it_fails(case: Case) -> Said:
    """The sentence, and what it names besides the motifs found."""
    if not case.play.moves:
        return Said("")
    for angle in ANGLES:
        said = angle(case)
        if said is not None:
            return replace(said, text=sentence(_short(said.text)))
    return Said(sentence(f"{case.first} leaves {case.punisher} better"))


def _short(text: str) -> str:
    """Without its last reason, where it is too long."""
    for mark in (", since ", "; ", ", which "):
        if len(text.split()) > LONGEST:
            text = text.rpartition(mark)[0] or text
    return text


# --- mate ------------------------------------------------------------------------------------------------------------


def mate(case: Case) -> Said | None:
    """The line ends in mate, or the score says that it must."""
    if case.gain.kind != "mate":
        return None
    play, moves = case.play, case.gain.mate
    if not play.end.is_checkmate():
        return Said(f"{case.first} forces mate in {number(moves)}")
    if moves == 1:
        for motif in case.motifs:
            if motif.name in (m.SMOTHERED, m.BACK_RANK):
                return Said(f"{case.first} {_tell(case, motif)}{_since_pinned(case)}")
        threat = mate_threat(case.board, case.side)
        if threat == play.moves[0] and not case.board.is_check():
            return Said(f"{case.slip_san} overlooks {case.first} mate")
        goal = play.moves[0].to_square
        before, after = case.board.attacks(case.slip.from_square), play.boards[0].attacks(case.slip.to_square)
        if goal in before and goal not in after and case.slip.to_square != goal:
            return Said(f"{case.slip_san} gives up the guard of {chess.square_name(goal)}: {case.first} is mate")
        return Said(f"{case.slip_san} allows {case.first} mate{_since_pinned(case)}")
    last = play.san(len(play) - 1)
    if moves == 2:
        return Said(f"{case.first} mates: after {play.san(1)} comes {last}")
    if moves == 3:
        return Said(f"{case.first} {play.sans(1, len(play) - 1)} {last} is mate")
    return Said(f"{case.first} forces mate in {number(moves)}; it ends with {last}")


def _since_pinned(case: Case) -> str:
    """Why a man that bears on the mating piece may not take it."""
    board, square = case.play.boards[1], case.play.moves[0].to_square
    king = board.king(board.turn)
    for guard in board.attackers(board.turn, square):
        if guard != king and king is not None and board.is_pinned(board.turn, guard):
            return f", since {the_piece(board, guard)} is pinned against {the_piece(board, king)}"
    return ""


# --- material --------------------------------------------------------------------------------------------------------


def capture(case: Case) -> Said | None:
    """The first move takes what is lost, and that is the whole story: why it may be taken, and why not taken back."""
    play, gain = case.play, case.gain
    taken = play.taken(0)
    if gain.kind == "attack" or taken is None or gain.ply > NEAR or _leads(case, Tier.PLAIN):
        return None
    square, kind = taken
    before, first = play.boards[0], case.first
    by_count = exchange(before, play.moves[0]) > 0
    because = why_not_retaken(case, 1, by_count=not before.attacks_mask(case.slip.to_square) & chess.BB_SQUARES[square])
    if not case.wins(kind) or case.tops(kind) or not (by_count or because):
        return None
    prize = the_piece(before, square)
    wins = f"{first} wins {case.amount(kind)}"
    if because:
        return Said(f"{wins}, since {because}")
    names = {motif.name: motif for motif in case.motifs}
    if m.GUARD_LEAVES in names:
        return Said(f"{case.slip_san} gives up the guard of {prize}, and {wins}")
    if m.WAY_OPENED in names:
        return Said(f"{case.slip_san} opens the line to {prize}, and {wins}")
    if m.SHUT_OFF in names:
        _, guard, _ = names[m.SHUT_OFF].targets
        return Said(f"{case.slip_san} cuts {the_piece(before, guard)} off from {prize}, and {wins}")
    guarded = bool(before.attackers(not case.side, square))
    as_well = _hits_as_well(case)
    if square == case.slip.to_square:
        if case.board.is_capture(case.slip):
            return Said(f"{first} takes back, and {case.victim} has given {case.amount(kind)}")
        if not guarded:
            return Said(f"{first} simply takes the {piece_name(before, square)}, which nothing guards")
        return Said(f"{wins}: {_outnumbered(case, square)}")
    if m.UNMET in names:
        if not guarded:
            return Said(f"{case.slip_san} leaves {prize} hanging, and {first} takes it{as_well}")
        if not before.attacks_mask(case.slip.to_square) & chess.BB_SQUARES[square]:
            return Said(f"{case.slip_san} does nothing for {prize}: {wins}")
    if not guarded:
        return Said(f"nothing guards {prize}: {wins}{as_well}")
    return Said(f"{wins}: {_outnumbered(case, square)}")


def _hits_as_well(case: Case) -> str:
    """What the first move attacks besides, for the end of a sentence."""
    play = case.play
    after = play.boards[1]
    targets = [square for square in threats(play.boards[0], after, play.moves[0])[:1] if value_at(after, square) > 1]
    return f" and hits {the_pieces(play.boards[1], targets)}" if targets else ""


def _outnumbered(case: Case, square: chess.Square) -> str:
    """'b5 is attacked twice and guarded once', or who takes what."""
    board = case.play.boards[0]
    takers = len(board.attackers(case.side, square))
    guards = len(board.attackers(not case.side, square))
    times = {1: "once", 2: "twice", 3: "three times", 4: "four times"}
    if takers > guards and takers in times and guards in times:
        return f"{chess.square_name(square)} is attacked {times[takers]} and guarded {times[guards]}"
    taker, prize = piece_name(board, case.play.moves[0].from_square), piece_name(board, square)
    if value_at(board, case.play.moves[0].from_square) < value_at(board, square):
        return f"a {taker} takes a {prize}"
    return f"{case.slip_san} does not guard {chess.square_name(square)}"


def tactic(case: Case) -> Said | None:
    """A motif of the line wins the material; or one of the line as it will be played, where best defence hides it."""
    if case.gain.kind == "attack":
        return None
    said = _tactic(case, case.play, case.motifs)
    if said is None and case.tried.likely:
        likely = Play.along(case.play.boards[0], case.tried.likely)
        found = [motif for motif in motifs_of(likely) if motif.ply > 1 and motif.paid]
        said = _tactic(case, likely, sorted(found, key=lambda motif: (motif.ply, _tier(motif))))
    return said


WORKS = "works because "

_NOT_TOLD = (m.EXCHANGES, m.ZWISCHENZUG)
"""Motifs that are names for a line, and no reason."""

_THREATS = (m.DOUBLE_ATTACK, m.SMOTHERED, m.BACK_RANK, m.MATING_NET)
"""Told where the line carries them out only."""


_ALONE = (m.CHECK_WINS_PIECE, m.TRAPPED, m.PIN)
"""Motifs around one man: told where that is what is won."""


def _tactic(case: Case, play: Play, motifs: Sequence[Motif]) -> Said | None:
    told = [
        motif
        for motif in motifs
        if _tier(motif) <= Tier.WHERE and motif.ply <= NEAR and motif.name not in _NOT_TOLD
        if motif.paid or motif.name not in _THREATS
    ]
    at_once = {motif.name: motif for motif in motifs if motif.ply == 1}
    pinned = at_once.get(m.PIN)
    if pinned is not None and len(pinned.targets) == 3 and m.FORK in at_once:
        told = [motif for motif in told if motif.name not in (m.PIN, m.ATTACKED)]  # the pin is why the fork works
    for motif in told:
        hit = play.taken(motif.paid - 1) if motif.paid else None
        kind = REGISTRY.get(motif.name)
        if kind is None or kind.tell is None:
            continue
        aside = kind.tier > Tier.HOW or motif.name in _ALONE
        if hit is not None and (aside if case.tops(hit[1]) else aside and not case.wins(hit[1])):
            continue
        if hit is not None and not case.wins(hit[1]) and case.tops(hit[1]):
            continue  # it takes something, but that is given back, or is not what is won
        words = kind.tell(play, motif)
        if not words:
            continue
        lead = f"after {play.sans(0, motif.ply - 1)}, " if motif.ply > 1 else ""
        text = f"{lead}{play.san(motif.ply - 1)} {words}"
        amount = case.amount(hit[1] if hit else None)
        unit = amount.partition(" for ")[0].split()[-1]
        named = re.findall(r"the (\w+) on", words)
        if named[-1:] == [unit] and amount.split()[0] in ("a", "the") and " and " not in amount:
            amount = f"{'it' if len(named) == 1 else f'the {unit}'}{amount[len(amount.partition(' for ')[0]) :]}"
        ending = f", winning {amount}" if "," in words or " and " in words else f" and wins {amount}"
        if motif.name in (m.TRAPPED, m.HANGING) and amount == "it":
            ending = ""
        if words.startswith(WORKS):
            text, ending = f"{lead}{play.san(motif.ply - 1)} wins {amount}", f", since {words.removeprefix(WORKS)}"
        because = ""
        if motif.name == m.FORK and pinned is not None and len(pinned.targets) == 3:
            because = f"{the_piece(play.boards[1], pinned.targets[0])} is pinned and cannot take"
        elif play is case.play:
            because = _because(case, motif.ply, 0 if kind.tier <= Tier.HOW else motif.paid)
        for candidate in (f"{text}{ending}, since {because}" if because else "", f"{text}{ending}", text):
            if candidate and len(candidate.split()) <= LONGEST:
                return Said(candidate, plies=max(motif.ply, motif.paid) if play is case.play else 1)
    return None


def mating_try(case: Case) -> Said | None:
    """What is won is given up to avoid a mate."""
    if case.gain.kind == "attack":
        return None
    for reply in sorted(case.tried.replies, key=lambda reply: -reply.chance):
        if reply.plies == 1 and reply.score.mate_lost and (why := refuted(case, reply)):
            return Said(f"{case.first} wins {case.amount()}, since {why}")
    return None


def exchanges(case: Case) -> Said | None:
    """The material is won by a line of forced moves, told as such, with the reason where it can be had."""
    if case.gain.kind == "attack":
        return None
    end = _story_end(case)
    if end == 1 and not case.play.is_capture(0):
        end = min(case.gain.ply, len(case.play), 2 * NEAR)  # so little shows at once that it tells nothing
    hit = case.play.taken(end - 1)
    if end == 1 and hit is None:
        return None
    because = _because(case, end)
    ahead = f"{case.punisher} {case.ahead(hit[1] if hit else None)}"
    text = f"after {case.play.sans(0, end)} {ahead}"
    for index in range(0, min(end - 1, 3), 2):
        if aim := _aim(case, index):
            lead = f"after {case.play.sans(0, index)}, " if index else ""
            told = f"{lead}{case.play.san(index)} {aim}"
            if end - index > LONG:
                return Said(f"{told}; in the end {ahead}", plies=end)
            told = f"{told}, and after {case.play.sans(index + 1, end)} {ahead}"
            if len(told.split()) <= LONGEST:
                return Said(told, plies=end)
    if because and len(f"{text}, since {because}".split()) <= LONGEST:
        text = f"{text}, since {because}"
    return Said(text, plies=end)


def _aim(case: Case, index: int) -> str:
    """What a quiet move of the line attacks, as a clause; empty where that is nothing."""
    play, after = case.play, case.play.boards[index + 1]
    if play.is_capture(index) or after.is_check():
        return ""
    targets = threats(play.boards[index], after, play.moves[index])[:2]
    return hits(after, targets) if targets else ""


def _because(case: Case, *plies: int) -> str:
    """Why one of these captures may not be answered by another."""
    return next((because for ply in plies if ply and (because := why_not_retaken(case, ply))), "")


def _story_end(case: Case) -> int:
    """The ply at which a line has shown what is won: the first of the punisher's moves after which the board shows it,
    to a pawn, and keeps it."""
    play, worth = case.play, sum(VALUES[kind] * count for kind, count in case.gain.tally)
    top = settle(play.boards[case.gain.ply], case.side)[0] if case.gain.ply < len(play.boards) else worth
    for ply in range(1, min(len(play), 2 * NEAR) + 1, 2):
        board = play.boards[ply]
        if abs(balance(board, case.side) - top) <= 1 and settle(board, case.side)[0] >= top:
            return ply
    return min(case.gain.ply, 2 * NEAR)


def _leads(case: Case, tier: Tier) -> bool:
    """Whether the most telling motif says how the material is won."""
    return bool(case.motifs) and _tier(case.motifs[0]) <= tier and case.motifs[0].name != m.EXCHANGES


def _tier(motif: Motif) -> Tier:
    kind = REGISTRY.get(motif.name)
    return kind.tier if kind is not None else Tier.THEME


def _tell(case: Case, motif: Motif) -> str:
    kind = REGISTRY.get(motif.name)
    return kind.tell(case.play, motif) if kind is not None and kind.tell is not None else ""


Angle = Callable[[Case], "Said | None"]
ANGLES: tuple[Angle, ...] = (mate, forgone, capture, tactic, mating_try, exchanges, quiet)

__all__ = ["ANGLES", "why_it_fails"]
