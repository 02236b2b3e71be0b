"""A finding as it goes into the owner's own PGN: a variation, or a comment behind a move that stands there already.

Each is marked as ours (trapscan.pgn.ours) and within ASCII, which every encoding of such files agrees on.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import chess

from trapscan.contract import BaitFinding, SlipFinding
from trapscan.pgn.ours import END, mark
from trapscan.report.entry import Entry
from trapscan.report.games import COLUMNS, NAG, comment
from trapscan.report.text import ascii_only, counted_as, percent, score_words
from trapscan.report.words import alternatives, board_of_finding, sign_of, slip_sign


@dataclass(frozen=True, slots=True)
class Step:
    """A move (SAN) with its NAG (0: none), and what is said behind it."""

    san: str
    nag: int = 0
    comment: str = ""


def slip_variation(entry: Entry, board: chess.Board, way: Sequence[str], caution: str = "") -> str:
    """From `board` along `way` (SAN; moves of the file, or past its end) to the slip, and its refutation."""
    finding = _slip_of(entry)
    said = _join(entry.row("fails"), _instead(entry) if finding.kind != "trick" else "")
    slip = Step(finding.slip.san, NAG[sign_of(finding)], said)
    return _variation(entry, _about(entry), board, [*map(Step, way), slip, *_punishment(finding)], caution)


def refutation_variation(entry: Entry, board: chess.Board, caution: str = "") -> str:
    """What to answer, in place of what the file answers; `board` is the position after the slip."""
    finding = _slip_of(entry)
    said = _join(_about(entry), entry.row("fails"))
    return _variation(entry, said, board, _punishment(finding), caution)


def better_variation(entry: Entry, board: chess.Board, caution: str = "") -> str:
    """What to play in place of the slip; `board` is the position before it."""
    first, *others = alternatives(_slip_of(entry))
    steps = [Step(first.san, 0, _join(f"Score {score_words(first.cp)}", first.answers))]
    rest = [f"({_written(board, [Step(other.san, 0, f'Score {score_words(other.cp)}')])})" for other in others[:1]]
    return _variation(entry, "Better than what stands here.", board, steps, caution, rest)


def remark(entry: Entry, caution: str = "") -> str:
    """A comment behind a slip that stands in the file and has its answer there."""
    text = comment(_join(entry.title + ".", _about(entry), entry.row("fails"), caution))
    return ascii_only(f"{{{mark(entry.id)} {text}{END}}}")


def bait_variation(entry: Entry, board: chess.Board, way: Sequence[str], caution: str = "") -> str:
    """From `board` along `way` to a bait, with the slips that it invites."""
    finding = entry.finding
    assert isinstance(finding, BaitFinding)
    after = board_of_finding(finding)
    after.push_uci(finding.bait.uci)
    lines = []
    for reply in finding.replies:
        chance = f"Played by {percent(entry.lens.value(reply.chance))} at {entry.lens.level:.0f}."
        slip = Step(reply.slip.san, NAG[slip_sign(reply.cp_best, reply.cp_slip)], chance)
        lines.append([slip, *_praised(reply.refutation.moves)])
    first = lines[0] if lines else []
    beside = [f"({_written(after, line)})" for line in lines[1:]]
    # the other slips stand in the place of the first, behind it
    bait = Step(finding.bait.san, NAG["?!"], entry.row("balance"))
    head = [*map(Step, way), bait, *first[:1]]
    return _variation(entry, _about(entry), board, head, caution, beside, first[1:])


def empty_game(entry: Entry, caution: str = "") -> str:
    """The finding in words, for a game that holds no move that a variation could replace."""
    text = _join(entry.title + ".", entry.row("moves"), _about(entry), entry.row("fails"), caution)
    return ascii_only(f"{{{mark(entry.id)} {comment(text)}{END}}}")


# --- words -----------------------------------------------------------------------------------------------------------


def _about(entry: Entry) -> str:
    """What it is, what there is to say to the owner's mark, and how likely it is."""
    kind = entry.kind.capitalize()
    often = entry.row("felt") or f"Played by {entry.figures['chance']} at {entry.lens.level:.0f}."
    more = f"The same idea in {counted_as(len(entry.others), 'more position')}." if entry.others else ""
    return _join(f"{kind}.", entry.row("mark"), often, more)


def _instead(entry: Entry) -> str:
    better = entry.row("instead")
    return f"Instead: {better}." if better else ""


def _slip_of(entry: Entry) -> SlipFinding:
    assert isinstance(entry.finding, SlipFinding)
    return entry.finding


def _punishment(finding: SlipFinding) -> list[Step]:
    """The punishing line, as far as it can be played."""
    board = board_of_finding(finding)
    board.push_uci(finding.slip.uci)
    played = []
    for san in finding.punishment:
        try:
            board.push_san(san)
        except ValueError:
            break
        played.append(san)
    return _praised(played)


def _praised(sans: Sequence[str]) -> list[Step]:
    return [Step(san, 0 if number or san.endswith("#") else NAG["!"]) for number, san in enumerate(sans)]


def _join(*parts: str) -> str:
    return " ".join(part for part in parts if part)


# --- movetext --------------------------------------------------------------------------------------------------------


def _variation(
    entry: Entry,
    intro: str,
    board: chess.Board,
    steps: Sequence[Step],
    caution: str,
    beside: Iterable[str] = (),
    rest: Sequence[Step] = (),
) -> str:
    """A marked variation from `board`: the steps, variations in the place of the last of them, then the rest."""
    opening = f"({{{mark(entry.id)} {comment(_join(intro, caution))}}}"
    after = board.copy(stack=False)
    for step in steps:
        after.push_san(step.san)
    parts = [opening, _written(board, steps), *beside, _written(after, rest)]
    return ascii_only(_join(*parts) + ")")


def _written(board: chess.Board, steps: Sequence[Step]) -> str:
    """Movetext with numbers."""
    number, white, fresh = board.fullmove_number, board.turn, True
    words = []
    for step in steps:
        if white or fresh:
            words.append(f"{number}{'.' if white else '...'}")
        words.append(step.san)
        if step.nag:
            words.append(f"${step.nag}")
        if step.comment:
            words.append(f"{{{comment(step.comment)}}}")
        fresh = bool(step.comment)
        number += not white
        white = not white
    return " ".join(words)


def wrapped(text: str, line_end: str) -> str:
    """An insert in lines of at most COLUMNS characters. The first word holds the mark's bracket and is never cut."""
    return line_end.join(textwrap.wrap(text, COLUMNS, break_long_words=False, break_on_hyphens=False))


__all__ = [
    "bait_variation",
    "better_variation",
    "empty_game",
    "refutation_variation",
    "remark",
    "slip_variation",
    "wrapped",
]
