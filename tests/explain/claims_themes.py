"""Checking what a sentence says beyond pieces, squares and moves: guards, threats, castling, time, pawns, room.

Read off the English with the rules of chess alone, apart from the code that writes it. Each check is a pattern and a
question about the `Scene`.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

import chess

KINDS = {chess.piece_name(kind): kind for kind in chess.PIECE_TYPES}
NUMBERS = {"two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "seven": 7, "eight": 8}
SIDES = {"White": chess.WHITE, "Black": chess.BLACK}
_PIECE = "(king|queen|rook|bishop|knight|pawn)"
_SQUARE = "([a-h][1-8])"


@dataclass(frozen=True, slots=True)
class Scene:
    """What a sentence about a refutation speaks of: the position before the slip, the slip, and the boards and moves
    from there on (`boards[0]` stands after the slip)."""

    before: chess.Board
    slip: chess.Move
    boards: list[chess.Board]
    moves: list[chess.Move]

    @property
    def victim(self) -> chess.Color:
        """The side that slipped."""
        return self.before.turn

    def any(self, holds: Callable[[chess.Board], bool]) -> bool:
        """Whether it holds on some board of the line."""
        return any(holds(board) for board in self.boards)


Check = Callable[[Scene, re.Match[str]], bool]


def _sq(name: str) -> chess.Square:
    return chess.parse_square(name)


def _is(board: chess.Board, kind: str, square: str) -> bool:
    return board.piece_type_at(_sq(square)) == KINDS[kind]


def _unguarded(scene: Scene, found: re.Match[str]) -> bool:
    """At the moment of the capture nothing of the owner's attacks the square."""
    return any(
        move.to_square == _sq(found[2]) and not board.is_attacked_by(not board.turn, move.to_square)
        for board, move in zip(scene.boards, scene.moves, strict=False)
        if board.is_capture(move)
    )


def _threatened(scene: Scene, found: re.Match[str]) -> bool:
    """The first move's capture was possible before the slip, had it been the punisher's turn."""
    board = scene.before.copy(stack=False)
    board.turn = not board.turn
    board.ep_square = None
    first = scene.moves[0]
    return board.is_pseudo_legal(first) and board.is_capture(first) and scene.boards[0].is_capture(first)


def _left(scene: Scene, found: re.Match[str]) -> bool:
    return scene.slip.from_square == _sq(found[2]) and _is(scene.before, found[1], found[2])


def _within_reach(scene: Scene, found: re.Match[str]) -> bool:
    return scene.slip.to_square == scene.moves[0].to_square == _sq(found[2]) and _is(scene.boards[0], *found.groups())


def _shuts_off(scene: Scene, found: re.Match[str]) -> bool:
    between = chess.between(_sq(found[4]), scene.moves[0].to_square)
    return scene.slip.to_square == _sq(found[2]) and bool(between & chess.BB_SQUARES[_sq(found[2])])


def _kept(scene: Scene, found: re.Match[str]) -> bool:
    """The punisher is never worse off, two plies or more later, than it was before its capture."""

    last, punisher = scene.boards[min(7, len(scene.boards) - 1)], not scene.victim
    return _ahead_by(last, punisher) > _ahead_by(scene.boards[0], punisher)


def _no_castling(scene: Scene, found: re.Match[str]) -> bool:
    """The victim could castle before the slip, and the king comes to stand there without the right, not by castling."""
    castled = scene.before.is_castling(scene.slip)
    for index, board in enumerate(scene.boards):
        if board.king(scene.victim) == _sq(found[1]) and not board.has_castling_rights(scene.victim):
            return scene.before.has_castling_rights(scene.victim) and not castled
        if index < len(scene.moves):
            castled = castled or (board.turn == scene.victim and board.is_castling(scene.moves[index]))
    return False


def _driven(scene: Scene, hunter: str, at: str, hunted: str, home: str) -> bool:
    """In reply to a move of the hunter to `at` the hunted piece, which it attacks there, leaves `home`."""
    for index in range(len(scene.moves) - 1):
        after, reply = scene.boards[index + 1], scene.moves[index + 1]
        met = scene.moves[index].to_square == _sq(at) and reply.from_square == _sq(home)
        if met and _is(after, hunter, at) and _is(after, hunted, home):
            return True
    return False


def _second_time(scene: Scene, found: re.Match[str]) -> bool:
    reply = scene.moves[1] if len(scene.moves) > 1 else None
    return reply is not None and reply.from_square == scene.slip.to_square and reply.to_square == _sq(found[2])


