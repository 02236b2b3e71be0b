"""A sentence about a finding and the boards it may speak of; what is asked of a board."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import chess

KINDS = {chess.piece_name(kind): kind for kind in chess.PIECE_TYPES}
WORTH = {chess.PAWN: 1, chess.KNIGHT: 3, chess.BISHOP: 3, chess.ROOK: 5, chess.QUEEN: 9, chess.KING: 0}
NUMBERS = {"two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "seven": 7, "eight": 8}
TIMES = {"once": 1, "twice": 2, "three times": 3, "four times": 4}
SIDES = {"White": chess.WHITE, "Black": chess.BLACK}
KIND = "(king|queen|rook|bishop|knight|pawn)"
SQUARE = "([a-h][1-8])"
MAN = rf"the {KIND} on {SQUARE}"
SAN = re.compile(
    r"(?<![\w-])(?:O-O-O|O-O|[KQRBN][a-h]?[1-8]?x?[a-h][1-8]|[a-h]x[a-h][1-8](?:=[QRBN])?|[a-h][1-8](?:=[QRBN])?)[+#]?"
)
PLAIN_SQUARE = re.compile(r"(?:\b(?:on|guards?|weakens|from|from here to|off from|guard of|takes|to) |\band )$")
"""What stands before a square that is no move: 'on d4', 'guards d4', 'takes d5 under control', 'g4 and h5'."""
MOVE_AFTER_TO = re.compile(r"\b(?:fails|loses .*) to $")


@dataclass(frozen=True, slots=True)
class Step:
    """A move told: where its text begins and ends, the boards before and after it."""

    start: int
    stop: int
    before: chess.Board
    move: chess.Move
    after: chess.Board


@dataclass(slots=True)
class Scene:
    """A sentence and all that it may speak of. `line` holds the boards of the refutation, the first after the slip."""

    text: str
    before: chess.Board
    slip: chess.Move
    line: list[chess.Board]
    moves: list[chess.Move]
    best: list[chess.Board]
    steps: list[Step] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)

    @property
    def after(self) -> chess.Board:
        """After the slip."""
        return self.line[0]

    @property
    def victim(self) -> chess.Color:
        """The side that slipped."""
        return self.before.turn

    def last(self, place: int) -> Step | None:
        """The move told last before `place`."""
        steps = [step for step in self.steps if step.stop <= place]
        return steps[-1] if steps else None

    def boards(self, place: int | None = None) -> list[chess.Board]:
        """The boards that words at `place` may mean: after the move told last; else all that are known."""
        step = self.last(place) if place is not None else None
        known = [step.after] if step is not None else []
        return known or [self.before, *self.line, *self.best, *(step.after for step in self.steps)]

    def everywhere(self) -> list[chess.Board]:
        """Every board known."""
        told = [board for step in self.steps for board in (step.before, step.after)]
        return [self.before, *self.line, *self.best, *told]

    def read_moves(self) -> None:
        """Find the moves told and walk them."""
        for found in SAN.finditer(self.text):
            bare = re.fullmatch(r"[a-h][1-8]", found[0])
            lead = self.text[: found.start()]
            if bare and PLAIN_SQUARE.search(lead) and not MOVE_AFTER_TO.search(lead):
                continue
            step = self._walk(found, lead)
            if step is not None:
                self.steps.append(step)
            elif not bare:
                self.wrong.append(f"no such move: {found[0]}")
            elif not has_to_do(self.everywhere(), chess.parse_square(found[0])):
                self.wrong.append(f"nothing has to do with {found[0]}")

    def _walk(self, found: re.Match[str], lead: str) -> Step | None:
        for board in self._starts(lead, self.text[found.end() :]):
            try:
                move = board.parse_san(found[0])
            except ValueError:
                continue
            after = board.copy(stack=1)
            after.push(move)
            if not found[0].endswith("+") or after.is_check():
                return Step(found.start(), found.end(), board, move, after)
        return None

    def _starts(self, lead: str, rest: str) -> list[chess.Board]:
        """The boards from which a move may be meant, by the words around it, the likeliest first."""
        told = [step.after for step in self.steps]
        if re.search(r"\b(?:threatens|prepares) $", lead):
            return [passed_over(told[0])] if told else []
        if re.search(r"\bit (?:fails to|allows) $", lead):  # the better move, played too late
            late = told[-1].copy(stack=1)
            try:
                late.push_san(self.text[self.steps[0].start : self.steps[0].stop])
            except ValueError:
                return []
            return [late]
        of_best = re.match(r" (?:would have won|came first|had to be played)", rest)
        if of_best or re.search(r"(?:better was|was free:) $", lead):
            return [self.before]
        if lead.endswith("where ") and told:  # after what was lured has taken
            bait, lured = self.steps[-1].move.to_square, re.search(rf"lures the {KIND} to", lead)
            takes = [move for move in told[-1].legal_moves if move.to_square == bait]
            kind = KINDS[lured[1]] if lured else None
            return [after_move(told[-1], move) for move in takes if told[-1].piece_type_at(move.from_square) == kind]
        if lead.endswith(("now ", "; ", "; after ")):
            return [self.after, self.before]
        if self.steps and re.fullmatch(r",? ?", self.text[self.steps[-1].stop : len(lead)]):
            return [told[-1]]
        return [*told[-1:], self.after, *told[:1], self.before, *self.line, *told]


def passed_over(board: chess.Board) -> chess.Board:
    copy = board.copy(stack=False)
    copy.turn, copy.ep_square = not copy.turn, None
    return copy


def after_move(board: chess.Board, move: chess.Move) -> chess.Board:
    after = board.copy(stack=1)
    after.push(move)
    return after


def has_to_do(boards: Sequence[chess.Board], square: chess.Square) -> bool:
    return any(
        board.piece_at(square) or board.attackers(chess.WHITE, square) or board.attackers(chess.BLACK, square)
        for board in boards
    )


Check = Callable[[Scene, "re.Match[str]"], bool]


def square_of(name: str) -> chess.Square:
    return chess.parse_square(name)


def stands(board: chess.Board, kind: str, square: str) -> bool:
    return board.piece_type_at(square_of(square)) == KINDS[kind]


def pinned(board: chess.Board, front: str, rear: str | None, kind: str = "king") -> bool:
    """Whether, without the man on `front`, an enemy line piece would attack a man of its colour behind it."""
    square = square_of(front)
    owner = board.color_at(square)
    if owner is None:
        return False
    trial = board.copy(stack=False)
    trial.remove_piece_at(square)
    targets = [square_of(rear)] if rear else list(board.pieces(KINDS[kind], owner))
    return any(
        chess.between(attacker, target) & chess.BB_SQUARES[square]
        for target in targets
        if board.color_at(target) == owner
        for attacker in trial.attackers(not owner, target)
    )


def attacked(board: chess.Board, kind: str, square: str) -> bool:
    owner = board.color_at(square_of(square))
    return owner is not None and stands(board, kind, square) and board.is_attacked_by(not owner, square_of(square))


def step_before(scene: Scene, found: re.Match[str]) -> Step | None:
    return scene.last(found.start())


def of_move(kind: Callable[[Step, re.Match[str]], bool]) -> Check:
    """A claim about the move told just before it."""

    def check(scene: Scene, found: re.Match[str]) -> bool:
        step = step_before(scene, found)
        return step is not None and kind(step, found)

    return check


def captured(step: Step) -> tuple[int | None, int]:
    if step.before.is_en_passant(step.move):
        square = chess.square(chess.square_file(step.move.to_square), chess.square_rank(step.move.from_square))
        return chess.PAWN, square
    return step.before.piece_type_at(step.move.to_square), step.move.to_square


def ahead_by(board: chess.Board, side: chess.Color) -> int:
    return sum(WORTH[man.piece_type] * (1 if man.color == side else -1) for man in board.piece_map().values())


MEN = rf"{MAN}(?: and {MAN})?"
PAIR = rf"the {KIND}s on {SQUARE} and {SQUARE}"
