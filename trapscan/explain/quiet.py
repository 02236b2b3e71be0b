"""Slips that lose nothing by force: what the answer threatens, what the slip gave up, what it costs."""

from __future__ import annotations

import re
from collections.abc import Iterator

import chess

from trapscan.explain import motif as m
from trapscan.explain.case import Case, Said
from trapscan.explain.exchange import as_mover, exchange, loot, value_at
from trapscan.explain.motifs import REGISTRY
from trapscan.explain.move_text import mate_threat, threats
from trapscan.explain.play import Play
from trapscan.explain.refuted import telling
from trapscan.explain.tempt import strengths
from trapscan.explain.themes import BISHOPS, CHANCE, HOLE, TIME, themes
from trapscan.explain.words import hits, piece_name, the_pieces

STRONG, FORCING = 150, 40
"""Centipawns that a free move must bring the punisher for what it plays to be called a threat."""

LONGEST = 25


_AT_ONCE = (m.DISCOVERED_ATTACK, m.FORK)
"""Motifs that say what a move does, whatever comes of it."""

_BY_REPLY = (m.INTERFERENCE, m.DECOY)
"""Motifs that are told by the answer to them, which is not on the board."""


def quiet(case: Case) -> Said | None:
    """What the answer does and threatens; then what the slip gave up or costs."""
    if stopped := _stopped(case):
        return Said(stopped, (CHANCE,))
    deeds, names, seen = _deeds(case)
    lead = f"{deeds[0]} {' and '.join(deeds[1:])}" if len(deeds) > 1 else ""
    if len(deeds) > 2 or (lead and _ENOUGH.search(lead)):
        return Said(lead, tuple(names), seen)
    moves = deeds[0].removeprefix("after ").replace(",", "")
    for cost in _costs(case):
        whole = f"{lead}; {cost.text}" if lead else f"after {moves} {cost.text}"
        if not lead and HOLE in cost.names:
            continue
        if not lead and not cost.names:
            whole = _called_for(case) or whole
        if len(whole.split()) <= LONGEST and not (TIME in cost.names and _told_already(cost.text, lead)):
            return Said(whole, (*names, *cost.names), max(seen, cost.plies))
    return Said(lead, tuple(names), seen) if lead else None


_ENOUGH = re.compile(r"\bmate\b|(?:hits|chases) the queen|hits the \w+s on| and the |forks|uncovers")
"""What needs no further reason: a mate, the queen, or two men at once."""


def _called_for(case: Case) -> str:
    """The better move and its point, where nothing speaks for the answer but that it leaves the punisher better."""
    merits = strengths(case.board, case.best.moves[0])[:1] if case.best.moves else []
    if not merits:
        return ""
    worse = case.after.of(not case.side).plain <= -FORCING
    left = f"{case.first} leaves {case.punisher} better" if worse else f"after {case.first} the advantage is gone"
    return f"{case.best_san} had to be played: it {merits[0].partition(',')[0]}; {left}"


def _told_already(clause: str, lead: str) -> bool:
    """Whether the piece that has lost time is one that the lead has spoken of."""
    return "must move again" in lead or clause.split()[-1] in lead.split() or " ".join(clause.split()[-4:]) in lead