def _centre(scene: Scene, found: re.Match[str]) -> bool:
    one, other = _sq(found[1]), _sq(found[2])
    owner = not scene.victim

    def holds(board: chess.Board) -> bool:
        own, enemy = board.pieces(chess.PAWN, owner), board.pieces(chess.PAWN, not owner)
        return one in own and other in own and not enemy & chess.SquareSet(chess.BB_CENTER)

    abreast = chess.square_rank(one) == chess.square_rank(other) and chess.square_distance(one, other) == 1
    return abreast and scene.any(holds)


_HOMES = {
    chess.WHITE: {chess.B1: "N", chess.G1: "N", chess.C1: "B", chess.F1: "B"},
    chess.BLACK: {chess.B8: "n", chess.G8: "n", chess.C8: "b", chess.F8: "b"},
}


def _ahead(scene: Scene, found: re.Match[str]) -> bool:
    side = SIDES[found[1]]

    def home(board: chess.Board, owner: chess.Color) -> int:
        return sum(str(board.piece_at(square) or "") == letter for square, letter in _HOMES[owner].items())

    return scene.any(lambda b: home(b, not side) - home(b, side) == NUMBERS[found[2]])


def _in_the_way(scene: Scene, found: re.Match[str]) -> bool:
    front, behind = _sq(found[2]), _sq(found[3])
    step = 8 if scene.victim else -8
    return front - behind == step and scene.any(lambda b: _is(b, found[1], found[2]) and _is(b, "pawn", found[3]))


def _best_square(scene: Scene, found: re.Match[str]) -> bool:
    board = scene.boards[0]
    knight, square = _sq(found[3]), _sq(found[2])
    return _is(board, found[1], found[2]) and _is(board, "knight", found[3]) and square in board.attacks(knight)


def _enemy_pawns(board: chess.Board, square: chess.Square, files: tuple[int, ...]) -> bool:
    """Whether a pawn of the other colour stands ahead of the man on `square`, on its file or one beside it."""
    owner = board.color_at(square)
    if owner is None:
        return False
    rank = chess.square_rank(square)
    return any(
        chess.square_file(pawn) - chess.square_file(square) in files
        and (chess.square_rank(pawn) > rank if owner else chess.square_rank(pawn) < rank)
        for pawn in board.pieces(chess.PAWN, not owner)
    )


def _safe_knight(scene: Scene, found: re.Match[str]) -> bool:
    square = _sq(found[1])
    return scene.any(lambda b: _is(b, "knight", found[1]) and not _enemy_pawns(b, square, (-1, 1)))


def _is_passed(scene: Scene, found: re.Match[str]) -> bool:
    square = _sq(found[1])
    return scene.any(lambda b: _is(b, "pawn", found[1]) and not _enemy_pawns(b, square, (-1, 0, 1)))


def _is_isolated(scene: Scene, found: re.Match[str]) -> bool:
    square = _sq(found[1])

    def alone(board: chess.Board) -> bool:
        owner = board.color_at(square)
        if owner is None or board.piece_type_at(square) != chess.PAWN:
            return False
        return all(
            abs(chess.square_file(pawn) - chess.square_file(square)) != 1 for pawn in board.pieces(chess.PAWN, owner)
        )

    return scene.any(alone)


def _takes_room(scene: Scene, found: re.Match[str]) -> bool:
    side, square = not SIDES[found[2]], _sq(found[1])
    far = chess.square_rank(square) >= 4 if side else chess.square_rank(square) <= 3
    return far and scene.any(lambda b: b.piece_at(square) == chess.Piece(chess.PAWN, side))


def _are_doubled(scene: Scene, found: re.Match[str]) -> bool:
    one, other = _sq(found[1]), _sq(found[2])
    return chess.square_file(one) == chess.square_file(other) and scene.any(
        lambda b: all(b.piece_at(s) == chess.Piece(chess.PAWN, scene.victim) for s in (one, other))
    )


def _both_bishops(scene: Scene, found: re.Match[str]) -> bool:
    one, other = SIDES[found[1]], SIDES[found[2]]
    return one != other and scene.any(
        lambda b: len(b.pieces(chess.BISHOP, one)) >= 2 > len(b.pieces(chess.BISHOP, other))
    )


def _queens_off(scene: Scene, found: re.Match[str]) -> bool:
    side = SIDES[found[1]]
    return scene.any(lambda b: not b.queens and _ahead_by(b, side) > 0)


