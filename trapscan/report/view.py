"""A finding as a reader meets it: its sentences, moves and numbers at one level. Every form of the report uses it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

import chess
import msgspec

from trapscan.contract import (
    BaitFinding,
    BaitReply,
    Cp,
    Finding,
    Gain,
    Instead,
    LookAlike,
    RepertoireSide,
    Scan,
    Side,
    SlipFinding,
    SlipKind,
)
from trapscan.errors import ReportError
from trapscan.levels import at_level
from trapscan.plain import plain
from trapscan.report.levels import must_know_at
from trapscan.report.text import GAIN_WORDS, and_list, numbered, percent, points, score_words, side_name, signed
from trapscan.score import CP_CEILING

BLUNDER = 0.30
"""Objective expected score lost from which a slip is marked "??" instead of "?". Common practice, no source."""

BETTER, WON = 60, 300
"""Centipawns from which the punisher stands better, and wins. Common practice, no source."""

SECTIONS = (
    ("unsound", "Repair first", "Moves of the repertoire itself that lose something."),
    ("trick", "Tricks to set", "What the other side may do wrong, and how to punish it."),
    ("pitfall", "Pitfalls to avoid", "What our side may do wrong, and what it meets."),
    ("bait", "Baits", "Moves of ours that set tricks, and their price if nobody falls for them."),
    ("disputed", "Where the engines disagree", "The second engine sees no slip here: check before you rely on one."),
)
"""Section, heading and what stands below it, in the order of the report: one for each kind, and one for what a second
engine denies."""


@dataclass(frozen=True, slots=True)
class Card:
    """One finding in words at one level. Moves carry their numbers; scores are the victim's."""

    finding: Finding
    title: str
    line: str
    orders: str
    opening: str
    toll: str
    chance: str
    find: str
    reach: str
    cost: str
    must_know: bool
    tempting: str
    fails: str
    refutation: str
    also: str
    instead: str
    motifs: str
    evidence: str
    extra: tuple[str, ...]
    twins: tuple[LookAlike, ...]


def section_of(finding: Finding) -> str:
    """The section a finding stands in: its kind, or "disputed" when a second engine denies it."""
    return "disputed" if finding.disputed else finding.kind


def kind_words(finding: Finding) -> str:
    """Its kind, and whether it is disputed: "trick", "trick, disputed"."""
    return f"{finding.kind}, disputed" if finding.disputed else finding.kind


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


def slip_sign(best: Cp, slip: Cp) -> str:
    """ "??" or "?" for a slip, by what it loses."""
    return "??" if expected(best) - expected(slip) >= BLUNDER else "?"


def marked(san: str, sign: str) -> str:
    """A move with its sign; a mate needs no praise."""
    san = plain(san, limit=12)
    return san if sign == "!" and san.endswith("#") else san + sign


def slip_and_reply(finding: SlipFinding) -> str:
    """The slip and the reply with numbers and signs: "6...Nxb5?? 7.Nxc6+!"."""
    moves = [marked(finding.slip.san, slip_sign(finding.cp_best, finding.cp_slip))]
    moves += [marked(san, "!") for san in finding.punishment[:1]]
    return numbered(board_of_finding(finding), moves)


def title_of(finding: Finding) -> str:
    """A headline: the slip, what it costs, and the reply."""
    board = board_of_finding(finding)
    if isinstance(finding, BaitFinding):
        count = len(finding.replies)
        return f"{numbered(board, [marked(finding.bait.san, '?!')])} sets {count} trick{'' if count == 1 else 's'}"
    slip = numbered(board, [marked(finding.slip.san, slip_sign(finding.cp_best, finding.cp_slip))])
    punish = finding.punishment[:1]
    reply = numbered(after_move(board), [marked(san, "!") for san in punish])
    if finding.gain is Gain.MATE:
        return f"{slip} runs into mate" + (f": {reply}" if reply else "")
    if finding.gain is Gain.ATTACK:
        return f"{slip} gives {_lost_ground(finding)}" + (f" after {reply}" if reply else "")
    gain = GAIN_WORDS[finding.gain]
    return f"{slip} loses {gain}" + (f" to {reply}" if reply else "")


