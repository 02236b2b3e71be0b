"""The explanation of one slip: gain, motifs, and two sentences."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import chess

from trapscan.explain import gain as gains
from trapscan.explain import motif as m
from trapscan.explain.exchange import balance
from trapscan.explain.fails import why_it_fails
from trapscan.explain.gain import Gain
from trapscan.explain.motif import Motif, Tier
from trapscan.explain.motif_causes import safe_capture
from trapscan.explain.motif_threats import threatened
from trapscan.explain.motifs import REGISTRY, motifs_of
from trapscan.explain.play import Play
from trapscan.explain.signs import signs
from trapscan.explain.tempt import is_poisoned, why_tempting
from trapscan.explain.themes import Theme, themes
from trapscan.model import Line, Signs
from trapscan.score import Score

THEMES_TOLD = 2
"""How many themes a sentence names."""


@dataclass(frozen=True, slots=True)
class Explanation:
    """What a finding says about a slip.

    `gain` is one of contract.Gain; `material` the pawns' worth the punisher wins over the victim's best alternative;
    `ply` the 1-based ply of the refutation at which it is in hand (for a mate: at which it is given); `line` how many
    plies of the refutation are worth showing. `motifs` starts with the one that wins the material. `poisoned`: the
    slip takes something or carries out a threat, and loses all the same. `signs` are what its nature is told by.
    """

    gain: str
    material: float
    ply: int
    line: int
    motifs: tuple[str, ...]
    why_tempting: str
    why_it_fails: str
    poisoned: bool
    signs: Signs = field(default_factory=Signs)


def explain_slip(
    board: chess.Board,
    slip: chess.Move,
    *,
    best: Line,
    slip_score: Score,
    refutation: Sequence[str],
    best_play: Play | None = None,
) -> Explanation:
    """Explain why `slip` tempts and why it fails.

    `board` is the position before the slip, the victim to move, with its move stack if there is one; `best` the
    victim's best line (victim's view, moves in UCI); `slip_score` the score after the slip (any view);
    `refutation` the line after the slip in UCI, the punisher's reply first; `best_play` the best line played out, which
    the slips of a position may share. Pure: no engine is asked.
    """
    play = Play.after(board, slip, refutation)
    best_play = Play.along(board, best.pv) if best_play is None else best_play
    gain = gains.weigh(board, slip, best, slip_score, play, best_play)
    told: list[Theme] = []
    if gain.kind == "attack":
        told = themes(play, best_play)[:THEMES_TOLD]
        gain = replace(gain, line=gains.quiet_from(play, max([gain.line, *(theme.ply for theme in told)]), play.side))
    names = [theme.name for theme in told] if gain.missed is None else [m.MISSED]
    shown = Play(play.boards[: gain.line + 1], play.moves[: gain.line])
    found = order(shown, gain, motifs_of(shown))
    if gain.ply == 1 and gain.missed is None and not any(motif.paid == 1 for motif in found):
        found += safe_capture(play)  # what shows only in how the whole line goes on
    if gain.kind != "mate":
        found += [motif for motif in threatened(play) if motif.name not in {seen.name for seen in found}]
    return Explanation(
        gain=gain.kind,
        material=gain.material,
        ply=gain.ply,
        line=gain.line,
        motifs=tuple(dict.fromkeys([*(motif.name for motif in found), *names])),
        why_tempting=why_tempting(board, slip),
        why_it_fails=why_it_fails(shown, gain, found, best.score, slip_score, [theme.clause for theme in told]),
        poisoned=is_poisoned(board, slip),
        signs=signs(board, slip, play, best, best_play),
    )


def order(play: Play, gain: Gain, motifs: list[Motif]) -> list[Motif]:
    """Motifs with the one that wins the material first.

    Those cashed in by the time the gain is in hand come before the others, and of them the one around which most
    material changes hands; then the more telling one (the order of motifs.REGISTRY). After
    those come a plain attack or gain of tempo; then an old pin that only spares a piece, and motifs that say where
    rather than how; then what the slip did to allow it. Where the gain is a mate, its kind leads.
    """

    def swing(motif: Motif) -> int:
        """What the punisher wins from before the motif's move to after it is cashed in, or one move on."""
        end = min(max(motif.paid, motif.ply + 2), len(play))
        return balance(play.boards[end], play.side) - balance(play.boards[motif.ply - 1], play.side)

    def rank(item: tuple[int, Motif]) -> tuple[bool, int, int, int]:
        place, motif = item
        tier = REGISTRY[motif.name].tier
        if gain.kind == "mate":
            return (tier != Tier.MATE, int(tier == Tier.CAUSE), 0, place)
        fresh = motif.actor == play.moves[motif.ply - 1].to_square
        spares = motif.name == m.PIN and len(motif.targets) == 3 and not fresh
        early = bool(motif.paid) and motif.paid <= gain.ply
        told_at = Tier.HOW if tier == Tier.MATE else max(tier, Tier.WHERE) if spares else tier
        return (not early, told_at, -swing(motif), place)

    return [motif for _, motif in sorted(enumerate(motifs), key=rank)]
