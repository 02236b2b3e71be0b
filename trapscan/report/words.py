"""What a finding says in words: moves with numbers and signs, a headline, sentences. Plain text, safe to put anywhere;
scores are the victim's."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache

import chess

from trapscan.contract import BaitFinding, BaitReply, Cp, Finding, Gain, Instead, Nature, SlipFinding, SlipKind
from trapscan.levels import Lens
from trapscan.order import often_at
from trapscan.report.text import (
    GAIN_WORDS,
    and_list,
    numbered,
    once,
    part_of_point,
    percent,
    score_words,
    side_name,
    signed,
)
from trapscan.sanitize import sanitize
from trapscan.score import CP_CEILING

BLUNDER = 0.30
"""Objective expected score lost from which a slip is marked "??" instead of "?". Common practice, no source."""

ELSEWHERE = 6
"""So many of the other positions with the same idea are named."""

BETTER, WON = 60, 300
"""Centipawns from which the punisher stands better, and wins. Common practice, no source."""


# --- boards and scores -----------------------------------------------------------------------------------------------


def board_of_finding(finding: Finding) -> chess.Board:
    """The position of the finding, without history."""
    return board_at(finding.fen)


def board_at(fen: str) -> chess.Board:
    """A board of its own at a FEN: parsed once, since every form of the report asks for the same positions."""
    return _parsed(fen).copy(stack=False)


@lru_cache(maxsize=8192)
def _parsed(fen: str) -> chess.Board:
    return chess.Board(fen)


def expected(value: Cp) -> float:
    """Objective expected score of a score in scan.json."""
    if isinstance(value, dict):
        return 1.0 if value.get("mate", 0) > 0 else 0.0
    return float(1 / (1 + 10 ** (-max(-20_000, min(20_000, value)) / 400)))


def centipawns(value: Cp) -> int:
    """One plain integer that orders scores; mates lie beyond all centipawns."""
    if isinstance(value, dict):
        moves = value.get("mate", 0)
        return CP_CEILING - moves if moves > 0 else -CP_CEILING - moves
    return max(-CP_CEILING + 1000, min(CP_CEILING - 1000, value))


# --- moves -----------------------------------------------------------------------------------------------------------


def slip_sign(best: Cp, slip: Cp) -> str:
    """ "??" or "?" for a slip, by what it loses."""
    return "??" if expected(best) - expected(slip) >= BLUNDER else "?"


def marked(san: str, sign: str) -> str:
    """A move with its sign; a mate needs no praise."""
    san = sanitize(san, limit=12)
    return san if sign == "!" and san.endswith("#") else san + sign


def sign_of(finding: SlipFinding) -> str:
    """The sign of a slip: a gambit is only dubious."""
    return "?!" if finding.nature is Nature.GAMBIT else slip_sign(finding.cp_best, finding.cp_slip)


def slip_and_reply(finding: SlipFinding) -> str:
    """The slip and the reply with numbers and signs: "6...Nxb5?? 7.Nxc6+!"."""
    moves = [marked(finding.slip.san, sign_of(finding))]
    moves += [marked(san, "!") for san in finding.punishment[:1]]
    return numbered(board_of_finding(finding), moves)


def alternatives(finding: SlipFinding) -> tuple[Instead, ...]:
    """What to play instead, the slip itself left out (engines may contradict themselves at different depths)."""
    return tuple(move for move in finding.instead if move.uci != finding.slip.uci)


def after_move(board: chess.Board) -> chess.Board:
    """The board with the other side to move, for counting moves on from here; no move is made."""
    after = board.copy(stack=False)
    after.turn = not board.turn
    after.fullmove_number += 1 if board.turn == chess.BLACK else 0
    return after


# --- the headline ----------------------------------------------------------------------------------------------------


def title_of(finding: Finding) -> str:
    """A headline: the slip, what it costs, and the reply."""
    board = board_of_finding(finding)
    if isinstance(finding, BaitFinding):
        count = len(finding.replies)
        return f"{numbered(board, [marked(finding.bait.san, '?!')])} sets {count} trick{'' if count == 1 else 's'}"
    slip = numbered(board, [marked(finding.slip.san, sign_of(finding))])
    if finding.nature is Nature.FORGONE:
        better = numbered(board, [marked(move.san, "!") for move in alternatives(finding)[:1]])
        return f"{slip} lets a chance go" + (f": {better}" if better else "")
    return f"{slip} {fault_text(finding)}"


def fault_text(finding: SlipFinding) -> str:
    """What a slip does, and the reply: "loses a piece to 7.Nxc6+!"."""
    reply = numbered(after_move(board_of_finding(finding)), [marked(san, "!") for san in finding.punishment[:1]])
    if finding.nature is Nature.FORGONE:
        return "lets a chance go"
    if finding.nature is Nature.GAMBIT:
        return "offers material" + (f"; the answer is {reply}" if reply else "")
    if finding.nature is Nature.POSITIONAL:
        return f"gives {_lost_ground(finding)}" + (f" after {reply}" if reply else "")
    if finding.gain is Gain.MATE:
        return "runs into mate" + (f": {reply}" if reply else "")
    if finding.gain is Gain.ATTACK:
        return f"gives {_lost_ground(finding)}" + (f" after {reply}" if reply else "")
    return f"loses {GAIN_WORDS[finding.gain]}" + (f" to {reply}" if reply else "")


def _lost_ground(finding: SlipFinding) -> str:
    """What a slip that loses no material gives; the score decides how strong the word may be."""
    left = centipawns(finding.cp_slip)
    punisher = side_name(finding.victim.other)
    if left <= -WON:
        return f"{punisher} a winning position"
    return f"{punisher} the better position" if left <= -BETTER else "the advantage away"


# --- rows ------------------------------------------------------------------------------------------------------------


def line_text(finding: Finding) -> str:
    """The moves that lead to it: "1.e4 e5 2.Nf3"."""
    there = "the start position" if finding.start_fen == chess.STARTING_FEN else "a position that was set up"
    return numbered(board_at(finding.start_fen), finding.line) or there


def opening_text(finding: Finding) -> str:
    """ "C67 Ruy Lopez: Berlin Defence", or empty."""
    return sanitize(f"{finding.opening.eco} {finding.opening.name}") if finding.opening else ""


def opening_family(finding: Finding) -> str:
    """The opening's name up to its first colon or comma, "Ruy Lopez", or empty."""
    return finding.opening.name.split(":")[0].split(",")[0] if finding.opening is not None else ""


