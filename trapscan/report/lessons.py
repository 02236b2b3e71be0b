"""Choosing warning positions for a group of a level: what they will meet, fall for and can learn from.

A position counts by what it is ranked by in the report (its worth at the level, times how often it is met, damped).
Tactics and oversights are asked for unless other natures are named. What a second engine denies is left out, unless it
is pinned. A bait is asked about once it is played: its first trick. Of each idea only the position that stands highest
is there. Then one after the other is taken, each time the one that counts most after what was taken has lowered its
like: the same motif, opening, gain, side. Last, they are put from easy to hard.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import chess

from trapscan.contract import Nature, Scan, SlipFinding
from trapscan.errors import ReportError
from trapscan.levels import Lens
from trapscan.order import by_idea, standing
from trapscan.report.bait_lessons import as_slip
from trapscan.report.entry import Entry
from trapscan.report.narrowed import nature_named, of_chapters
from trapscan.report.present import Presentation
from trapscan.report.words import board_of_finding, opening_family
from trapscan.sanitize import sanitize

NATURES = (Nature.TACTIC, Nature.OVERSIGHT)
"""Asked for where nothing else is said: what is lost by force."""
LIKE_FACTORS = {"motif": 0.55, "opening": 0.6, "gain": 0.85, "victim": 0.9}
"""What one already chosen position of the same kind leaves of another's worth."""
SAME_STRUCTURE = 4
"""Two positions of one victim that differ on at most so many squares are alike. So are an equal slip and reply."""
JITTER = 0.35
"""How far a seed other than 0 may raise or lower a worth."""


@dataclass(frozen=True, slots=True)
class Lesson:
    """A lesson: its positions from easy to hard, and the scan they come from."""

    title: str
    level: int
    seed: int
    scan: Scan
    findings: tuple[SlipFinding, ...]

    @property
    def shown(self) -> Presentation:
        """The scan at the lesson's level."""
        return Presentation.of(self.scan, level=self.level)

    @property
    def entries(self) -> list[Entry]:
        """The positions in words."""
        return [self.shown.entry(finding) for finding in self.findings]


def lesson(
    scan: Scan,
    *,
    level: int,
    count: int,
    side: str | None = None,
    chapters: Collection[str] = (),
    motifs: Collection[str] = (),
    natures: Collection[str] = NATURES,
    seed: int = 0,
    pin: Sequence[str] = (),
    drop: Collection[str] = (),
    title: str = "",
) -> Lesson:
    """Choose `count` warning positions for players of `level` (Elo).

    `side` keeps slips of that side only, `chapters` those of chapters of these numbers or titles, `motifs` those with
    one of the motifs, `natures` those of one of them; `pin` are ids that must be in, `drop` ids that must not. Another
    `seed` gives another choice, an equal one the same. Fewer than `count` come back when no more are different enough.
    Raises ReportError on an unknown id, nature or chapter, or when nothing fits.
    """
    if count < 1:
        raise ReportError("a lesson needs at least one position")
    if side not in (None, "white", "black"):
        raise ReportError(f"unknown side {sanitize(str(side), limit=20)!r}: white or black")
    scan = of_chapters(scan, chapters)
    known = {finding.id for finding in scan.findings}
    for name in (*pin, *drop):
        if name not in known:
            raise ReportError(f"no finding {sanitize(name, limit=60)!r} in this scan")
    by_id = {slip.id: slip for slip in map(as_slip, scan.findings) if slip is not None and slip.punishment}
    for name in pin:
        if name not in by_id:
            raise ReportError(f"{sanitize(name, limit=60)!r} has nothing to ask for: it cannot be pinned")
    pinned = [by_id[name] for name in dict.fromkeys(pin)]
    wanted, kinds = {motif.casefold() for motif in motifs}, set(map(nature_named, natures))
    pool = [
        finding
        for name, finding in by_id.items()
        if name not in {*drop, *pin} and not finding.disputed and _fits(finding, side, wanted)
        if finding.nature in kinds
    ]
    lens = Lens(scan.levels, level)
    leads = {idea.lead.id for idea in by_idea(pool, lens)}
    chosen = choose([finding for finding in pool if finding.id in leads], lens, count, seed, pinned)
    if not chosen:
        raise ReportError("no finding fits this lesson: ask for fewer motifs or either side")
    chosen.sort(key=lambda finding: (round(difficulty(finding, lens), 9), finding.id))
    return Lesson(sanitize(title, limit=120) or "What fails here?", level, seed, scan, tuple(chosen))


