"""Checking a sentence against the board: is every piece and square it names where it says?

Independent of the rules that write the sentences: it reads the English and uses nothing but the rules of chess.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

import chess

from tests.explain.claims_themes import Scene, false_themes

KINDS = {chess.piece_name(kind): kind for kind in chess.PIECE_TYPES}
_PIECE = "(king|queen|rook|bishop|knight|pawn)"
_SQUARE = "([a-h][1-8])"
_NAMED = re.compile(rf"\b{_PIECE} on {_SQUARE}")
_NAMED_TWO = re.compile(rf"\b{_PIECE}s on {_SQUARE} and {_SQUARE}")
_TAKES = re.compile(rf"\b{_PIECE} takes the {_PIECE} on {_SQUARE}(?: in passing)?( with check)?")
_IT_TAKES = re.compile(rf"\btakes the {_PIECE} on {_SQUARE}")
_TAKES_BACK = re.compile(rf"\btakes back on {_SQUARE}")
_GOES = re.compile(rf"\b{_PIECE} (?:goes|advances) to {_SQUARE}")
_CHECKS = re.compile(rf"\b{_PIECE} checks on {_SQUARE}")
_PINS = re.compile(rf"\bpins the {_PIECE} on {_SQUARE} against the {_PIECE}(?: on {_SQUARE})?")
_PINNED = re.compile(rf"\bthe {_PIECE} on {_SQUARE} (?:is|cannot take, being) pinned against the {_PIECE} on {_SQUARE}")
_ATTACKS = re.compile(
    rf"\b(?:attacks|forks|strikes at) the (?:{_PIECE}s on {_SQUARE} and {_SQUARE}|"
    rf"{_PIECE} on {_SQUARE}(?: and the {_PIECE} on {_SQUARE})?)"
)
_MATES = re.compile(rf"\bmates the king on {_SQUARE}")
_DISCOVERS = re.compile(rf"\bdiscovers a check by the {_PIECE} on {_SQUARE}")
_DEVELOPS = re.compile(
    rf"\b(?:develops|brings|puts|advances) the {_PIECE} (?:into play on|to|on a more active square,) {_SQUARE}"
)
_ANY_SQUARE = re.compile(rf"\b{_SQUARE}\b")


MISSED = "what is missed is that"
"""What follows this speaks of the victim's best line."""
_LET_GO = re.compile(rf"the chance to take the {_PIECE} on {_SQUARE} with profit is gone")


def false_claims(
    board: chess.Board, slip: chess.Move, refutation: Sequence[str], sentence: str, best: Sequence[str] = ()
) -> list[str]:
    """The claims of `sentence` that the position does not bear out; empty if all is true.

    `board` stands before the slip. A sentence that begins with "It" speaks of the slip, on the boards before and after
    it; any other of the refutation (UCI), on the boards from the slip on. A piece must stand on its square on one of
    these boards, a move must be made in them, an attack or pin must hold on one of them. What a sentence says of the
    victim's `best` line (UCI) is looked for there.
    """
    of_slip = sentence.startswith("It ")
    sentence, _, missed = sentence.partition(MISSED)
    boards, moves = _walk(board, [slip] if of_slip else [slip, *map(chess.Move.from_uci, refutation)])
    rival = _walk(board, list(map(chess.Move.from_uci, best[:5])))
    wrong = _false_in(*rival, missed, of_slip=False) if missed else []
    for found in _LET_GO.finditer(sentence):
        prize = KINDS[found[1]], chess.parse_square(found[2])
        if not any(_captured(b, m) == prize for b, _, m in _steps(*rival)):
            wrong.append(found[0])
    if not of_slip:
        boards, moves = boards[1:], moves[1:]
        wrong += false_themes(Scene(board, slip, boards, moves), sentence)
    return wrong + _false_in(boards, moves, sentence, of_slip=of_slip)


