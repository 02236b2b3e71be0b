"""What a finding says of the owner's own file: their mark, what is prepared, their chapters, their words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import chess

from trapscan.contract import Finding, Place, PreparedState, SlipFinding, SlipKind
from trapscan.report.text import and_list, counted_as, numbered
from trapscan.report.words import after_move, board_of_finding, fault_text, marked
from trapscan.sanitize import sanitize

MOST_TITLES = 3
"""So many chapters of a finding are named, then counted."""

STATES = {
    PreparedState.RIGHT: "prepared and right",
    PreparedState.WRONG: "prepared and wrong",
    PreparedState.NONE: "not prepared",
    PreparedState.PAST: "past the end",
}
"""In words, in the order in which they are counted."""


def mark_text(finding: SlipFinding) -> str:
    """What is said to the author's mark, and to a better move of the same file; or empty."""
    board, san = board_of_finding(finding), finding.slip.san
    mark, own, fault = sanitize(finding.mark, limit=4), _own_text(finding, board), fault_text(finding).rstrip("!")
    if mark in ("?", "??"):
        return f"You marked this {mark}: right, it {fault}." + (own and f" You play {own}.")
    praised = mark in ("!", "!!", "!?")
    if own and finding.in_repertoire and finding.kind is not SlipKind.TRICK:
        yours = numbered(board, [marked(san, mark) if praised else san])
        return f"Your {yours} is {_worse(finding)} than your own {own}."
    if praised:
        return f"You marked this {mark}, but it {fault}."
    return f"You marked this {mark}: it {fault}." if mark else ""


def _own_text(finding: SlipFinding, board: chess.Board) -> str:
    return numbered(board, [finding.own.san]) if finding.own is not None else ""


def _worse(finding: SlipFinding) -> str:
    """ "0.8 worse", by the two scores; without a number where one is a mate."""
    own = finding.own.cp if finding.own is not None else None
    if isinstance(own, int) and isinstance(finding.cp_slip, int):
        return f"{(own - finding.cp_slip) / 100:.1f} worse"
    return "worse"


def state_text(finding: SlipFinding) -> str:
    """Whether the answer is prepared, and what the file has; and whether it names the refutation."""
    head = STATES[finding.state].capitalize()
    return f"{head}{_prepared(finding)}.{_named(finding)}"


def _prepared(finding: SlipFinding) -> str:
    board = board_of_finding(finding)
    answers = finding.prepared.answers if finding.prepared is not None else ()
    told = and_list([numbered(after_move(board), [san]) for san in answers])
    own = _own_text(finding, board)
    if finding.kind is SlipKind.UNSOUND:
        return ": this move stands in your file"
    if finding.state is PreparedState.PAST:
        plies = f", {counted_as(finding.beyond, 'ply')} on".replace("plys", "plies") if finding.beyond else ""
        return f" of your line{plies}"
    if finding.kind is SlipKind.TRICK:
        if finding.state is PreparedState.RIGHT:
            return f": your file answers {told}"
        if finding.state is PreparedState.WRONG:
            return f": your file answers {told}, which lets it off"
        return ": your file holds this slip, but no answer" if finding.in_repertoire else ": your file lacks this slip"
    if finding.state is PreparedState.RIGHT:
        return f": your file plays {own}" if own else ": your file plays another move"
    if finding.state is PreparedState.WRONG:
        return ": what your file plays here is a slip too"
    return ": your file plays nothing else here"


def _named(finding: SlipFinding) -> str:
    if not finding.named or (finding.kind is SlipKind.TRICK and finding.state is PreparedState.RIGHT):
        return ""
    return f" The refutation is in your file: {numbered(after_move(board_of_finding(finding)), [finding.named])}."


def chapter_text(finding: Finding, titles: Sequence[str]) -> str:
    """The chapters that hold it; empty where the scan has but one."""
    if len(titles) < 2:
        return ""
    named = [sanitize(titles[number], limit=100) for number in finding.chapters[:MOST_TITLES]]
    more = len(finding.chapters) - len(named)
    return "; ".join(named) + (f"; and {more} more" if more else "")


def words_text(finding: Finding, titles: Sequence[str]) -> Iterator[str]:
    """The author's comments, one a paragraph, each with its place and its chapter."""
    board = board_of_finding(finding)
    reply = finding.punishment[:1] if isinstance(finding, SlipFinding) else ()
    places = {
        Place.POSITION: "Here",
        Place.SLIP: f"Behind {numbered(board, [finding.move.san])}",
        Place.REFUTATION: f"Behind {numbered(after_move(board), reply)}",
    }
    for word in finding.words:
        chapter = f", in {sanitize(titles[word.chapter], limit=100)}" if len(titles) > 1 else ""
        yield f"{places[word.place]}{chapter}: \u201c{sanitize(word.text)}\u201d"


__all__ = ["STATES", "chapter_text", "mark_text", "state_text", "words_text"]
