"""What sentences claim of a position's lasting features, held against the board."""

from __future__ import annotations

import re

import chess

from tests.independent.scene import KIND, MAN, NUMBERS, SIDES, SQUARE, Check, Scene, ahead_by, square_of, stands


def _no_castling(scene: Scene, found: re.Match[str]) -> bool:
    """The victim could castle before the slip, and the king comes to stand there without the right, not by castling."""
    castled = scene.before.is_castling(scene.slip)
    for index, board in enumerate(scene.line):
        if board.king(scene.victim) == square_of(found[1]) and not board.has_castling_rights(scene.victim):
            return scene.before.has_castling_rights(scene.victim) and not castled
        if index < len(scene.moves):
            castled = castled or (board.turn == scene.victim and board.is_castling(scene.moves[index]))
    return False


def _driven(scene: Scene, hunter: str, at: str, hunted: str, home: str) -> bool:
    """In reply to a move of the hunter to `at` the hunted piece, which it attacks there, leaves `home`."""
    for index in range(len(scene.moves) - 1):
        after, reply = scene.line[index + 1], scene.moves[index + 1]
        met = scene.moves[index].to_square == square_of(at) and reply.from_square == square_of(home)
        if met and stands(after, hunter, at) and stands(after, hunted, home):
            return True
    return False


def _second_time(scene: Scene, found: re.Match[str]) -> bool:
    reply = scene.moves[1] if len(scene.moves) > 1 else None
    return reply is not None and reply.from_square == scene.slip.to_square and reply.to_square == square_of(found[2])


def _centre(scene: Scene, found: re.Match[str]) -> bool:
    one, other, owner = square_of(found[1]), square_of(found[2]), not scene.victim

    def holds(board: chess.Board) -> bool:
        own, enemy = board.pieces(chess.PAWN, owner), board.pieces(chess.PAWN, not owner)
        return one in own and other in own and not enemy & chess.SquareSet(chess.BB_CENTER)

    abreast = chess.square_rank(one) == chess.square_rank(other) and chess.square_distance(one, other) == 1
    return abreast and any(map(holds, scene.line))


_HOMES = {
    chess.WHITE: {chess.B1: "N", chess.G1: "N", chess.C1: "B", chess.F1: "B"},
    chess.BLACK: {chess.B8: "n", chess.G8: "n", chess.C8: "b", chess.F8: "b"},
}


def _ahead(scene: Scene, found: re.Match[str]) -> bool:
    side = SIDES[found[1]]

    def home(board: chess.Board, owner: chess.Color) -> int:
        return sum(str(board.piece_at(square) or "") == letter for square, letter in _HOMES[owner].items())

    return any(home(b, not side) - home(b, side) == NUMBERS[found[2]] for b in scene.line)


def _in_the_way(scene: Scene, found: re.Match[str]) -> bool:
    front, behind = square_of(found[2]), square_of(found[3])
    step = 8 if scene.victim else -8
    return front - behind == step and any(
        stands(b, found[1], found[2]) and stands(b, "pawn", found[3]) for b in scene.line
    )


def _best_square(scene: Scene, found: re.Match[str]) -> bool:
    board, knight, square = scene.after, square_of(found[3]), square_of(found[2])
    return stands(board, found[1], found[2]) and stands(board, "knight", found[3]) and square in board.attacks(knight)


def _enemy_pawns(board: chess.Board, square: chess.Square, files: tuple[int, ...]) -> bool:
    """Whether a pawn of the other colour stands ahead of the man on `square`, on its file or one beside it."""
    owner = board.color_at(square)
    if owner is None:
        return False
    rank = chess.square_rank(square)
    for pawn in board.pieces(chess.PAWN, not owner):
        ahead = chess.square_rank(pawn) > rank if owner else chess.square_rank(pawn) < rank
        if ahead and chess.square_file(pawn) - chess.square_file(square) in files:
            return True
    return False


def _safe_knight(scene: Scene, found: re.Match[str]) -> bool:
    return any(stands(b, "knight", found[1]) and not _enemy_pawns(b, square_of(found[1]), (-1, 1)) for b in scene.line)


def _is_passed(scene: Scene, found: re.Match[str]) -> bool:
    return any(stands(b, "pawn", found[1]) and not _enemy_pawns(b, square_of(found[1]), (-1, 0, 1)) for b in scene.line)