def _false_in(boards: list[chess.Board], moves: list[chess.Move], sentence: str, *, of_slip: bool) -> list[str]:
    """The claims about pieces and moves that none of these boards bears out."""
    wrong: list[str] = []

    def claim(text: str, holds: bool) -> None:
        if not holds:
            wrong.append(text)

    for found in _NAMED.finditer(sentence):
        claim(found[0], _stands(boards, found[1], found[2]))
    for found in _NAMED_TWO.finditer(sentence):
        claim(found[0], any(_at(b, found[1], found[2]) and _at(b, found[1], found[3]) for b in boards))
    for found in _TAKES.finditer(sentence):
        claim(found[0], any(_takes(b, a, m, found) for b, a, m in _steps(boards, moves)))
    if of_slip:
        for found in _IT_TAKES.finditer(sentence):
            claim(found[0], _captured(boards[0], moves[0]) == (KINDS[found[1]], chess.parse_square(found[2])))
        for found in _TAKES_BACK.finditer(sentence):
            claim(found[0], boards[0].is_capture(moves[0]) and chess.square_name(moves[0].to_square) == found[1])
        for found in _DEVELOPS.finditer(sentence):
            claim(found[0], _goes(boards[0], moves[0], found[1], found[2]))
    for found in _GOES.finditer(sentence):
        claim(found[0], any(_goes(b, m, found[1], found[2]) for b, _, m in _steps(boards, moves)))
    for found in _CHECKS.finditer(sentence):
        claim(
            found[0],
            any(_goes(b, m, found[1], found[2]) and a.is_check() for b, a, m in _steps(boards, moves)),
        )
    for found in _ATTACKS.finditer(sentence):
        squares = [chess.parse_square(name) for name in found.groups() if name and name not in KINDS]
        claim(found[0], any(_attacked(b, squares) for b in boards[1:]))
    for pattern in (_PINS, _PINNED):
        for found in pattern.finditer(sentence):
            claim(found[0], any(_pinned(b, found[2], found[3], found[4]) for b in boards[1:]))
    for found in _MATES.finditer(sentence):
        end = boards[-1]
        claim(found[0], end.is_checkmate() and end.king(end.turn) == chess.parse_square(found[1]))
    for found in _DISCOVERS.finditer(sentence):
        square = chess.parse_square(found[2])
        claim(found[0], any(square in a.checkers() and m.to_square != square for _, a, m in _steps(boards, moves)))
    return wrong


def squares_named(sentence: str) -> list[str]:
    """The squares a sentence names."""
    return _ANY_SQUARE.findall(sentence)


def _walk(board: chess.Board, line: Sequence[chess.Move]) -> tuple[list[chess.Board], list[chess.Move]]:
    boards, moves = [board.copy(stack=False)], []
    for move in line:
        if not boards[-1].is_legal(move):
            break
        after = boards[-1].copy(stack=False)
        after.push(move)
        boards.append(after)
        moves.append(move)
    return boards, moves


def _steps(boards: list[chess.Board], moves: list[chess.Move]) -> list[tuple[chess.Board, chess.Board, chess.Move]]:
    return list(zip(boards, boards[1:], moves, strict=False))


def _at(board: chess.Board, kind: str, square: str) -> bool:
    return board.piece_type_at(chess.parse_square(square)) == KINDS[kind]


def _stands(boards: list[chess.Board], kind: str, square: str) -> bool:
    return any(_at(board, kind, square) for board in boards)


def _captured(board: chess.Board, move: chess.Move) -> tuple[int, int] | None:
    if board.is_en_passant(move):
        return chess.PAWN, chess.square(chess.square_file(move.to_square), chess.square_rank(move.from_square))
    kind = board.piece_type_at(move.to_square)
    return (kind, move.to_square) if kind and board.color_at(move.to_square) != board.turn else None


def _takes(before: chess.Board, after: chess.Board, move: chess.Move, found: re.Match[str]) -> bool:
    captured = KINDS[found[2]], chess.parse_square(found[3])
    right = before.piece_type_at(move.from_square) == KINDS[found[1]] and _captured(before, move) == captured
    return right and (not found[4] or after.is_check())


def _goes(before: chess.Board, move: chess.Move, kind: str, square: str) -> bool:
    return before.piece_type_at(move.from_square) == KINDS[kind] and chess.square_name(move.to_square) == square


def _attacked(board: chess.Board, squares: list[chess.Square]) -> bool:
    """Whether men of one colour stand on all the squares and each is attacked by the other colour."""
    owner = board.color_at(squares[0])
    return owner is not None and all(
        board.color_at(square) == owner and board.is_attacked_by(not owner, square) for square in squares
    )


def _pinned(board: chess.Board, front: str, kind: str, rear: str | None) -> bool:
    """Whether, without the man on `front`, an enemy line piece would attack a `kind` behind it (on `rear`)."""
    square = chess.parse_square(front)
    owner = board.color_at(square)
    if owner is None:
        return False
    trial = board.copy(stack=False)
    trial.remove_piece_at(square)
    targets = [chess.parse_square(rear)] if rear else list(board.pieces(KINDS[kind], owner))
    return any(
        chess.between(attacker, target) & chess.BB_SQUARES[square]
        for target in targets
        if board.piece_at(target) == chess.Piece(KINDS[kind], owner)
        for attacker in trial.attackers(not owner, target)
    )