def refutation_text(finding: SlipFinding) -> str:
    """The punishing line with numbers."""
    return numbered(after_move(board_of_finding(finding)), finding.punishment)


def likely_text(finding: SlipFinding) -> str:
    """The line as it will be played, with numbers; empty where that is the refutation."""
    return numbered(after_move(board_of_finding(finding)), finding.likely_line)


def let_off_text(finding: Finding, lens: Lens) -> str:
    """How many do not punish it, and what they play most often instead."""
    if not isinstance(finding, SlipFinding) or not finding.let_off:
        return ""
    board = after_move(board_of_finding(finding))
    reply = max(finding.let_off, key=lambda each: lens.value(each.chance))
    share, missed = percent(lens.value(reply.chance)), percent(1 - lens.value(finding.find))
    then = f"; then {numbered(after_move(board), reply.line)}" if reply.line else ""
    return f"{missed} let it off, {share} by {numbered(board, [reply.san])}{then}."


def also_text(finding: SlipFinding) -> str:
    """Other first moves that punish."""
    return and_list([sanitize(san, limit=12) for san in finding.also])


def instead_text(finding: SlipFinding) -> str:
    """What to play, with scores and what each move meets."""
    board = board_of_finding(finding)
    parts = []
    for move in alternatives(finding):
        note = f", {sanitize(move.answers)}" if move.answers else ""
        parts.append(f"{numbered(board, [move.san])} ({score_words(move.cp)}{note})")
    return ", ".join(parts)


def felt_text(finding: Finding, lens: Lens) -> str:
    """How often it happens and what it costs, as a person feels it."""
    share, cost = percent(lens.value(finding.chance)), part_of_point(lens.value(finding.cost))
    if isinstance(finding, BaitFinding):
        return f"Of those who get there {share} fall."
    if finding.kind is SlipKind.UNSOUND:
        met = once(lens.value(finding.reach))
        return f"The position comes up {met} of yours; each time the move costs {cost}." if met else ""
    happens = once(often_at(finding, lens))
    if not happens:
        return ""
    if finding.kind is SlipKind.TRICK:
        return f"Happens {happens} of yours; of those who get there {share} fall; each time it costs them {cost}."
    forgotten = _forgotten(finding, lens)
    return f"Happens {happens} of yours{forgotten}; of those who play on their own {share} fall; it costs {cost}."


def _forgotten(finding: SlipFinding, lens: Lens) -> str:
    """What was reckoned for the owner's memory."""
    reach = lens.value(finding.reach)
    share = lens.value(finding.met) / reach if finding.met and reach > 0 else 1.0
    return f" if the prepared move is forgotten one time in {round(1 / share)}" if 0 < share < 0.95 else ""


