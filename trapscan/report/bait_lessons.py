"""A bait as a lesson: the position after it, in which its first trick waits."""

from __future__ import annotations

import msgspec

from trapscan.contract import Finding, Instead
from trapscan.report.text import numbered
from trapscan.report.view import board_of_finding


def as_trick(finding: Finding) -> Finding:
    """A bait's first trick as a finding of its own, under the bait's id: the bait is played, the victim to move. The
    best reply, with our answer, is what to play instead: what to do when they do not fall for it. Other findings, and
    a bait without a trick, come back as they are."""
    if finding.kind != "bait" or finding.bait is None or not finding.replies:
        return finding
    board, reply, details = board_of_finding(finding), finding.replies[0], finding.bait_details
    board.push_uci(finding.bait.uci)
    instead: tuple[Instead, ...] = ()
    if details is not None and details.otherwise:
        best, *ours = details.otherwise
        move = board.parse_san(best)
        after = board.copy()
        after.push(move)
        answers = f"then {numbered(after, ours)}" if ours else ""
        instead = (Instead(san=best, uci=move.uci(), cp=reply.cp_best, answers=answers),)
    toll = tuple(100 * r * p * c for r, p, c in zip(finding.reach, reply.chance, finding.cost, strict=True))
    return msgspec.structs.replace(
        finding,
        kind="trick",
        fen=board.fen(en_passant="legal"),
        line=(*finding.line, finding.bait.san),
        bait=None,
        bait_details=None,
        replies=(),
        slip=reply.slip,
        refutation=reply.refutation,
        instead=instead,
        cp_best=reply.cp_best,
        cp_slip=reply.cp_slip,
        gain=reply.gain,
        motifs=reply.motifs,
        why_tempting=reply.why_tempting,
        why_it_fails=reply.why_it_fails,
        chance=reply.chance,
        toll=toll,
    )


__all__ = ["as_trick"]
