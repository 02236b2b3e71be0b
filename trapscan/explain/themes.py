"""What a slip costs where nothing is won: time, the centre, development, castling, the pawns, room for the pieces.

A theme is a plain fact on the board. It counts where it holds at the end of the refutation as far as that can be
trusted, and does not hold, after as many moves, in the victim's best line: only then can it be what the slip cost.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import chess

from trapscan.explain.exchange import as_mover, balance, loot, settle
from trapscan.explain.move_text import deed, threats
from trapscan.explain.play import Play
from trapscan.explain.words import colour, number, piece_name, the_piece, the_pieces

HORIZON = 9
"""Plies after the slip at which the two lines are compared; further on an engine's line is a guess."""

CASTLING = "loss of castling"
TIME = "loss of time"
CENTRE = "pawn centre"
SPACE = "space"
DEVELOPMENT = "lead in development"
OPEN_FILE = "open file to the king"
DOUBLED = "doubled pawns"
ISOLATED = "isolated pawn"
PASSED = "passed pawn"
OUTPOST = "outpost"
OWN_WAY = "piece in its own side's way"
BISHOPS = "two bishops"
QUEENS = "exchange of queens"
ACTIVITY = "more active pieces"
CHANCE = "missed chance"
HOLE = "weakened square"

THEMES = (
    OPEN_FILE,
    CASTLING,
    TIME,
    CENTRE,
    DEVELOPMENT,
    OWN_WAY,
    HOLE,
    OUTPOST,
    PASSED,
    SPACE,
    DOUBLED,
    ISOLATED,
    BISHOPS,
    QUEENS,
    ACTIVITY,
    CHANCE,
)
"""All names, the more telling ones first."""

BETTER = "what is missed is that"
"""The word that begins a clause about the best line."""

_PAIRS = (
    ((chess.D4, chess.E4), (chess.D5, chess.E5), (chess.E4, chess.F4), (chess.C4, chess.D4)),
    ((chess.D5, chess.E5), (chess.D4, chess.E4), (chess.E5, chess.F5), (chess.C5, chess.D5)),
)
"""Two pawns abreast that hold the centre: for White, for Black."""

_LEAD = 2
_ROOM = 8


@dataclass(frozen=True, slots=True)
class Theme:
    """`clause` states the fact, ready to stand after a colon; `ply` is the ply of the refutation from which on it holds
    (0: as soon as the slip is played)."""

    name: str
    ply: int
    clause: str


def themes(play: Play, rival: Play) -> list[Theme]:
    """The themes of the refutation `play`, which begins after the slip, against the victim's best line `rival`, which
    begins before it; in the order of THEMES. Nothing where there is no best line to compare with."""
    last = _rest(play, min(len(play), HORIZON))
    if not rival.moves or not last or play.boards[last].is_game_over():
        return []
    found = []
    for finder in (_castling, _time, _own_way):
        found += [theme for theme in finder(play, rival, last) if theme.ply <= last]
    for name, facts in _FACTS:
        found += _static(name, facts, play, rival, last)
    found += _activity(play, rival, last)
    found += _chance(play, rival) if not found else ()
    return sorted(found, key=lambda theme: THEMES.index(theme.name))


def _rest(play: Play, last: int) -> int:
    """The last ply up to `last` after which no capture that pays is pending and nobody is in check, or 0."""
    for ply in range(last, 0, -1):
        board = play.boards[ply]
        if not board.is_check() and settle(board, play.side)[0] == balance(board, play.side):
            return ply
    return 0


# --- facts that a position shows: clauses, the same words for the same fact ------------------------------------------

Facts = Callable[[chess.Board, chess.Color], Iterator[str]]
"""(position, punisher) -> clauses."""


def _static(name: str, facts: Facts, play: Play, rival: Play, last: int) -> Iterator[Theme]:
    """The first fact that holds on the last two boards of the refutation and on neither of the rival's last two."""
    side = play.side
    here = [clause for clause in facts(play.boards[last], side) if clause in set(facts(play.boards[last - 1], side))]
    if not here:
        return
    end = min(last + 1, len(rival))
    there = {_kind(clause) for board in rival.boards[max(0, end - 1) : end + 1] for clause in facts(board, side)}
    for clause in here:
        if _kind(clause) not in there:
            ply = last - 1
            while ply > 0 and clause in set(facts(play.boards[ply - 1], side)):
                ply -= 1
            yield Theme(name, ply, clause)
            return