def elsewhere_text(others: Sequence[Finding]) -> list[str]:
    """Where else the same idea comes up: the first lines, and how many there are."""
    if not others:
        return []
    count = len(others)
    lines = [f"{line_text(other)}: {_move_text(other)}" for other in others[:ELSEWHERE]]
    more = f" and {count - ELSEWHERE} more" if count > ELSEWHERE else ""
    return [f"The same idea in {count} more position{'' if count == 1 else 's'}: {'; '.join(lines)}{more}."]


def _move_text(finding: Finding) -> str:
    sign = sign_of(finding) if isinstance(finding, SlipFinding) else "?!"
    return numbered(board_of_finding(finding), [marked(finding.move.san, sign)])


def motifs_of(finding: Finding) -> list[str]:
    """The names of the motifs."""
    return [sanitize(motif, limit=60) for motif in finding.motifs]


def evidence_text(finding: SlipFinding) -> str:
    """ "played 7 of 41 times", or empty where no games were given."""
    if finding.evidence is None:
        return ""
    if not finding.evidence.games:
        return "the position never arose"
    return f"played {finding.evidence.played} of {finding.evidence.games} times"


def tricks_text(finding: BaitFinding, lens: Lens) -> list[str]:
    """The tricks that a bait sets, a sentence each."""
    board = board_of_finding(finding)
    board.push_uci(finding.bait.uci)
    return [_trick(board, reply, lens) for reply in finding.replies]


def _trick(board: chess.Board, reply: BaitReply, lens: Lens) -> str:
    moves = [marked(reply.slip.san, slip_sign(reply.cp_best, reply.cp_slip)), marked(reply.refutation.san, "!")]
    return f"{numbered(board, moves)}: {GAIN_WORDS[reply.gain]}; played by {percent(lens.value(reply.chance))}."


def balance_text(finding: BaitFinding, lens: Lens) -> str:
    """A bait's balance at a level, in a sentence."""
    details = finding.bait_details
    price, gain, net, low, high = (
        signed(100 * lens.value(values))
        for values in (details.price, details.slips_gain, details.net, details.net_low, details.net_high)
    )
    return (
        f"In points per 100 games at this level: price at best play {price}, gain from slips {gain}, balance {net} "
        f"(between {low} and {high})."
    )


def notes(finding: Finding, lens: Lens) -> Iterator[str]:
    """What else is worth a sentence at any level: preparation, move order, a second engine, a bait's terms."""
    others = finding.move_orders - 1
    if others > 0:
        yield f"{others} other move order{'' if others == 1 else 's'} reach{'es' if others == 1 else ''} it."
    if isinstance(finding, SlipFinding):
        yield from _slip_notes(finding)
    if second_text(finding):
        yield second_text(finding)
    if isinstance(finding, BaitFinding):
        yield from _bait_terms(finding, lens)


def _slip_notes(finding: SlipFinding) -> Iterator[str]:
    if finding.poisoned and centipawns(finding.cp_slip) < 0:
        yield "What the slip takes is poisoned."
    if finding.move_order_hint:
        yield sanitize(finding.move_order_hint)


def _bait_terms(finding: BaitFinding, lens: Lens) -> Iterator[str]:
    details, board = finding.bait_details, board_of_finding(finding)
    if details.repertoire_move is not None:
        yield f"The repertoire plays {numbered(board, [details.repertoire_move.san])}."
    if details.against is None:
        yield "The repertoire holds no move here: the balance is against best play."
    elif details.against != details.repertoire_move:
        against = f"{numbered(board, [details.against.san])}, the engine's first choice"
        yield f"The balance is against {against}: the repertoire's own move costs too much."
    lower = "firm: it stays positive" if details.firm else "not firm: nothing is gained"
    yield f"The balance is {lower} at its lower end."
    by_level = [f"{signed(100 * net)} at {level}" for level, net in zip(lens.levels, details.net, strict=True)]
    yield f"Balance by level: {', '.join(by_level)}."
    if details.pays_below is not None:
        yield f"From {details.pays_below} on it no longer pays."
    if details.otherwise:
        yield f"If they do not fall for it: {numbered(after_move(board), details.otherwise)}."


def second_text(finding: Finding) -> str:
    """What the second engine says, in a sentence, or empty. Scores are the victim's."""
    second = finding.verified.second_engine
    if second is None:
        return ""
    verdict = "agrees" if second.agrees else "does not agree"
    reply = f"; its reply is {sanitize(second.reply, limit=12)}" if second.reply else ""
    return (
        f"{sanitize(second.engine, limit=60)} {verdict}: {score_words(second.cp_best)} before, "
        f"{score_words(second.cp_slip)} after{reply}."
    )
