"""All motifs of a line."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import chess

from trapscan.explain import motif_attacks as attacks
from trapscan.explain import motif_causes as causes
from trapscan.explain import motif_duties as duties
from trapscan.explain import motif_lines as lines
from trapscan.explain import motif_mates as mates
from trapscan.explain.motif import Motif
from trapscan.explain.play import Play

FINDERS: tuple[Callable[[Play], Iterator[Motif]], ...] = (
    mates.smothered,
    mates.back_rank,
    attacks.double_check,
    attacks.discovered_check,
    attacks.winning_check,
    attacks.double_attack,
    attacks.fork,
    lines.skewer,
    attacks.discovered,
    lines.pin,
    attacks.trapped,
    duties.removal,
    duties.overload,
    duties.deflection,
    duties.decoy,
    lines.interference,
    duties.zwischenzug,
    mates.promotion,
    mates.attack_f7,
    lines.opened_line,
    causes.tempo,
    causes.simple_attack,
    causes.exchanges,
    attacks.hanging,
    causes.loose_pawn,
    causes.guard_leaves,
    causes.guard_shut_off,
    causes.way_opened,
    causes.en_prise,
    causes.unmet_threat,
    mates.mating_net,
)
"""Every motif, the more telling ones first."""


def find_motifs(board: chess.Board, line: Sequence[str | chess.Move]) -> list[Motif]:
    """The motifs in `line` (UCI or moves) played from `board`, the punisher to move; one entry a motif and ply.

    The last move on the board's stack, if any, is taken to be the slip. In the order of FINDERS, then by ply.
    """
    return motifs_of(Play.along(board, line))


def motifs_of(play: Play) -> list[Motif]:
    """The same for a line already walked."""
    found: list[Motif] = []
    seen: set[tuple[str, int]] = set()
    for finder in FINDERS:
        for motif in finder(play):
            if (motif.name, motif.ply) not in seen:
                seen.add((motif.name, motif.ply))
                found.append(motif)
    return found
