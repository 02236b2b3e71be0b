"""Choosing warning positions for a group of a level: what they will meet, fall for and can learn from.

The worth of a position is the fourth root of its toll at the level (reach falls by an order of magnitude within a few
moves, and a lesson is not about the first two moves only), raised where the refutation must be known, and lowered
where the slip is too rare at the level, the refutation too hard to find even when told to look, or where there is no
clear gain and no motif to name, where the gain comes so late that nobody at the board would see it, where the reply
merely takes the man that slipped, or where the side that slips stands no worse afterwards. What a second engine
denies is left out, unless it is pinned. A bait is asked about once it is played: its first trick. Then one after the
other is taken, each time the one worth most after what was taken has lowered its like: the same motif, opening, gain,
side. Last, they are put from easy to hard.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import chess

from trapscan.contract import Gain, Scan, SlipFinding
from trapscan.errors import ReportError
from trapscan.levels import Lens
from trapscan.plain import plain
from trapscan.report.bait_lessons import as_slip
from trapscan.report.present import Entry, Presentation
from trapscan.report.words import BETTER, board_of_finding, centipawns, opening_family

MUST_KNOW_WEIGHT = 1.5
GAIN_WEIGHTS = {
    Gain.MATE: 1.3,
    Gain.QUEEN: 1.2,
    Gain.ROOK: 1.1,
    Gain.PIECE: 1.1,
    Gain.EXCHANGE: 0.9,
    Gain.PAWN: 0.5,
    Gain.ATTACK: 0.3,
}
"""A lesson wants something to show for it: a worse position with nothing lost yet teaches the least."""
NO_MOTIF_WEIGHT = 0.35
SOON = 5
"""Plies from the slip within which a gain can be shown at the board; one that comes later counts less in proportion."""
TAKEN_WEIGHT = 0.5
"""A man that can simply be taken where the slip puts it asks for no thought, and may be a gambit."""
NO_WORSE_WEIGHT = 0.2
"""A slip that only gives an advantage away is no warning: nothing bad happens on the board."""
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
    motifs: Collection[str] = (),
    seed: int = 0,
    pin: Sequence[str] = (),
    drop: Collection[str] = (),
    title: str = "",
) -> Lesson:
    """Choose `count` warning positions for players of `level` (Elo).

    `side` keeps slips of that side only, `motifs` those with one of the motifs; `pin` are ids that must be in, `drop`
    ids that must not. Another `seed` gives another choice, an equal one the same. Fewer than `count` come back when no
    more are different enough. Raises ReportError on an unknown id, or when nothing fits.
    """
    if count < 1:
        raise ReportError("a lesson needs at least one position")
    if side not in (None, "white", "black"):
        raise ReportError(f"unknown side {plain(str(side), limit=20)!r}: white or black")
    known = {finding.id for finding in scan.findings}
    for name in (*pin, *drop):
        if name not in known:
            raise ReportError(f"no finding {plain(name, limit=60)!r} in this scan")
    by_id = {slip.id: slip for slip in map(as_slip, scan.findings) if slip is not None and slip.punishment}
    for name in pin:
        if name not in by_id:
            raise ReportError(f"{plain(name, limit=60)!r} has nothing to ask for: it cannot be pinned")
    pinned = [by_id[name] for name in dict.fromkeys(pin)]
    wanted = {motif.casefold() for motif in motifs}
    pool = [
        finding
        for name, finding in by_id.items()
        if name not in {*drop, *pin} and not finding.disputed and _fits(finding, side, wanted)
    ]
    lens = Lens(scan.levels, level)
    chosen = choose(pool, lens, count, seed, pinned)
    if not chosen:
        raise ReportError("no finding fits this lesson: ask for fewer motifs or either side")
    chosen.sort(key=lambda finding: (round(difficulty(finding, lens), 9), finding.id))
    return Lesson(plain(title, limit=120) or "What fails here?", level, seed, scan, tuple(chosen))


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
    left = {finding.id: worth(finding, lens) * _lot(seed, finding.id) for finding in pool}
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


def worth(finding: SlipFinding, lens: Lens) -> float:
    """How much a group of the level gains from the position; see the module's text."""
    toll = max(0.0, lens.value(finding.toll))
    chance = lens.value(finding.chance)
    find = lens.value(finding.find)
    shown = GAIN_WEIGHTS[finding.gain] * (1.0 if finding.motifs else NO_MOTIF_WEIGHT)
    if finding.ply > SOON:
        shown *= SOON / finding.ply
    if finding.refutation and finding.refutation.uci[2:4] == finding.slip.uci[2:4]:
        shown *= TAKEN_WEIGHT
    if centipawns(finding.cp_slip) > -BETTER:
        shown *= NO_WORSE_WEIGHT
    value = shown * math.sqrt(math.sqrt(toll)) * min(1.0, chance / 0.05) * (0.25 + 0.75 * min(1.0, find / 0.15))
    return value * (MUST_KNOW_WEIGHT if lens.flag(finding.must_know) else 1.0)


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
