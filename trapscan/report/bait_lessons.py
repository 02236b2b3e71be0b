"""A bait as a lesson: the position after it, in which its first trick waits."""

from __future__ import annotations

from trapscan.contract import BaitFinding, Finding, Instead, SlipFinding, SlipKind
from trapscan.order import TOLL_DIGITS, rounded
from trapscan.report.text import numbered
from trapscan.report.words import board_of_finding


def as_slip(finding: Finding) -> SlipFinding | None:
    """A slip as it is. A bait's first trick as a slip of its own, under the bait's id: the bait is played, the victim
    to move. The best reply, with our answer, is what to play instead: what to do when they do not fall for it. None
    for a bait without a trick."""
    if isinstance(finding, SlipFinding):
        return finding
    return _first_trick(finding) if finding.replies else None


def _first_trick(finding: BaitFinding) -> SlipFinding:
    board, reply, details = board_of_finding(finding), finding.replies[0], finding.bait_details
    board.push_uci(finding.bait.uci)
    instead: tuple[Instead, ...] = ()
    if details.otherwise:
        best, *ours = details.otherwise
        move = board.parse_san(best)
        after = board.copy()
        after.push(move)
        answers = f"then {numbered(after, ours)}" if ours else ""
        instead = (Instead(san=best, uci=move.uci(), cp=reply.cp_best, answers=answers),)
    return SlipFinding(
        id=finding.id,
        kind=SlipKind.TRICK,
        victim=finding.victim,
        fen=board.fen(en_passant="legal"),
        start_fen=finding.start_fen,
        line=(*finding.line, finding.bait.san),
        move_orders=finding.move_orders,
        opening=finding.opening,
        slip=reply.slip,
        refutation=reply.refutation,
        instead=instead,
        cp_best=reply.cp_best,
        cp_slip=reply.cp_slip,
        gain=reply.gain,
        material=finding.material,
        ply=finding.ply,
        motifs=reply.motifs,
        why_tempting=reply.why_tempting,
        why_it_fails=reply.why_it_fails,
        nature=finding.nature,
        idea=finding.idea,
        worth=finding.worth,
        met=finding.met,
        must_know=finding.must_know,
        chance=reply.chance,
        find=finding.find,
        reach=finding.reach,
        cost=finding.cost,
        toll=tuple(
            rounded(100 * r * p * c, TOLL_DIGITS)
            for r, p, c in zip(finding.reach, reply.chance, finding.cost, strict=True)
        ),
        depth=finding.depth,
        verified=finding.verified,
    )


__all__ = ["as_slip"]