def _kind(clause: str) -> str:
    """What two clauses must share to state the same fact: the words without numbers and squares."""
    return " ".join(word for word in clause.split() if word.isalpha() and word not in _NUMBERS)


_NUMBERS = frozenset(number(count) for count in range(11)) | {"pieces", "piece"}


def _open_file(board: chess.Board, side: chess.Color) -> Iterator[str]:
    """A rook or queen of the punisher's bears on the file of the king, on which no pawn stands and which the king has
    not left by castling."""
    king = board.king(not side)
    if king is None or chess.square_file(king) not in (3, 4):
        return
    file = chess.BB_FILES[chess.square_file(king)]
    heavy = (board.rooks | board.queens) & board.occupied_co[side] & file
    if heavy and not board.pawns & file:
        square = chess.square_name(chess.lsb(heavy))
        name = chess.FILE_NAMES[chess.square_file(king)]
        kind = piece_name(board, chess.lsb(heavy))
        yield f"the {name}-file to the king on {chess.square_name(king)} is open to the {kind} on {square}"


def _centre(board: chess.Board, side: chess.Color) -> Iterator[str]:
    own = board.pawns & board.occupied_co[side]
    theirs = board.pawns & board.occupied_co[not side] & chess.BB_CENTER
    for one, other in _PAIRS[0 if side else 1]:
        if own & chess.BB_SQUARES[one] and own & chess.BB_SQUARES[other] and not theirs:
            yield f"{the_pieces(board, (one, other))} hold the centre"
            return


def _development(board: chess.Board, side: chess.Color) -> Iterator[str]:
    lead = at_home(board, not side) - at_home(board, side)
    if lead >= _LEAD:
        yield f"{colour(side)} is {number(lead)} pieces ahead in development"


def at_home(board: chess.Board, side: chess.Color) -> int:
    """How many knights and bishops of `side` stand on the squares where they begin the game."""
    rank = chess.BB_RANK_1 if side else chess.BB_RANK_8
    knights = board.knights & (chess.BB_FILE_B | chess.BB_FILE_G)
    bishops = board.bishops & (chess.BB_FILE_C | chess.BB_FILE_F)
    return ((knights | bishops) & rank & board.occupied_co[side]).bit_count()


def _outpost(board: chess.Board, side: chess.Color) -> Iterator[str]:
    """A knight in the enemy's half that a pawn supports and no enemy pawn can ever attack."""
    for square in chess.SquareSet(board.knights & board.occupied_co[side]):
        rank = chess.square_rank(square) if side else 7 - chess.square_rank(square)
        supported = board.attackers_mask(side, square) & board.pawns
        if rank in (4, 5) and supported and not _ahead(square, side, beside=True) & _pawns(board, not side):
            yield f"no pawn can drive away the knight on {chess.square_name(square)}"


def _passed(board: chess.Board, side: chess.Color) -> Iterator[str]:
    for square in chess.SquareSet(_pawns(board, side)):
        rank = chess.square_rank(square) if side else 7 - chess.square_rank(square)
        ahead = _ahead(square, side, beside=True) | _ahead(square, side, beside=False)
        if rank >= 4 and not ahead & _pawns(board, not side):
            yield f"the pawn on {chess.square_name(square)} is passed"


def _space(board: chess.Board, side: chess.Color) -> Iterator[str]:
    """A pawn in the enemy's half of the centre, supported, that cannot be taken with profit."""
    for square in chess.SquareSet(_pawns(board, side) & (chess.BB_FILE_C | chess.BB_FILE_D | chess.BB_FILE_E)):
        rank = chess.square_rank(square) if side else 7 - chess.square_rank(square)
        if rank < 4 or not board.attackers_mask(side, square):
            continue
        if loot(as_mover(board, not side), square) <= 0:
            yield f"the pawn on {chess.square_name(square)} takes room from {colour(not side)}"


def _doubled(board: chess.Board, side: chess.Color) -> Iterator[str]:
    for file in chess.BB_FILES:
        pawns = list(chess.SquareSet(_pawns(board, not side) & file))
        if len(pawns) > 1:
            yield f"{the_pieces(board, pawns[:2])} are doubled"