def _lost_ground(finding: SlipFinding) -> str:
    """What a slip that loses no material gives; the score decides how strong the word may be."""
    left = centipawns(finding.cp_slip)
    punisher = side_name(finding.victim.other)
    if left <= -WON:
        return f"{punisher} a winning position"
    return f"{punisher} the better position" if left <= -BETTER else "the advantage away"


def alternatives(finding: SlipFinding) -> tuple[Instead, ...]:
    """What to play instead, the slip itself left out (engines may contradict themselves at different depths)."""
    return tuple(move for move in finding.instead if move.uci != finding.slip.uci)


def _instead(finding: SlipFinding) -> str:
    board = board_of_finding(finding)
    parts = []
    for move in alternatives(finding):
        note = f", {plain(move.answers)}" if move.answers else ""
        parts.append(f"{numbered(board, [move.san])} ({score_words(move.cp)}{note})")
    return ", ".join(parts)


def _orders(finding: Finding) -> str:
    others = finding.move_orders - 1
    if others < 1:
        return ""
    return f"{others} other move order{'' if others == 1 else 's'} reach{'es' if others == 1 else ''} it"


def opening_text(finding: Finding) -> str:
    """ "C67 Ruy Lopez: Berlin Defence", or empty."""
    return plain(f"{finding.opening.eco} {finding.opening.name}") if finding.opening else ""


def opening_family(finding: Finding) -> str:
    """The opening's name up to its first colon or comma, "Ruy Lopez", or empty."""
    return finding.opening.name.split(":")[0].split(",")[0] if finding.opening is not None else ""


def extra_sentences(finding: Finding, scan: Scan) -> tuple[str, ...]:
    """What else is worth a sentence at any level: preparation, move order, a second engine, a bait's terms."""
    if isinstance(finding, BaitFinding):
        return tuple(_bait_terms(finding, scan))
    return tuple(_slip_notes(finding))


def _slip_notes(finding: SlipFinding) -> Iterator[str]:
    if finding.prepared is not None:
        answers = and_list([plain(san, limit=12) for san in finding.prepared.answers])
        if not finding.prepared.answers:
            yield "The repertoire holds this slip but no answer to it."
        elif finding.prepared.right:
            yield f"The repertoire already holds a right answer: {answers}."
        else:
            yield f"The repertoire answers with {answers}, which lets it off: prepare the refutation."
    if finding.kind is SlipKind.UNSOUND:
        yield "This move stands in the repertoire."
    if finding.poisoned:
        yield "What the slip takes is poisoned."
    if finding.move_order_hint:
        yield plain(finding.move_order_hint)
    if finding.beyond:
        yield f"This position lies {finding.beyond} pl{'y' if finding.beyond == 1 else 'ies'} past the line's end."
    if second_words(finding):
        yield second_words(finding)


def _bait_terms(finding: BaitFinding, scan: Scan) -> Iterator[str]:
    if second_words(finding):
        yield second_words(finding)
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
    if len(details.net) == len(scan.levels):
        by_level = [f"{signed(100 * net)} at {level}" for level, net in zip(scan.levels, details.net, strict=True)]
        yield f"Balance by level: {', '.join(by_level)}."
    if details.pays_below is not None:
        yield f"From {details.pays_below} on it no longer pays."
    if details.otherwise:
        yield f"If they do not fall for it: {numbered(after_move(board), details.otherwise)}."


def second_words(finding: Finding) -> str:
    """What the second engine says, in a sentence, or empty. Scores are the victim's."""
    second = finding.verified.second_engine
    if second is None:
        return ""
    verdict = "agrees" if second.agrees else "does not agree"
    reply = f"; its reply is {plain(second.reply, limit=12)}" if second.reply else ""
    return (
        f"{plain(second.engine, limit=60)} {verdict}: {score_words(second.cp_best)} before, "
        f"{score_words(second.cp_slip)} after{reply}."
    )