def _ahead_by(board: chess.Board, side: chess.Color) -> int:
    worth = {chess.PAWN: 1, chess.KNIGHT: 3, chess.BISHOP: 3, chess.ROOK: 5, chess.QUEEN: 9, chess.KING: 0}
    return sum(worth[p.piece_type] * (1 if p.color == side else -1) for p in board.piece_map().values())


def _more_squares(scene: Scene, found: re.Match[str]) -> bool:
    side = SIDES[found[1]]

    def count(board: chess.Board, owner: chess.Color) -> int:
        return sum(
            len([target for target in board.attacks(square) if board.color_at(target) != owner])
            for kind in (chess.KNIGHT, chess.BISHOP, chess.ROOK, chess.QUEEN)
            for square in board.pieces(kind, owner)
        )

    return scene.any(lambda b: count(b, side) > count(b, not side) + 5)


def _open_file(scene: Scene, found: re.Match[str]) -> bool:
    file = chess.FILE_NAMES.index(found[1])
    squares = [chess.square(file, rank) for rank in range(8)]

    def is_open(board: chess.Board) -> bool:
        pawns = any(board.piece_type_at(square) == chess.PAWN for square in squares)
        return not pawns and _is(board, "king", found[2]) and _is(board, found[3], found[4])

    return _sq(found[2]) in squares and _sq(found[4]) in squares and scene.any(is_open)


CHECKS: tuple[tuple[re.Pattern[str], Check], ...] = (
    (re.compile(rf"takes the {_PIECE} on {_SQUARE},? which nothing guards"), _unguarded),
    (re.compile(r"which it threatened already"), _threatened),
    (re.compile(rf"now that the {_PIECE} has left {_SQUARE}"), _left),
    (
        re.compile(rf"takes the {_PIECE} on {_SQUARE}(?: with check)?, which has just come within its reach"),
        _within_reach,
    ),
    (re.compile(rf"now that the {_PIECE} on {_SQUARE} shuts off the {_PIECE} on {_SQUARE}"), _shuts_off),
    (re.compile(r"need not give it back"), _kept),
    (re.compile(rf"the king on {_SQUARE} can no longer castle"), _no_castling),
    (
        re.compile(rf"the {_PIECE} on {_SQUARE} drives the {_PIECE} from {_SQUARE}"),
        lambda scene, f: _driven(scene, f[1], f[2], f[3], f[4]),
    ),
    (
        re.compile(rf"the {_PIECE} on {_SQUARE} must leave at once before the {_PIECE} on {_SQUARE}"),
        lambda scene, f: _driven(scene, f[3], f[4], f[1], f[2]),
    ),
    (re.compile(rf"the {_PIECE} moves a second time, to {_SQUARE}"), _second_time),
    (re.compile(rf"the pawns on {_SQUARE} and {_SQUARE} hold the centre"), _centre),
    (re.compile(r"(White|Black) is (\w+) pieces ahead in development"), _ahead),
    (re.compile(rf"the {_PIECE} on {_SQUARE} stands in the way of the pawn on {_SQUARE}"), _in_the_way),
    (re.compile(rf"the {_PIECE} on {_SQUARE} takes the best square from the knight on {_SQUARE}"), _best_square),
    (re.compile(rf"no pawn can drive away the knight on {_SQUARE}"), _safe_knight),
    (re.compile(rf"the pawn on {_SQUARE} is passed"), _is_passed),
    (re.compile(rf"the pawn on {_SQUARE} is isolated"), _is_isolated),
    (re.compile(rf"the pawn on {_SQUARE} takes room from (White|Black)"), _takes_room),
    (re.compile(rf"the pawns on {_SQUARE} and {_SQUARE} are doubled"), _are_doubled),
    (re.compile(r"(White|Black) has both bishops, (White|Black) has not"), _both_bishops),
    (re.compile(r"the queens are off and (White|Black) is ahead in material"), _queens_off),
    (re.compile(r"(White|Black)'s pieces command more squares"), _more_squares),
    (re.compile(rf"the ([a-h])-file to the king on {_SQUARE} is open to the {_PIECE} on {_SQUARE}"), _open_file),
)


def false_themes(scene: Scene, sentence: str) -> list[str]:
    """The claims of these kinds that do not hold."""
    return [found[0] for pattern, holds in CHECKS for found in pattern.finditer(sentence) if not holds(scene, found)]