def _is_isolated(scene: Scene, found: re.Match[str]) -> bool:
    square = square_of(found[1])
    file = chess.square_file(square)

    def alone(board: chess.Board) -> bool:
        own = board.pieces(chess.PAWN, scene.victim)
        return square in own and not any(abs(chess.square_file(pawn) - file) == 1 for pawn in own)

    return any(map(alone, scene.line))


def _takes_room(scene: Scene, found: re.Match[str]) -> bool:
    side, square = not SIDES[found[2]], square_of(found[1])
    far = chess.square_rank(square) >= 4 if side else chess.square_rank(square) <= 3
    return far and any(b.piece_at(square) == chess.Piece(chess.PAWN, side) for b in scene.line)


def _are_doubled(scene: Scene, found: re.Match[str]) -> bool:
    one, other = square_of(found[1]), square_of(found[2])
    pawn = chess.Piece(chess.PAWN, scene.victim)
    both = any(b.piece_at(one) == pawn == b.piece_at(other) for b in scene.line)
    return both and chess.square_file(one) == chess.square_file(other)


def _both_bishops(scene: Scene, found: re.Match[str]) -> bool:
    one, other = SIDES[found[1]], SIDES[found[2]]
    return one != other and any(
        len(b.pieces(chess.BISHOP, one)) >= 2 > len(b.pieces(chess.BISHOP, other)) for b in scene.line
    )


def _queens_off(scene: Scene, found: re.Match[str]) -> bool:
    side = SIDES[found[1]]
    return any(not b.queens and ahead_by(b, side) > 0 for b in scene.line)


def _more_squares(scene: Scene, found: re.Match[str]) -> bool:
    side = SIDES[found[1]]

    def count(board: chess.Board, owner: chess.Color) -> int:
        return sum(
            len([target for target in board.attacks(square) if board.color_at(target) != owner])
            for kind in (chess.KNIGHT, chess.BISHOP, chess.ROOK, chess.QUEEN)
            for square in board.pieces(kind, owner)
        )

    return any(count(b, side) > count(b, not side) + 5 for b in scene.line)


def _open_file(scene: Scene, found: re.Match[str]) -> bool:
    file = chess.FILE_NAMES.index(found[1])
    squares = [chess.square(file, rank) for rank in range(8)]

    def is_open(board: chess.Board) -> bool:
        pawns = any(board.piece_type_at(square) == chess.PAWN for square in squares)
        return not pawns and stands(board, "king", found[2]) and stands(board, found[3], found[4])

    return square_of(found[2]) in squares and square_of(found[4]) in squares and any(map(is_open, scene.line))


THEMES: tuple[tuple[re.Pattern[str], Check], ...] = (
    (re.compile(rf"the king on {SQUARE} can no longer castle"), _no_castling),
    (re.compile(rf"{MAN} drives the {KIND} from {SQUARE}"), lambda scene, f: _driven(scene, f[1], f[2], f[3], f[4])),
    (
        re.compile(rf"{MAN} must leave at once before {MAN}"),
        lambda scene, f: _driven(scene, f[3], f[4], f[1], f[2]),
    ),
    (re.compile(rf"the {KIND} moves a second time, to {SQUARE}"), _second_time),
    (re.compile(rf"the pawns on {SQUARE} and {SQUARE} hold the centre"), _centre),
    (re.compile(r"(White|Black) is (\w+) pieces ahead in development"), _ahead),
    (re.compile(rf"the {KIND} on {SQUARE} stands in the way of the pawn on {SQUARE}"), _in_the_way),
    (re.compile(rf"the {KIND} on {SQUARE} takes the best square from the knight on {SQUARE}"), _best_square),
    (re.compile(rf"no pawn can drive away the knight on {SQUARE}"), _safe_knight),
    (re.compile(rf"the pawn on {SQUARE} is passed"), _is_passed),
    (re.compile(rf"the pawn on {SQUARE} is isolated"), _is_isolated),
    (re.compile(rf"the pawn on {SQUARE} takes room from (White|Black)"), _takes_room),
    (re.compile(rf"the pawns on {SQUARE} and {SQUARE} are doubled"), _are_doubled),
    (re.compile(r"(White|Black) has both bishops, (White|Black) has not"), _both_bishops),
    (re.compile(r"the queens are off and (White|Black) is ahead in material"), _queens_off),
    (re.compile(r"(White|Black)'s pieces command more squares"), _more_squares),
    (re.compile(rf"the ([a-h])-file to the king on {SQUARE} is open to the {KIND} on {SQUARE}"), _open_file),
)
