"""What sentences claim of the slip itself (why it tempts), held against the board."""

from __future__ import annotations

import re

import chess

from tests.independent.scene import (
    KIND,
    KINDS,
    MAN,
    MEN,
    PAIR,
    SQUARE,
    Check,
    Scene,
    Step,
    attacked,
    captured,
    passed_over,
    pinned,
    square_of,
    stands,
)


def _slip_hits(scene: Scene, found: re.Match[str]) -> bool:
    pairs = [(found[i], found[i + 1]) for i in range(1, len(found.groups()), 2) if found[i]]
    return all(attacked(scene.after, kind, square) for kind, square in pairs)


def _slip_hits_two(scene: Scene, found: re.Match[str]) -> bool:
    return all(attacked(scene.after, found[1], found[i]) for i in (2, 3))


def _slip_takes(scene: Scene, found: re.Match[str]) -> bool:
    step = Step(0, 0, scene.before, scene.slip, scene.after)
    return scene.before.is_capture(scene.slip) and captured(step) == (KINDS[found[1]], square_of(found[2]))


def _free_of_pin(scene: Scene, found: re.Match[str]) -> bool:
    """Something of more worth stood behind it; now the line is shut, or what stood behind has gone."""
    square = square_of(found[2])

    def line_behind(board: chess.Board) -> set[tuple[int, int]]:
        pairs = set()
        for target in chess.SquareSet(board.occupied_co[scene.victim]):
            if board.piece_type_at(target) != chess.PAWN and pinned(board, found[2], chess.square_name(target)):
                pairs.add((square, target))
        return pairs

    return line_behind(scene.after) != line_behind(scene.before) and stands(scene.before, found[1], found[2])


def _slip_guards(scene: Scene, found: re.Match[str]) -> bool:
    own = scene.after.color_at(square_of(found[2])) == scene.victim
    return (
        own
        and stands(scene.after, found[1], found[2])
        and bool(scene.after.attackers(scene.victim, square_of(found[2])))
    )


def _slip_develops(scene: Scene, found: re.Match[str]) -> bool:
    right = scene.before.piece_type_at(scene.slip.from_square) == KINDS[found[1]]
    return right and (not found[2] or scene.slip.to_square == square_of(found[2]))


def _no_mate_now(scene: Scene, found: re.Match[str]) -> bool:
    def mates(board: chess.Board) -> bool:
        for move in board.legal_moves:
            child = board.copy(stack=False)
            child.push(move)
            if child.is_checkmate():
                return True
        return False

    return mates(passed_over(scene.before)) and not mates(scene.after)


def _mate_next(scene: Scene, found: re.Match[str]) -> bool:
    board = passed_over(scene.after)
    for move in board.legal_moves:
        child = board.copy(stack=False)
        child.push(move)
        if child.is_checkmate() and move.to_square == square_of(found[1]):
            return True
    return False


def _controls(scene: Scene, found: re.Match[str]) -> bool:
    return square_of(found[1]) in scene.after.attacks(scene.slip.to_square)


OF_SLIP: tuple[tuple[re.Pattern[str], Check], ...] = (
    (re.compile(rf"(?:attacks|attacking|attack on|chases|goes for|strikes at|goes after|aims at) {MEN}"), _slip_hits),
    (re.compile(rf"(?:attacks|strikes at) {PAIR}"), _slip_hits_two),
    (re.compile(rf"takes {MAN}"), _slip_takes),
    (
        re.compile(rf"takes back on {SQUARE}"),
        lambda scene, f: scene.before.is_capture(scene.slip) and scene.slip.to_square == square_of(f[1]),
    ),
    (re.compile(r"with check|gives check"), lambda scene, f: scene.after.is_check()),
    (re.compile(rf"pins {MAN} against the {KIND}"), lambda scene, f: pinned(scene.after, f[2], None, f[3])),
    (re.compile(rf"breaks the pin on {MAN}"), _free_of_pin),
    (re.compile(rf"(?:protects|lends support to) {MAN}"), _slip_guards),
    (re.compile(rf"(?:develops|puts) the {KIND}(?: to {SQUARE}| on a more active square, {SQUARE})?"), _slip_develops),
    (re.compile(rf"brings the (queen) into play on {SQUARE}"), _slip_develops),
    (re.compile(rf"threatens mate on {SQUARE}"), _mate_next),
    (re.compile(rf"stops the mate on {SQUARE}"), _no_mate_now),
    (re.compile(rf"takes {SQUARE} under control"), _controls),
    (re.compile(rf"keeps enemy pieces away from {SQUARE}"), _controls),
    (
        re.compile(r"offers to trade queens"),
        lambda scene, f: any(
            s in scene.after.attacks(scene.slip.to_square) for s in chess.SquareSet(scene.after.queens)
        ),
    ),
    (
        re.compile(rf"takes the {KIND} out of the attack"),
        lambda scene, f: scene.before.is_attacked_by(not scene.victim, scene.slip.from_square),
    ),
    (
        re.compile(rf"opens the way for the bishop on {SQUARE}"),
        lambda scene, f: len(scene.after.attacks(square_of(f[1]))) > len(scene.before.attacks(square_of(f[1]))),
    ),
    (
        re.compile(rf"makes room on {SQUARE} for the bishop"),
        lambda scene, f: not scene.after.piece_at(square_of(f[1])) and bool(scene.before.piece_at(square_of(f[1]))),
    ),
)