def _deeds(case: Case) -> tuple[list[str], list[str], int]:
    """The answer in SAN, with the trade before it if it begins with one, and up to two things that it does; and the
    names of motifs told, and the plies that they take."""
    play, index = case.play, 0
    if len(play) > 2 and play.is_capture(0) and play.moves[1].to_square == play.moves[0].to_square:
        told = any(motif.name in _AT_ONCE and motif.ply == 1 for motif in case.motifs)
        index = 0 if told or exchange(play.boards[0], play.moves[0]) > 1 else 2
    before, after, move = play.boards[index], play.boards[index + 1], play.moves[index]
    subject = case.first if not index else f"after {play.sans(0, index)}, {play.san(index)}"
    deeds: list[str] = []
    names: list[str] = []
    retaken = index + 1 < len(play) and play.is_capture(index) and play.moves[index + 1].to_square == move.to_square
    targets = threats(before, after, move) if not after.is_check() and not retaken else []
    if not index and (back := _taken(case)):
        deeds.append(back)
    for motif in case.motifs:
        tell = REGISTRY[motif.name].tell
        if motif.name in (m.WEAK_F7, m.WEAK_F2, *_AT_ONCE) and motif.ply == index + 1 and tell:
            deeds.append(tell(play, motif))
            if motif.name in _AT_ONCE:
                return [subject, *[deed for deed in deeds if deed][-2:]], names, index + 1
        if motif.name == m.PIN and motif.ply == index + 1 and motif.actor == move.to_square and tell and not targets:
            deeds.append(tell(play, motif))
    if targets:
        chased = len(targets) == 1 and value_at(after, move.to_square) < value_at(after, targets[0])
        hit = f"chases {the_pieces(after, targets)}" if chased else hits(after, targets[:2])
        opened = chess.between(move.to_square, targets[0]) & chess.BB_SQUARES[case.slip.from_square]
        if opened and len(targets) == 1:
            hit += f" along the line that {case.slip_san} opens"
        again = len(targets) == 1 and _moves_again(case, index) in targets
        deeds.append(f"{hit}, which must move again" if again else hit)
        names += [TIME] if again else []
    if not index:
        threat, strong = _threat(case, targets)
        kept = _parries(case) if not strong else ""
        deeds += [kept] if kept else []
        deeds += [threat] if threat else []
        names += [m.THREAT] if strong else []
    seen = min(len(play), index + 4) if TIME in names else index + 1
    return [subject, *[deed for deed in deeds if deed][:2]], names, seen


def _taken(case: Case) -> str:
    """What the answer takes, and whether for what the slip took."""
    taken = case.play.taken(0)
    if taken is None:
        return ""
    told, traded = the_pieces(case.play.boards[0], [taken[0]]), case.board.is_capture(case.slip)
    if traded and taken[0] == case.slip.to_square:
        return "takes back"
    if exchange(case.play.boards[0], case.play.moves[0]) <= 0:
        return ""
    return f"takes {told}{' in return' if traded else ''}"


def _moves_again(case: Case, index: int) -> chess.Square | None:
    """Where the piece that slipped stands, if it moves again in reply to move `index` or with the next one."""
    square = case.play.where(case.slip.to_square, 0, index + 1)
    again = [case.play.moves[later].from_square for later in range(index + 1, min(len(case.play), index + 4), 2)]
    return square if square is not None and square in again else None


def _parries(case: Case) -> str:
    """What the answer guards of all that the slip attacks."""
    after_slip, answered = case.play.boards[0], case.play.boards[1]
    to = case.play.moves[0].to_square
    for square in threats(case.board, after_slip, case.slip):
        if answered.attacks_mask(to) & chess.BB_SQUARES[square] and answered.color_at(square) == case.side:
            return f"guards {the_pieces(answered, [square])}"
    return ""


def _threat(case: Case, told: list[chess.Square]) -> tuple[str, bool]:
    """What the punisher would do with a free move: 'threatens Qh5+', 'prepares e4'; and whether it is a threat. Nothing
    where that takes what is `told` to be attacked anyhow."""
    line, after = case.tried.threat, case.play.boards[1]
    if line is None:
        mate = mate_threat(after, case.side)
        return (f"threatens mate on {chess.square_name(mate.to_square)}", True) if mate is not None else ("", False)
    idea = Play.along(as_mover(after, case.side), line.pv)
    if not idea.moves or (idea.moves[0].from_square == case.play.moves[0].to_square and _may_be_taken(case)):
        return "", False
    san = idea.san(0)
    if idea.boards[1].is_checkmate():
        return f"threatens {san} mate", True
    taken = idea.taken(0)
    if taken is not None and taken[0] in told:
        return "", False
    stronger = line.score.of(case.side).plain + case.after.of(not case.side).plain
    forcing = idea.is_capture(0) or idea.boards[1].is_check()
    hit = [s for s in threats(idea.boards[0], idea.boards[1], idea.moves[0])[:1] if value_at(idea.boards[1], s) > 1]
    if stronger < (FORCING if forcing else STRONG):
        aim = f", which {hits(idea.boards[1], hit)}" if hit else ""
        return (f"prepares {san}{aim}", False) if not forcing else ("", False)
    motif = telling(idea.first(5))
    words = ""
    if motif is not None and motif.ply == 1 and motif.name not in _BY_REPLY and (tell := REGISTRY[motif.name].tell):
        words = tell(idea, motif)
    if not words and hit and not forcing:
        words = hits(idea.boards[1], hit)
    return f"threatens {san}{f', which {words}' if words and ',' not in words else ''}", True