def after_move(board: chess.Board) -> chess.Board:
    """The board with the other side to move, for counting moves on from here; no move is made."""
    after = board.copy(stack=False)
    after.turn = not board.turn
    after.fullmove_number += 1 if board.turn == chess.BLACK else 0
    return after


def bait_sentences(finding: BaitFinding, scan: Scan, level: float) -> list[str]:
    """The tricks of a bait and its balance at `level`."""
    details = finding.bait_details
    out = [reply_sentence(finding, reply, scan.levels, level) for reply in finding.replies]

    def value(numbers: Sequence[float]) -> str:
        return signed(100 * at_level(numbers, scan.levels, level)) if len(numbers) == len(scan.levels) else "?"

    out.append(
        f"In points per 100 games at this level: price at best play {value(details.price)}, "
        f"gain from slips {value(details.slips_gain)}, balance {value(details.net)} "
        f"(between {value(details.net_low)} and {value(details.net_high)})."
    )
    return out


def reply_sentence(finding: BaitFinding, reply: BaitReply, levels: Sequence[int], level: float) -> str:
    """One trick that a bait sets, in a sentence."""
    board = board_of_finding(finding)
    board.push_uci(finding.bait.uci)
    moves = [marked(reply.slip.san, slip_sign(reply.cp_best, reply.cp_slip)), marked(reply.refutation.san, "!")]
    share = percent(at_level(reply.chance, levels, level))
    return f"{numbered(board, moves)}: {GAIN_WORDS[reply.gain]}; played by {share}."


def evidence_text(finding: Finding) -> str:
    """ "played 7 of 41 times", or empty where no games were given."""
    if isinstance(finding, BaitFinding) or finding.evidence is None:
        return ""
    if not finding.evidence.games:
        return "the position never arose"
    return f"played {finding.evidence.played} of {finding.evidence.games} times"


def card(finding: Finding, scan: Scan, level: float) -> Card:
    """The finding in words at `level`."""

    def value(numbers: Sequence[float]) -> float:
        return at_level(numbers, scan.levels, level)

    board = board_of_finding(finding)
    start = board_at(finding.start_fen)
    slip = finding if isinstance(finding, SlipFinding) else None
    baited = bait_sentences(finding, scan, level) if isinstance(finding, BaitFinding) else []
    return Card(
        finding=finding,
        title=title_of(finding),
        line=numbered(start, finding.line) or "the start position",
        orders=_orders(finding),
        opening=opening_text(finding),
        toll=points(value(finding.toll)),
        chance=percent(value(finding.chance)),
        find=percent(value(finding.find)),
        reach=percent(value(finding.reach)),
        cost=f"{value(finding.cost):.2f}",
        must_know=must_know_at(finding, scan.levels, level),
        tempting=plain(finding.why_tempting),
        fails=plain(finding.why_it_fails),
        refutation=numbered(after_move(board), slip.punishment) if slip else "",
        also=and_list([plain(san, limit=12) for san in slip.also]) if slip else "",
        instead=_instead(slip) if slip else "",
        motifs=", ".join(plain(motif, limit=60) for motif in finding.motifs),
        evidence=evidence_text(finding),
        twins=slip.look_alikes if slip else (),
        extra=(*baited, *extra_sentences(finding, scan)),
    )


def for_side(scan: Scan, side: str | None) -> Scan:
    """The scan told for one side: a slip of that side is a pitfall, one of the other a trick. Only a scan of both
    sides can be told for another side than its own, since reach depends on who follows the repertoire."""
    if side is None or side == scan.side:
        return scan
    if scan.side is not RepertoireSide.BOTH or side not in (Side.WHITE, Side.BLACK):
        raise ReportError(f"this scan was made for {scan.side}: scan again with --side {plain(side, limit=10)}")
    told: list[Finding] = []
    for finding in scan.findings:
        if isinstance(finding, SlipFinding) and finding.kind is not SlipKind.UNSOUND:
            kind = SlipKind.PITFALL if finding.victim == side else SlipKind.TRICK
            told.append(msgspec.structs.replace(finding, kind=kind))
        elif finding.owner == side:
            told.append(finding)
    return msgspec.structs.replace(scan, side=RepertoireSide(side), findings=tuple(told))