def _isolated(board: chess.Board, side: chess.Color) -> Iterator[str]:
    """An isolated pawn on an inner file with no enemy pawn before it: a weakness that can be got at."""
    theirs = _pawns(board, not side)
    for square in chess.SquareSet(theirs & ~(chess.BB_FILE_A | chess.BB_FILE_H)):
        file = chess.square_file(square)
        beside = chess.BB_FILES[file - 1] | chess.BB_FILES[file + 1]
        if not theirs & beside and not _ahead(square, not side, beside=False) & _pawns(board, side):
            yield f"the pawn on {chess.square_name(square)} is isolated"


def _bishops(board: chess.Board, side: chess.Color) -> Iterator[str]:
    pair = [(board.bishops & board.occupied_co[colour_]).bit_count() >= 2 for colour_ in (side, not side)]
    if pair == [True, False]:
        yield f"{colour(side)} has both bishops, {colour(not side)} has not"


def _queens(board: chess.Board, side: chess.Color) -> Iterator[str]:
    """The queens are off while the punisher is ahead: what the victim had for its material is gone."""
    if not board.queens and balance(board, side) > 0:
        yield f"the queens are off and {colour(side)} is ahead in material"


def _pawns(board: chess.Board, side: chess.Color) -> chess.Bitboard:
    return board.pawns & board.occupied_co[side]


def _ahead(square: chess.Square, side: chess.Color, *, beside: bool) -> chess.Bitboard:
    """The squares before a pawn of `side`: on its file, or on the files beside it."""
    rank, file = chess.square_rank(square), chess.square_file(square)
    files = [f for f in (file - 1, file + 1) if 0 <= f < 8] if beside else [file]
    ranks = range(rank + 1, 8) if side else range(rank)
    mask = chess.BB_EMPTY
    for f in files:
        for r in ranks:
            mask |= chess.BB_SQUARES[chess.square(f, r)]
    return mask


_FACTS: tuple[tuple[str, Facts], ...] = (
    (OPEN_FILE, _open_file),
    (CENTRE, _centre),
    (DEVELOPMENT, _development),
    (OUTPOST, _outpost),
    (PASSED, _passed),
    (SPACE, _space),
    (DOUBLED, _doubled),
    (ISOLATED, _isolated),
    (BISHOPS, _bishops),
    (QUEENS, _queens),
)


def reach(board: chess.Board, side: chess.Color) -> int:
    """How many squares the knights, bishops, rooks and queens of `side` command, each piece counted for itself."""
    own = board.occupied_co[side]
    pieces = own & (board.knights | board.bishops | board.rooks | board.queens)
    return sum((board.attacks_mask(square) & ~own).bit_count() for square in chess.SquareSet(pieces))


def _activity(play: Play, rival: Play, last: int) -> Iterator[Theme]:
    """The punisher's pieces command many more squares than the victim's, and in the best line they do not."""
    side, end = play.side, min(last + 1, len(rival))

    def lead(board: chess.Board) -> int:
        return reach(board, side) - reach(board, not side)

    here = min(lead(play.boards[last]), lead(play.boards[last - 1]))
    there = max(lead(board) for board in rival.boards[max(0, end - 1) : end + 1])
    if here >= _ROOM and here - there >= _ROOM:
        yield Theme(ACTIVITY, last - 1, f"{colour(side)}'s pieces command more squares")


def _chance(play: Play, rival: Play) -> Iterator[Theme]:
    """The best move takes on the square of the slip with another man, or attacks something to some purpose."""
    before, after, move = rival.boards[0], rival.boards[1], rival.moves[0]
    slip = play.boards[0].peek() if play.boards[0].move_stack else None
    if slip is not None and rival.is_capture(0) and move.to_square == slip.to_square:
        yield Theme(CHANCE, 0, f"{BETTER} {deed(rival, 0)}")
        return
    targets = threats(before, after, move)
    if targets and not rival.is_capture(0) and loot(after, move.to_square) <= 0:
        yield Theme(CHANCE, 0, f"{BETTER} {deed(rival, 0)} and attacks {the_pieces(after, targets[:2])}")


# --- facts about the moves -------------------------------------------------------------------------------------------


