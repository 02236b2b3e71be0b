"""The registry of motifs, and all motifs of a line.

A new motif is a name in `motif`, a finder and a teller in one of the modules `motif_*`, and a row here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

import chess

from trapscan.explain import motif as m
from trapscan.explain import motif_attacks as attacks
from trapscan.explain import motif_causes as causes
from trapscan.explain import motif_duties as duties
from trapscan.explain import motif_lines as lines
from trapscan.explain import motif_mates as mates
from trapscan.explain.motif import Motif, MotifClass, MotifKind, Tier
from trapscan.explain.play import Play
from trapscan.explain.themes import CHANCE, THEMES

_T, _O = MotifClass.TACTIC, MotifClass.OVERSIGHT

_KINDS = (
    MotifKind(m.SMOTHERED, _T, Tier.MATE, mates.smothered, mates.tell_smothered),
    MotifKind(m.BACK_RANK, _T, Tier.MATE, mates.back_rank, mates.tell_back_rank),
    MotifKind(m.DOUBLE_CHECK, _T, Tier.HOW, attacks.double_check, attacks.tell_double_check),
    MotifKind(m.DISCOVERED_CHECK, _T, Tier.HOW, attacks.discovered_check, attacks.tell_discovered_check),
    MotifKind(m.CHECK_WINS_PIECE, _T, Tier.HOW, attacks.check_wins_piece, attacks.tell_fork),
    MotifKind(m.CHECK_WINS_PAWN, _T, Tier.HOW, attacks.check_wins_pawn, attacks.tell_fork),
    MotifKind(m.DOUBLE_ATTACK, _T, Tier.HOW, attacks.double_attack, attacks.tell_fork),
    MotifKind(m.FORK, _T, Tier.HOW, attacks.fork, attacks.tell_fork),
    MotifKind(m.SKEWER, _T, Tier.HOW, lines.skewer, lines.tell_skewer),
    MotifKind(m.DISCOVERED_ATTACK, _T, Tier.HOW, attacks.discovered, attacks.tell_discovered),
    MotifKind(m.PIN, _T, Tier.HOW, lines.pin, lines.tell_pin),
    MotifKind(m.TRAPPED, _T, Tier.HOW, attacks.trapped, attacks.tell_trapped),
    MotifKind(m.REMOVAL, _T, Tier.HOW, duties.removal, duties.tell_removal),
    MotifKind(m.OVERLOAD, _T, Tier.HOW, duties.overload, duties.tell_overload),
    MotifKind(m.DEFLECTION, _T, Tier.HOW, duties.deflection, duties.tell_deflection),
    MotifKind(m.DECOY, _T, Tier.HOW, duties.decoy, duties.tell_decoy),
    MotifKind(m.INTERFERENCE, _T, Tier.HOW, lines.interference, lines.tell_interference),
    MotifKind(m.ZWISCHENZUG, _T, Tier.WHERE, duties.zwischenzug, duties.tell_zwischenzug),
    MotifKind(m.PROMOTION, _T, Tier.HOW, mates.promotion, mates.tell_promotion),
    MotifKind(m.WEAK_F7, _T, Tier.WHERE, mates.weak_f7, mates.tell_weak),
    MotifKind(m.WEAK_F2, _T, Tier.WHERE, mates.weak_f2, mates.tell_weak),
    MotifKind(m.OPENED_LINE, _T, Tier.WHERE, lines.opened_line, lines.tell_opened),
    MotifKind(m.TEMPO, _T, Tier.PLAIN, causes.tempo, causes.tell_tempo),
    MotifKind(m.ATTACKED, _T, Tier.PLAIN, causes.simple_attack, causes.tell_attacked),
    MotifKind(m.EXCHANGES, _O, Tier.PLAIN, causes.exchanges, causes.tell_exchanges),
    MotifKind(m.HANGING, _O, Tier.WHERE, causes.hanging, causes.tell_hanging),
    MotifKind(m.LOOSE_PAWN, _O, Tier.CAUSE, causes.loose_pawn, causes.tell_hanging),
    MotifKind(m.GUARD_LEAVES, _O, Tier.CAUSE, causes.guard_leaves, causes.tell_left),
    MotifKind(m.SHUT_OFF, _O, Tier.CAUSE, causes.guard_shut_off, causes.tell_shut_off),
    MotifKind(m.WAY_OPENED, _O, Tier.CAUSE, causes.way_opened, causes.tell_left),
    MotifKind(m.EN_PRISE, _O, Tier.CAUSE, causes.en_prise, causes.tell_en_prise),
    MotifKind(m.UNMET, _O, Tier.CAUSE, causes.unmet_threat, causes.tell_unmet),
    MotifKind(m.SAFE_CAPTURE, _O, Tier.CAUSE, causes.safe_capture, causes.tell_safe_capture),
    MotifKind(m.MATING_NET, _T, Tier.MATE, mates.mating_net, mates.tell_mating_net),
    MotifKind(m.THREAT, _T, Tier.PLAIN),
    MotifKind(m.MISSED, MotifClass.FORGONE, Tier.THEME),
    *(MotifKind(name, MotifClass.FORGONE if name == CHANCE else MotifClass.POSITIONAL, Tier.THEME) for name in THEMES),
)

REGISTRY: Mapping[str, MotifKind] = MappingProxyType({kind.name: kind for kind in _KINDS})
"""Every name that a finding's `motifs` may hold, the more telling ones first."""

_WHOLE_LINE = (m.SAFE_CAPTURE,)
"""Seen only in how the whole line goes on, and so not looked for in the part of it that is shown."""


def find_motifs(board: chess.Board, line: Sequence[str | chess.Move]) -> list[Motif]:
    """The motifs in `line` (UCI or moves) played from `board`, the punisher to move; one entry a motif and ply.

    The last move on the board's stack, if any, is taken to be the slip. In the order of REGISTRY, then by ply.
    """
    return motifs_of(Play.along(board, line))


def motifs_of(play: Play) -> list[Motif]:
    """The motifs of a line already walked, one a name and ply."""
    found: dict[tuple[str, int], Motif] = {}
    for kind in REGISTRY.values():
        if kind.find is not None and kind.name not in _WHOLE_LINE:
            for motif in kind.find(play):
                found.setdefault((motif.name, motif.ply), motif)
    return list(found.values())


def tactical(names: Sequence[str]) -> bool:
    """Whether the motif that leads is a tactic."""
    return bool(names) and names[0] in REGISTRY and REGISTRY[names[0]].sort is MotifClass.TACTIC


def any_tactical(names: Sequence[str]) -> bool:
    """Whether there is a tactic among the motifs."""
    return any(name in REGISTRY and REGISTRY[name].sort is MotifClass.TACTIC for name in names)