def _fits(finding: SlipFinding, side: str | None, motifs: Collection[str]) -> bool:
    """Whether it is a slip of the side, and has one of the motifs (in small letters; none: any)."""
    if side is not None and finding.victim != side:
        return False
    return not motifs or any(motif.casefold() in motifs for motif in finding.motifs)


def choose(
    pool: Sequence[SlipFinding], lens: Lens, count: int, seed: int, pinned: Sequence[SlipFinding]
) -> list[SlipFinding]:
    """The pinned ones, then the worthiest of the pool, one by one, each unlike those taken before."""
    chosen = list(pinned)
    left = {finding.id: standing(finding, lens) * _lot(seed, finding.id) for finding in pool}
    by_id = {finding.id: finding for finding in pool}
    boards = {finding.id: board_of_finding(finding).piece_map() for finding in (*pool, *pinned)}
    for taken in pinned:
        _lower(left, by_id, boards, taken)
    while len(chosen) < count and left:
        best = max(left, key=lambda name: (left[name], name))
        if left[best] <= 0:
            break
        taken = by_id[best]
        del left[best]
        chosen.append(taken)
        _lower(left, by_id, boards, taken)
    return chosen


def difficulty(finding: SlipFinding, lens: Lens) -> float:
    """How hard the question is: a slip that many play, a refutation that few find, a gain that comes late."""
    find = min(0.99, max(0.01, lens.value(finding.find)))
    chance = lens.value(finding.chance)
    forced = finding.punishment[0]
    calm = 0.0 if any(sign in forced for sign in "x+#") else 0.4
    return -math.log(find) + chance + 0.12 * min(finding.ply, 9) + calm


def _lower(
    left: dict[str, float],
    by_id: dict[str, SlipFinding],
    boards: dict[str, dict[chess.Square, chess.Piece]],
    taken: SlipFinding,
) -> None:
    """Lower the worth of what resembles `taken`; what is alike goes."""
    for name in list(left):
        other = by_id[name]
        if alike(other, taken, boards[name], boards[taken.id]):
            del left[name]
            continue
        factor = 1.0
        if set(other.motifs[:1]) & set(taken.motifs[:1]):
            factor *= LIKE_FACTORS["motif"]
        if _family(other) == _family(taken):
            factor *= LIKE_FACTORS["opening"]
        if other.gain == taken.gain:
            factor *= LIKE_FACTORS["gain"]
        if other.victim == taken.victim:
            factor *= LIKE_FACTORS["victim"]
        left[name] *= factor


def alike(
    one: SlipFinding, other: SlipFinding, men: dict[chess.Square, chess.Piece], others: dict[chess.Square, chess.Piece]
) -> bool:
    """Whether a pupil would feel to see the same thing twice: one victim, and the same slip and reply, or nearly the
    same position."""
    if one.victim != other.victim:
        return False
    if one.refutation is not None and other.refutation is not None:
        same_slip = one.slip.uci == other.slip.uci
        if same_slip and one.refutation.uci == other.refutation.uci:
            return True
        if one.refutation.uci == other.refutation.uci and one.slip.uci[:2] == other.slip.uci[:2]:
            return True
    return sum(men.get(square) != others.get(square) for square in chess.SQUARES) <= SAME_STRUCTURE


def _family(finding: SlipFinding) -> str:
    """The opening, a gambit's two halves being one; without a name, the first two moves."""
    name = opening_family(finding).removesuffix(" Accepted").removesuffix(" Declined")
    return name or " ".join(finding.line[:3])


def _lot(seed: int, name: str) -> float:
    """1 for seed 0; for another a factor near 1, the same on every machine."""
    if seed == 0:
        return 1.0
    draw = int.from_bytes(hashlib.sha256(f"{seed}|{name}".encode()).digest()[:4], "big") / 2**32
    return 1.0 + JITTER * (2 * draw - 1)