def _castling(play: Play, rival: Play, last: int) -> Iterator[Theme]:
    """The king loses the right to castle without having castled; in the best line it castles or may still."""
    victim = not play.side
    if not rival.boards[0].castling_rights & chess.BB_RANKS[0 if victim else 7]:
        return
    end = min(len(rival), last + 1)
    if not rival.boards[end].has_castling_rights(victim) and not _castles(rival, victim, end):
        return
    slip = play.boards[0].peek() if play.boards[0].move_stack else None
    if _castles(play, victim, last) or (slip is not None and rival.boards[0].is_castling(slip)):
        return
    for ply in range(last + 1):
        board = play.boards[ply]
        if not board.has_castling_rights(victim):
            king = board.king(victim)
            home = chess.E1 if victim else chess.E8
            if king is not None and king != home:
                yield Theme(CASTLING, ply, f"{the_piece(board, king)} can no longer castle")
            return


def _castles(play: Play, side: chess.Color, last: int) -> bool:
    return any(
        play.boards[index].turn == side and play.boards[index].is_castling(play.moves[index]) for index in range(last)
    )


def _time(play: Play, rival: Play, last: int) -> Iterator[Theme]:
    """A piece is attacked to some purpose and must move away at once; in the best line it does not move away from that
    square."""
    slip = play.boards[0].peek() if play.boards[0].move_stack else None
    fleeing = {rival.moves[index].from_square for index in range(2, min(len(rival), last + 1), 2)}
    for index in range(0, min(last - 1, 5), 2):
        board, reply, after = play.boards[index], play.moves[index + 1], play.boards[index + 1]
        square = reply.from_square
        if after.is_check() or after.piece_type_at(square) in (chess.PAWN, chess.KING) or play.is_capture(index + 1):
            continue
        if square in fleeing:
            continue
        if square not in threats(board, after, play.moves[index]):
            if slip is not None and square == slip.to_square and not index and rival.moves[0].to_square not in fleeing:
                to = chess.square_name(reply.to_square)
                yield Theme(TIME, 2, f"the {piece_name(after, square)} moves a second time, to {to}")
                return
            continue
        hunter = the_piece(after, play.moves[index].to_square)
        name = piece_name(after, square)
        if slip is not None and square == slip.to_square and not index:
            there = chess.square_name(square)
            yield Theme(TIME, index + 2, f"the {name} on {there} must leave at once before {hunter}")
        else:
            yield Theme(TIME, index + 2, f"{hunter} drives the {name} from {chess.square_name(square)}")
        return


def _own_way(play: Play, rival: Play, last: int) -> Iterator[Theme]:
    """The slip puts a piece in front of a centre pawn that has not moved, or another man on the best square of a knight
    that has not; the best move does not, and the pawn or knight still stands there at the end."""
    board = play.boards[0]
    if not board.move_stack:
        return
    square, end = board.peek().to_square, play.boards[last]
    as_well = list(_blocks(rival.boards[1], rival.moves[0].to_square, not play.side))
    for blocker, blocked in _blocks(board, square, not play.side):
        if (blocker, blocked) in as_well:
            continue
        if end.piece_at(blocked) == board.piece_at(blocked) and end.piece_at(blocker) == board.piece_at(blocker):
            mine = the_piece(board, blocker)
            if board.piece_type_at(blocked) == chess.PAWN:
                yield Theme(OWN_WAY, 0, f"{mine} stands in the way of {the_piece(board, blocked)}")
            else:
                yield Theme(OWN_WAY, 0, f"{mine} takes the best square from {the_piece(board, blocked)}")


def _blocks(board: chess.Board, square: chess.Square, side: chess.Color) -> Iterator[tuple[chess.Square, chess.Square]]:
    """(square, what it hinders) for a man of `side` on `square`."""
    own = board.occupied_co[side]
    second, third = (1, 2) if side else (6, 5)
    file = chess.square_file(square)
    if chess.square_rank(square) != third:
        return
    if board.piece_type_at(square) != chess.PAWN and file in (3, 4):
        behind = chess.square(file, second)
        if board.pawns & own & chess.BB_SQUARES[behind]:
            yield square, behind
    if board.piece_type_at(square) != chess.KNIGHT and file in (2, 5):
        knight = chess.square(1 if file == 2 else 6, 0 if side else 7)
        if board.knights & own & chess.BB_SQUARES[knight]:
            yield square, knight
