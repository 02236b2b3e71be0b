"""The explanation of one slip: gain, motifs, and two sentences."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import chess

from trapscan.explain import gain as gains
from trapscan.explain.case import Case
from trapscan.explain.exchange import balance
from trapscan.explain.fails import why_it_fails
from trapscan.explain.gain import Gain
from trapscan.explain.motif import ATTACKED, EXCHANGES, HANGING, PIN, Motif, Tier
from trapscan.explain.motif_causes import safe_capture
from trapscan.explain.motif_threats import threatened
from trapscan.explain.motifs import REGISTRY, motifs_of
from trapscan.explain.play import Play
from trapscan.explain.refuted import tried_motifs
from trapscan.explain.signs import signs
from trapscan.explain.tempt import is_poisoned, why_tempting
from trapscan.explain.tried import Tried
from trapscan.model import Line, Signs
from trapscan.score import Score


@dataclass(frozen=True, slots=True)
class Explanation:
    """What a finding says about a slip.

    `gain` is one of contract.Gain; `material` the pawns' worth the punisher wins over the victim's best alternative;
    `ply` the 1-based ply of the refutation at which it is in hand (for a mate: at which it is given); `line` how many
    plies of the refutation are worth showing. `motifs` starts with the one that wins the material. `poisoned`: the
    slip takes something or carries out a threat, and loses all the same. `forgone`: nothing is lost by it, only a
    chance is not taken; `gain` is "attack" then. `signs` are what its nature is told by.
    """

    gain: str
    material: float
    ply: int
    line: int
    motifs: tuple[str, ...]
    why_tempting: str
    why_it_fails: str
    poisoned: bool
    forgone: bool = False
    signs: Signs = field(default_factory=Signs)


def explain_slip(
    board: chess.Board,
    slip: chess.Move,
    *,
    best: Line,
    slip_score: Score,
    refutation: Sequence[str],
    best_play: Play | None = None,
    tried: Tried | None = None,
) -> Explanation:
    """Explain why `slip` tempts and why it fails.

    `board` is the position before the slip, the victim to move, with its move stack if there is one; `best` the
    victim's best line (victim's view, moves in UCI); `slip_score` the score after the slip (any view);
    `refutation` the line after the slip in UCI, the punisher's reply first; `best_play` the best line played out, which
    the slips of a position may share; `tried`, what became of other answers: then only what survives them is claimed,
    and the sentence says why they fail. Pure: no engine is asked.
    """
    play = Play.after(board, slip, refutation)
    best_play = Play.along(board, best.pv) if best_play is None else best_play
    tried = Tried() if tried is None else tried
    gain = gains.weigh(board, slip, best, slip_score, play, best_play)
    others = [
        (gains.weigh(board, slip, best, reply.score, reply.play(play), best_play), reply.score)
        for reply in tried.replies
    ]
    gain = gains.surviving(gain, others, slip_score.of(board.turn))
    shown = Play(play.boards[: gain.line + 1], play.moves[: gain.line])
    found = order(shown, gain, motifs_of(shown))
    if gain.ply == 1 and gain.kind != "attack" and not any(motif.paid == 1 for motif in found):
        found += safe_capture(play)  # what shows only in how the whole line goes on
    if gain.kind != "mate":
        found += [motif for motif in threatened(play) if motif.name not in {seen.name for seen in found}]
    case = Case(board, slip, play, best_play, gain, found, best.score, slip_score, tried)
    said = why_it_fails(case)
    line = gain.line if said.plies <= gain.line else gains.quiet_from(play, min(said.plies, len(play)), play.side)
    return Explanation(
        gain=gain.kind,
        material=gain.material,
        ply=gain.ply,
        line=line,
        motifs=_names(found, tried_motifs(case), said.names, gain),
        why_tempting=why_tempting(board, slip),
        why_it_fails=said.text,
        poisoned=is_poisoned(board, slip),
        signs=signs(board, slip, play, best, best_play),
        forgone=gain.missed is not None,
    )


def _names(found: list[Motif], tried: list[str], told: Sequence[str], gain: Gain) -> tuple[str, ...]:
    """The names of a finding's motifs: how it is won, in the line or in those tried; then where, and how it came about.
    Where nothing is won, nothing that was taken has a name."""
    how = [motif.name for motif in found if REGISTRY[motif.name].tier <= Tier.PLAIN]
    rest = [motif.name for motif in found if REGISTRY[motif.name].tier > Tier.PLAIN]
    if gain.kind == "attack":
        how = [name for name in how if name not in (EXCHANGES, ATTACKED)]
        rest = [name for name in rest if REGISTRY[name].tier < Tier.CAUSE and name != HANGING]
    if gain.missed is not None:
        return tuple(dict.fromkeys(told))
    return tuple(dict.fromkeys([*how, *tried, *told, *rest]))


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
        spares = motif.name == PIN and len(motif.targets) == 3 and not fresh
        early = bool(motif.paid) and motif.paid <= gain.ply
        told_at = Tier.HOW if tier == Tier.MATE else max(tier, Tier.WHERE) if spares else tier
        return (not early, told_at, -swing(motif), place)

    return [motif for _, motif in sorted(enumerate(motifs), key=rank)]
