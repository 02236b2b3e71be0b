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

from trapscan.contract import Gain, Nature, Scan, Side, SlipFinding
from trapscan.errors import ReportError
from trapscan.levels import Lens
from trapscan.order import by_idea, outlines, standing
from trapscan.report.bait_lessons import as_slip
from trapscan.report.entry import Entry
from trapscan.report.narrowed import nature_named, of_chapters
from trapscan.report.present import Presentation
from trapscan.report.words import board_of_finding, opening_family
from trapscan.sanitize import sanitize
from trapscan.spool import Picked, Spool

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
    slips = Spool(SlipFinding, (slip for slip in map(as_slip, scan.findings) if slip is not None and slip.punishment))
    numbers = {slip.id: number for number, slip in enumerate(slips)}
    for name in pin:
        if name not in numbers:
            raise ReportError(f"{sanitize(name, limit=60)!r} has nothing to ask for: it cannot be pinned")
    wanted, kinds = {motif.casefold() for motif in motifs}, set(map(nature_named, natures))
    pool = Picked(
        slips,
        [
            number
            for number, slip in enumerate(slips)
            if slip.id not in {*drop, *pin} and not slip.disputed and _fits(slip, side, wanted) and slip.nature in kinds
        ],
    )
    lens = Lens(scan.levels, level)
    leads = sorted(idea.lead.number for idea in by_idea(outlines(pool), lens))
    pinned = [slips[numbers[name]] for name in dict.fromkeys(pin)]
    chosen = choose(Picked(pool, leads), lens, count, seed, pinned)
    if not chosen:
        raise ReportError("no finding fits this lesson: ask for fewer motifs or either side")
    chosen.sort(key=lambda finding: (round(difficulty(finding, lens), 9), finding.id))
    return Lesson(sanitize(title, limit=120) or "What fails here?", level, seed, scan, tuple(chosen))


def _fits(finding: SlipFinding, side: str | None, motifs: Collection[str]) -> bool:
    """Whether it is a slip of the side, and has one of the motifs (in small letters; none: any)."""
    if side is not None and finding.victim != side:
        return False
    return not motifs or any(motif.casefold() in motifs for motif in finding.motifs)


@dataclass(slots=True)
class Candidate:
    """What a slip is chosen by: its worth after what was chosen, and what it may share with others. `men`: what stands
    on each square."""

    id: str
    worth: float
    victim: Side
    gain: Gain
    motifs: tuple[str, ...]
    family: str
    slip: str
    reply: str
    men: str

    @classmethod
    def of(cls, slip: SlipFinding, worth: float = 0.0) -> Candidate:
        """A slip worth so much."""
        men = board_of_finding(slip).piece_map()
        return cls(
            id=slip.id,
            worth=worth,
            victim=slip.victim,
            gain=slip.gain,
            motifs=slip.motifs[:1],
            family=_family(slip),
            slip=slip.slip.uci,
            reply=slip.refutation.uci if slip.refutation is not None else "",
            men="".join(men[square].symbol() if square in men else "." for square in chess.SQUARES),
        )


def choose(
    pool: Sequence[SlipFinding], lens: Lens, count: int, seed: int, pinned: Sequence[SlipFinding]
) -> list[SlipFinding]:
    """The pinned ones, then the worthiest of the pool, one by one, each unlike those taken before."""
    chosen = list(pinned)
    left = {number: Candidate.of(slip, standing(slip, lens) * _lot(seed, slip.id)) for number, slip in enumerate(pool)}
    for taken in pinned:
        _lower(left, Candidate.of(taken))
    while len(chosen) < count and left:
        best = max(left, key=lambda number: (left[number].worth, left[number].id))
        if left[best].worth <= 0:
            break
        chosen.append(pool[best])
        _lower(left, left.pop(best))
    return chosen


def difficulty(finding: SlipFinding, lens: Lens) -> float:
    """How hard the question is: a slip that many play, a refutation that few find, a gain that comes late."""
    find = min(0.99, max(0.01, lens.value(finding.find)))
    chance = lens.value(finding.chance)
    forced = finding.punishment[0]
    calm = 0.0 if any(sign in forced for sign in "x+#") else 0.4
    return -math.log(find) + chance + 0.12 * min(finding.ply, 9) + calm


def _lower(left: dict[int, Candidate], taken: Candidate) -> None:
    """Lower the worth of what resembles `taken`; what is alike goes."""
    for number, other in list(left.items()):
        if alike(other, taken):
            del left[number]
            continue
        factor = 1.0
        if set(other.motifs) & set(taken.motifs):
            factor *= LIKE_FACTORS["motif"]
        if other.family == taken.family:
            factor *= LIKE_FACTORS["opening"]
        if other.gain == taken.gain:
            factor *= LIKE_FACTORS["gain"]
        if other.victim == taken.victim:
            factor *= LIKE_FACTORS["victim"]
        other.worth *= factor


def alike(one: Candidate, other: Candidate) -> bool:
    """Whether a pupil would feel to see the same thing twice: one victim, and the same slip and reply, or nearly the
    same position."""
    if one.victim != other.victim:
        return False
    if one.reply and one.reply == other.reply and one.slip[:2] == other.slip[:2]:
        return True
    return sum(mine != theirs for mine, theirs in zip(one.men, other.men, strict=True)) <= SAME_STRUCTURE


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