def _may_be_taken(case: Case) -> bool:
    return loot(case.play.boards[1], case.play.moves[0].to_square) > 0


def _costs(case: Case) -> Iterator[Said]:
    """What the slip gave up or costs, the best word first."""
    if trade := _trade(case):
        yield Said(trade, (BISHOPS,))
    if hole := _hole(case):
        yield hole
    found = [theme for theme in themes(case.play, case.best) if theme.name != CHANCE]
    for theme in found[:2]:
        yield Said(theme.clause, (theme.name,), max(1, theme.ply))
    if better := _better(case):
        yield Said(better)


def _trade(case: Case) -> str:
    """The slip gave a bishop for a knight."""
    gave, got = case.board.piece_type_at(case.slip.from_square), case.board.piece_type_at(case.slip.to_square)
    back = case.play.moves[0].to_square == case.slip.to_square
    if gave == chess.BISHOP and got == chess.KNIGHT and back:
        return f"{case.victim} has given the bishop for a knight"
    return ""


def _hole(case: Case) -> Said | None:
    """A square that the slip no longer guards and that the punisher soon makes use of."""
    square = case.slip.from_square
    if _moves_again(case, 0) is not None or case.play.moves[0].to_square == case.slip.to_square:
        return None
    before, after = case.board, case.play.boards[0]
    lost = before.attacks(square) & ~after.attacks(case.slip.to_square)
    kind = piece_name(before, square)
    for index in (0, 2, 4):
        goal = case.play.moves[index].to_square if index < len(case.play) else None
        if goal is None or goal == case.slip.to_square:
            continue
        if goal in lost and not after.attackers(not case.side, goal):
            where = chess.square_name(goal)
            text = f"{case.slip_san} weakens {where}" if kind == "pawn" else f"the {kind} no longer guards {where}"
            return Said(text, (HOLE,), index + 1)
    return None


def _stopped(case: Case) -> str:
    """The better move and its point, where the answer stops it by guarding where it goes."""
    if not case.best.moves or case.best.is_capture(0):
        return ""
    goal, answer = case.best.moves[0].to_square, case.play.moves[0]
    here, answered = case.play.boards[0], case.play.boards[1]
    fresh = answered.attacks_mask(answer.to_square) & ~here.attacks_mask(answer.from_square)
    hit = threats(case.board, case.best.boards[1], case.best.moves[0])[:2]
    if not fresh & chess.BB_SQUARES[goal] or not hit:
        return ""
    if any(answered.piece_at(square) != case.board.piece_at(square) for square in hit):
        return ""  # what it would have hit has gone
    late = f"now {case.first} guards {chess.square_name(goal)}"
    return f"{case.best_san} came first: it {hits(case.best.boards[1], hit)}; {late}"


def _better(case: Case) -> str:
    """The better move and its point."""
    if not case.best.moves:
        return ""
    merits = strengths(case.board, case.best.moves[0])[:1]
    point = f", which {merits[0].partition(',')[0]}" if merits else ""
    return f"better was {case.best_san}{point.removesuffix(f' to {chess.square_name(case.best.moves[0].to_square)}')}"
