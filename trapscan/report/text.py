"""The words that all forms of the report share: moves with numbers, figures, scores, positions for the ear."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence

import chess

from trapscan.contract import Cp, Gain
from trapscan.sanitize import sanitize

GAIN_WORDS = {
    Gain.MATE: "mate",
    Gain.QUEEN: "the queen",
    Gain.ROOK: "a rook",
    Gain.PIECE: "a piece",
    Gain.EXCHANGE: "the exchange",
    Gain.PAWN: "a pawn",
    Gain.ATTACK: "the better position",
}

FAIR_PLAY = (
    "For preparation and teaching. An engine may not be used during play: see the FIDE Laws of Chess and the "
    "fair-play rules of each site and organiser."
)


def ascii_only(text: str) -> str:
    """`text` in 7 bits: accents dropped, dashes and quotation marks put plainly, anything else a question mark."""
    table = {0x2013: "-", 0x2014: "-", 0x2026: "...", 0x2018: "'", 0x2019: "'", 0x201C: '"', 0x201D: '"', 0xD7: "x"}
    spread = unicodedata.normalize("NFKD", text.translate(table))
    return "".join(char for char in spread if not unicodedata.combining(char)).encode("ascii", "replace").decode()


def numbered(board: chess.Board, sans: Sequence[str]) -> str:
    """SAN moves with their numbers, "6...Nxb5 7.Nxc6+ Be7", counted from `board`'s move number and side to move."""
    words: list[str] = []
    number, turn = board.fullmove_number, board.turn
    for index, san in enumerate(sans):
        if turn == chess.WHITE:
            words.append(f"{number}.{sanitize(san, limit=12)}")
        else:
            words.append(f"{number}...{sanitize(san, limit=12)}" if index == 0 else sanitize(san, limit=12))
            number += 1
        turn = not turn
    return " ".join(words)


def percent(share: float) -> str:
    """A probability in per cent: one decimal below ten, none from there on; what is not zero never reads as zero."""
    value = 100 * share
    if 0 < value < 0.1:
        return "<0.1%"
    return f"{value:.1f}%" if value < 9.95 else f"{value:.0f}%"


SMALL_ENGINE = "sunfish"
WEAK = "This small engine errs: put what you mean to rely on to a strong one."


def counted_as(number: int, thing: str) -> str:
    """ "1 game", "2 games"."""
    return f"{number} {thing}{'' if number == 1 else 's'}"


def pace_words(control: str) -> str:
    """ "10 minutes a side", "90 minutes a side and 30 seconds a move" for 600+0, 5400+30; anything else as it is."""
    start, plus, increment = control.partition("+")
    if not (plus and start.isdecimal() and increment.isdecimal()):
        return sanitize(control, limit=40)
    seconds, each = int(start), int(increment)
    whole, rest = divmod(seconds, 60)
    parts = [
        f"{counted_as(whole, 'minute')} a side" if whole and not rest else f"{counted_as(seconds, 'second')} a side"
    ]
    parts = parts if seconds else []
    return " and ".join([*parts, *([f"{counted_as(each, 'second')} a move"] if each or not seconds else [])])


def signed(value: float) -> str:
    """A balance in points per 100 games, "+2.4": one figure after the point, and no minus before nothing."""
    return f"{round(value, 1) + 0.0:+.1f}"


def points(millionths: int) -> str:
    """A toll of so many millionths of a point: two figures after the point where it matters, never a bare zero for
    something. Whole numbers, halves up: the page writes the sums of what its filters leave with the same steps."""
    size = abs(millionths)
    if 0 < size < 10_000:
        return "<0.01"
    step, digits = (10_000, 2) if size < 9_995_000 else (100_000, 1)
    written = (size + step // 2) // step / 10**digits
    return f"{-written if millionths < 0 else written:.{digits}f}"


def once(share: float) -> str:
    """How often something happens, as people say it: "once in 880 games", two figures at most; empty for never."""
    if share <= 0:
        return ""
    if share > 0.75:
        return "in nearly every game"
    if share < 1e-6:
        return "less than once in a million games"
    return f"once in {_two_figures(1 / share)} games"


def one_in(share: float) -> str:
    """How often something happens, as a table says it: "1 in 880"; a dash for never."""
    if share <= 0:
        return "-"
    return "1 in 1" if share > 0.75 else "<1 in 1,000,000" if share < 1e-6 else f"1 in {_two_figures(1 / share)}"


def _two_figures(value: float) -> str:
    """A whole number, above a hundred with two figures that say something."""
    step = max(1, 10 ** (len(str(int(value))) - 2))
    return f"{round(value / step) * step:,}"


_PARTS = (
    (0.025, "a fortieth of a point"),
    (0.05, "a twentieth of a point"),
    (0.1, "a tenth of a point"),
    (0.125, "an eighth of a point"),
    (0.167, "a sixth of a point"),
    (0.2, "a fifth of a point"),
    (0.25, "a quarter of a point"),
    (0.333, "a third of a point"),
    (0.4, "two fifths of a point"),
    (0.5, "half a point"),
    (0.6, "three fifths of a point"),
    (0.667, "two thirds of a point"),
    (0.75, "three quarters of a point"),
    (0.9, "nearly a whole point"),
)


def part_of_point(cost: float) -> str:
    """An expected score as a part of a point that one can feel: the nearest that has a name."""
    return min(_PARTS, key=lambda part: abs(part[0] - cost))[1]


def score_words(value: Cp) -> str:
    """A score in pawns with its sign, or a mate in words: "-1.47", "mate in 3", "mated in 2"."""
    if isinstance(value, dict):
        moves = value.get("mate", 0)
        if moves > 0:
            return f"mate in {moves}"
        return "checkmated" if moves == 0 else f"mated in {-moves}"
    return f"{value / 100:+.2f}"


def side_name(side: str) -> str:
    """ "White" or "Black"."""
    return side.capitalize()


def and_list(words: Sequence[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    words = list(words)
    return ", ".join(words[:-1]) + " and " + words[-1] if len(words) > 1 else "".join(words)


_PIECES = (
    (chess.KING, "king"),
    (chess.QUEEN, "queen"),
    (chess.ROOK, "rook"),
    (chess.BISHOP, "bishop"),
    (chess.KNIGHT, "knight"),
    (chess.PAWN, "pawn"),
)


def position_words(board: chess.Board) -> str:
    """The position for someone who does not see the board: each side's men by kind, then who is to move."""
    parts = []
    for color in chess.COLORS:
        groups = []
        for kind, name in _PIECES:
            squares = [chess.square_name(square) for square in board.pieces(kind, color)]
            if squares:
                groups.append(f"{name}{'s' if len(squares) > 1 else ''} {and_list(squares)}")
        parts.append(f"{'White' if color else 'Black'}: {', '.join(groups) or 'nothing'}.")
    return f"{' '.join(parts)} {'White' if board.turn else 'Black'} to move."
