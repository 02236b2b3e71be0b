"""What a sentence about a finding claims, held against the board: moves, men, squares, and what is said of them.

It reads the English and knows the rules of chess (python-chess), nothing else: no code of trapscan's. A move in SAN
must be legal where the sentence stands: it goes on from the move before it, or begins anew after the slip, after the
answer, or before the slip. What is said of a move is looked for on the board after it.
"""

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
_P = "(king|queen|rook|bishop|knight|pawn)"
_S = "([a-h][1-8])"
_M = rf"the {_P} on {_S}"
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
            elif not _has_to_do(self.everywhere(), chess.parse_square(found[0])):
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
            return [_passed(told[0])] if told else []
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
            bait, lured = self.steps[-1].move.to_square, re.search(rf"lures the {_P} to", lead)
            takes = [move for move in told[-1].legal_moves if move.to_square == bait]
            kind = KINDS[lured[1]] if lured else None
            return [_after(told[-1], move) for move in takes if told[-1].piece_type_at(move.from_square) == kind]
        if lead.endswith(("now ", "; ", "; after ")):
            return [self.after, self.before]
        if self.steps and re.fullmatch(r",? ?", self.text[self.steps[-1].stop : len(lead)]):
            return [told[-1]]
        return [*told[-1:], self.after, *told[:1], self.before, *self.line, *told]


def _passed(board: chess.Board) -> chess.Board:
    copy = board.copy(stack=False)
    copy.turn, copy.ep_square = not copy.turn, None
    return copy


def _after(board: chess.Board, move: chess.Move) -> chess.Board:
    after = board.copy(stack=1)
    after.push(move)
    return after


def _has_to_do(boards: Sequence[chess.Board], square: chess.Square) -> bool:
    return any(
        board.piece_at(square) or board.attackers(chess.WHITE, square) or board.attackers(chess.BLACK, square)
        for board in boards
    )


Check = Callable[[Scene, "re.Match[str]"], bool]


def _sq(name: str) -> chess.Square:
    return chess.parse_square(name)


def _is(board: chess.Board, kind: str, square: str) -> bool:
    return board.piece_type_at(_sq(square)) == KINDS[kind]


def _pinned(board: chess.Board, front: str, rear: str | None, kind: str = "king") -> bool:
    """Whether, without the man on `front`, an enemy line piece would attack a man of its colour behind it."""
    square = _sq(front)
    owner = board.color_at(square)
    if owner is None:
        return False
    trial = board.copy(stack=False)
    trial.remove_piece_at(square)
    targets = [_sq(rear)] if rear else list(board.pieces(KINDS[kind], owner))
    return any(
        chess.between(attacker, target) & chess.BB_SQUARES[square]
        for target in targets
        if board.color_at(target) == owner
        for attacker in trial.attackers(not owner, target)
    )


def _attacked(board: chess.Board, kind: str, square: str) -> bool:
    owner = board.color_at(_sq(square))
    return owner is not None and _is(board, kind, square) and board.is_attacked_by(not owner, _sq(square))


def _steps_before(scene: Scene, found: re.Match[str]) -> Step | None:
    return scene.last(found.start())


def _by(kind: Callable[[Step, re.Match[str]], bool]) -> Check:
    """A claim about the move told just before it."""

    def check(scene: Scene, found: re.Match[str]) -> bool:
        step = _steps_before(scene, found)
        return step is not None and kind(step, found)

    return check


def _captured(step: Step) -> tuple[int | None, int]:
    if step.before.is_en_passant(step.move):
        square = chess.square(chess.square_file(step.move.to_square), chess.square_rank(step.move.from_square))
        return chess.PAWN, square
    return step.before.piece_type_at(step.move.to_square), step.move.to_square


def _forks(step: Step, found: re.Match[str]) -> bool:
    aimed = step.after.attacks(step.move.to_square)
    pairs = [(found[i], found[i + 1]) for i in range(1, len(found.groups()), 2) if found[i]]
    return all(_is(step.after, kind, square) and _sq(square) in aimed for kind, square in pairs)


def _forks_king(step: Step, found: re.Match[str]) -> bool:
    return step.after.is_check() and _forks(step, found)


def _forks_two(step: Step, found: re.Match[str]) -> bool:
    aimed = step.after.attacks(step.move.to_square)
    return all(_is(step.after, found[1], found[i]) and _sq(found[i]) in aimed for i in (2, 3))


def _skewers(step: Step, found: re.Match[str]) -> bool:
    front, rear = _sq(found[2]), _sq(found[4])
    line = chess.between(step.move.to_square, rear) & chess.BB_SQUARES[front]
    return bool(line) and front in step.after.attacks(step.move.to_square) and _is(step.after, found[3], found[4])


def _hits(step: Step, found: re.Match[str]) -> bool:
    pairs = [(found[i], found[i + 1]) for i in range(1, len(found.groups()), 2) if found[i]]
    return all(_attacked(step.after, kind, square) for kind, square in pairs)


def _hits_two(step: Step, found: re.Match[str]) -> bool:
    return all(_attacked(step.after, found[1], found[i]) for i in (2, 3))


def _trapped(step: Step, found: re.Match[str]) -> bool:
    """Attacked, and wherever it goes within reach it can be taken at no less than what it takes."""
    board, square = step.after, _sq(found[2])
    if not _attacked(board, found[1], found[2]):
        return False
    for move in board.legal_moves:
        if move.from_square == square:
            kind = board.piece_type_at(move.to_square)
            gained = WORTH[kind] if kind else 0
            child = board.copy(stack=False)
            child.push(move)
            if gained >= WORTH[KINDS[found[1]]] or not child.is_attacked_by(child.turn, move.to_square):
                return False
    return True


def _takes(step: Step, found: re.Match[str]) -> bool:
    return step.before.is_capture(step.move) and _captured(step) == (KINDS[found[1]], _sq(found[2]))


def _only_king(step: Step, found: re.Match[str]) -> bool:
    board, square = step.before, step.move.to_square
    guards = board.attackers(not board.turn, square)
    return _captured(step) == (chess.PAWN, square) and all(board.piece_type_at(s) == chess.KING for s in guards)


def _uncovers(step: Step, found: re.Match[str]) -> bool:
    slider, target = _sq(found[2]), _sq(found[4])
    opened = chess.between(slider, target) & chess.BB_SQUARES[step.move.from_square]
    return bool(opened) and target in step.after.attacks(slider) and _is(step.after, found[1], found[2])


def _uncovers_check(step: Step, found: re.Match[str]) -> bool:
    return _sq(found[2]) in step.after.checkers() and step.move.to_square != _sq(found[2])


def _guard_taken(step: Step, found: re.Match[str]) -> bool:
    right = _captured(step) == (KINDS[found[1]], _sq(found[2]))
    return right and _sq(found[4]) in step.before.attacks(_sq(found[2])) and _is(step.before, found[3], found[4])


def _drawn(step: Step, found: re.Match[str]) -> bool:
    """It stands there, and guards what it is drawn from."""
    goal = _sq(found[4])
    return _is(step.after, found[1], found[2]) and goal in step.after.attacks(_sq(found[2]))


def _lures(scene: Scene, found: re.Match[str]) -> bool:
    step, bait = _steps_before(scene, found), _sq(found[2])
    later = [each for each in scene.steps if each.start > found.start()]
    if step is None or step.move.to_square != bait or not later:
        return False
    return bait in later[0].after.attacks(later[0].move.to_square) and _is(later[0].after, found[1], found[2])


def _cut_off(step: Step, found: re.Match[str]) -> bool:
    return bool(chess.between(_sq(found[2]), _sq(found[4])) & chess.BB_SQUARES[step.move.to_square])


def _outnumbered(scene: Scene, found: re.Match[str]) -> bool:
    board, square = scene.after, _sq(found[1])
    hits, guards = board.attackers(board.turn, square), board.attackers(not board.turn, square)
    return len(hits) == TIMES[found[2]] and len(guards) == TIMES[found[3]]


def _hanging(scene: Scene, found: re.Match[str]) -> bool:
    board, square = scene.after, _sq(found[2])
    loose = not board.attackers(scene.victim, square)
    return loose and _attacked(board, found[1], found[2]) and board.color_at(square) == scene.victim


def _nothing_for(scene: Scene, found: re.Match[str]) -> bool:
    """It was attacked before the slip already, and the slip does not guard it."""
    square = _sq(found[2])
    old = scene.before.is_attacked_by(not scene.victim, square) and _is(scene.before, found[1], found[2])
    return old and square not in scene.after.attacks(scene.slip.to_square)


def _gives_up_guard(scene: Scene, found: re.Match[str]) -> bool:
    square = _sq(found[2])
    held = square in scene.before.attacks(scene.slip.from_square) and _is(scene.after, found[1], found[2])
    return held and square not in scene.after.attacks(scene.slip.to_square)


def _gives_up_square(scene: Scene, found: re.Match[str]) -> bool:
    square = _sq(found[1])
    held = square in scene.before.attacks(scene.slip.from_square)
    return held and square not in scene.after.attacks(scene.slip.to_square)


def _opens_line(scene: Scene, found: re.Match[str]) -> bool:
    line = chess.between(scene.moves[0].from_square, _sq(found[2]))
    return bool(line & chess.BB_SQUARES[scene.slip.from_square]) and _is(scene.after, found[1], found[2])


def _opened_by_slip(scene: Scene, found: re.Match[str]) -> bool:
    step = _steps_before(scene, found)
    line = chess.between(step.move.to_square, _sq(found[2])) if step is not None else 0
    return bool(line & chess.BB_SQUARES[scene.slip.from_square])


def _slip_cuts(scene: Scene, found: re.Match[str]) -> bool:
    line = chess.between(_sq(found[2]), _sq(found[4]))
    return bool(line & chess.BB_SQUARES[scene.slip.to_square]) and _is(scene.after, found[1], found[2])


def _may_not(scene: Scene, found: re.Match[str]) -> bool:
    """It is pinned so that it may not take what has just moved or taken."""
    square = _sq(found[2])
    for board in [step.after for step in scene.steps] + scene.line:
        goal = board.peek().to_square if board.move_stack else None
        if goal is None or not _is(board, found[1], found[2]) or goal not in board.attacks(square):
            continue
        if board.color_at(square) != board.turn or board.color_at(goal) == board.turn:
            continue
        if not any(move.from_square == square and move.to_square == goal for move in board.legal_moves):
            return _pinned(board, found[2], None)
    return False


def _moves_again(scene: Scene, found: re.Match[str]) -> bool:
    return any(move.from_square == scene.slip.to_square for move in scene.moves[:7])


def _weakens(scene: Scene, found: re.Match[str]) -> bool:
    square = _sq(found[1])
    held = square in scene.before.attacks(scene.slip.from_square)
    return held and not scene.after.attackers(scene.victim, square)


def _free(scene: Scene, found: re.Match[str]) -> bool:
    square = _sq(found[2])
    return _is(scene.before, found[1], found[2]) and not scene.before.attackers(not scene.victim, square)


def _in_the_way_of_best(scene: Scene, found: re.Match[str]) -> bool:
    return scene.slip.to_square == _sq(found[2]) and _is(scene.after, found[1], found[2])


def _now_guards(scene: Scene, found: re.Match[str]) -> bool:
    board = scene.line[1]
    return _sq(found[1]) in board.attacks(scene.moves[0].to_square)


def _mate_told(step: Step, found: re.Match[str]) -> bool:
    return step.after.is_checkmate()


def _mates(scene: Scene, found: re.Match[str]) -> bool:
    step = scene.last(found.end())
    return step is not None and step.after.is_checkmate()


def _gave_bishop(scene: Scene, found: re.Match[str]) -> bool:
    gave, got = scene.before.piece_type_at(scene.slip.from_square), scene.before.piece_type_at(scene.slip.to_square)
    back = scene.moves[0].to_square == scene.slip.to_square
    return gave == chess.BISHOP and got == chess.KNIGHT and back and SIDES[found[1]] == scene.victim


def _given(scene: Scene, found: re.Match[str]) -> bool:
    took = scene.before.is_capture(scene.slip)
    return took and scene.moves[0].to_square == scene.slip.to_square and SIDES[found[1]] == scene.victim


def _ahead_by(board: chess.Board, side: chess.Color) -> int:
    return sum(WORTH[man.piece_type] * (1 if man.color == side else -1) for man in board.piece_map().values())


# --- themes ----------------------------------------------------------------------------------------------------------


def _no_castling(scene: Scene, found: re.Match[str]) -> bool:
    """The victim could castle before the slip, and the king comes to stand there without the right, not by castling."""
    castled = scene.before.is_castling(scene.slip)
    for index, board in enumerate(scene.line):
        if board.king(scene.victim) == _sq(found[1]) and not board.has_castling_rights(scene.victim):
            return scene.before.has_castling_rights(scene.victim) and not castled
        if index < len(scene.moves):
            castled = castled or (board.turn == scene.victim and board.is_castling(scene.moves[index]))
    return False


def _driven(scene: Scene, hunter: str, at: str, hunted: str, home: str) -> bool:
    """In reply to a move of the hunter to `at` the hunted piece, which it attacks there, leaves `home`."""
    for index in range(len(scene.moves) - 1):
        after, reply = scene.line[index + 1], scene.moves[index + 1]
        met = scene.moves[index].to_square == _sq(at) and reply.from_square == _sq(home)
        if met and _is(after, hunter, at) and _is(after, hunted, home):
            return True
    return False


def _second_time(scene: Scene, found: re.Match[str]) -> bool:
    reply = scene.moves[1] if len(scene.moves) > 1 else None
    return reply is not None and reply.from_square == scene.slip.to_square and reply.to_square == _sq(found[2])


def _centre(scene: Scene, found: re.Match[str]) -> bool:
    one, other, owner = _sq(found[1]), _sq(found[2]), not scene.victim

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
    front, behind = _sq(found[2]), _sq(found[3])
    step = 8 if scene.victim else -8
    return front - behind == step and any(_is(b, found[1], found[2]) and _is(b, "pawn", found[3]) for b in scene.line)


def _best_square(scene: Scene, found: re.Match[str]) -> bool:
    board, knight, square = scene.after, _sq(found[3]), _sq(found[2])
    return _is(board, found[1], found[2]) and _is(board, "knight", found[3]) and square in board.attacks(knight)


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
    return any(_is(b, "knight", found[1]) and not _enemy_pawns(b, _sq(found[1]), (-1, 1)) for b in scene.line)


def _is_passed(scene: Scene, found: re.Match[str]) -> bool:
    return any(_is(b, "pawn", found[1]) and not _enemy_pawns(b, _sq(found[1]), (-1, 0, 1)) for b in scene.line)


def _is_isolated(scene: Scene, found: re.Match[str]) -> bool:
    square = _sq(found[1])
    file = chess.square_file(square)

    def alone(board: chess.Board) -> bool:
        own = board.pieces(chess.PAWN, scene.victim)
        return square in own and not any(abs(chess.square_file(pawn) - file) == 1 for pawn in own)

    return any(map(alone, scene.line))


def _takes_room(scene: Scene, found: re.Match[str]) -> bool:
    side, square = not SIDES[found[2]], _sq(found[1])
    far = chess.square_rank(square) >= 4 if side else chess.square_rank(square) <= 3
    return far and any(b.piece_at(square) == chess.Piece(chess.PAWN, side) for b in scene.line)


def _are_doubled(scene: Scene, found: re.Match[str]) -> bool:
    one, other = _sq(found[1]), _sq(found[2])
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
    return any(not b.queens and _ahead_by(b, side) > 0 for b in scene.line)


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
        return not pawns and _is(board, "king", found[2]) and _is(board, found[3], found[4])

    return _sq(found[2]) in squares and _sq(found[4]) in squares and any(map(is_open, scene.line))


_TWO = rf"{_M}(?: and {_M})?"
_PAIR = rf"the {_P}s on {_S} and {_S}"

CHECKS: tuple[tuple[re.Pattern[str], Check], ...] = (
    (re.compile(rf"forks the king and {_M}"), _by(_forks_king)),
    (re.compile(rf"forks {_TWO}"), _by(_forks)),
    (re.compile(rf"forks {_PAIR}"), _by(_forks_two)),
    (re.compile(rf"checks and hits {_M}"), _by(_forks_king)),
    (re.compile(rf"(?:hits|attacks(?: both)?|chases) {_TWO}"), _by(_hits)),
    (re.compile(rf"(?:hits|attacks) {_PAIR}"), _by(_hits_two)),
    (re.compile(rf"hits {_M} and, behind it, {_M}"), _by(_skewers)),
    (re.compile(rf"pins {_M} against {_M}"), _by(lambda s, f: _pinned(s.after, f[2], f[4]))),
    (
        re.compile(rf"{_M} is pinned against {_M}"),
        lambda scene, f: any(_pinned(b, f[2], f[4]) and _is(b, f[1], f[2]) for b in scene.everywhere()),
    ),
    (re.compile(rf"{_M} is pinned (?:against {_M} )?and cannot take"), _may_not),
    (re.compile(rf"traps {_M}"), _by(_trapped)),
    (re.compile(rf"takes {_M}, the guard of {_M}"), _by(_guard_taken)),
    (re.compile(rf"(?<!it )takes {_M}"), _by(_takes)),
    (re.compile("takes the pawn that only the king guards"), _by(_only_king)),
    (re.compile("simply takes"), _by(lambda s, f: s.before.is_capture(s.move))),
    (re.compile("gives check with two pieces at once"), _by(lambda s, f: len(s.after.checkers()) == 2)),
    (re.compile(rf"uncovers {_M} against {_M}"), _by(_uncovers)),
    (re.compile(rf"uncovers a check from {_M}"), _by(_uncovers_check)),
    (re.compile(rf"draws {_M} away from (?:the {_P} on )?{_S}"), _by(_drawn)),
    (re.compile(rf"overloads {_M}, which must also guard (?:the {_P} on )?{_S}"), _by(_drawn)),
    (re.compile(rf"lures the {_P} to {_S}, where"), _lures),
    (re.compile(rf"cuts {_M} off from (?:the {_P} on )?{_S}(?!, and)"), _by(_cut_off)),
    (re.compile(rf"cuts {_M} off from {_M}, and"), _slip_cuts),
    (re.compile(rf"{_S} is attacked (\w+(?: times)?) and guarded (\w+(?: times)?)"), _outnumbered),
    (re.compile(rf"leaves {_M} hanging"), _hanging),
    (re.compile(rf"nothing guards {_M}", re.IGNORECASE), _hanging),
    (re.compile(rf"does nothing for {_M}"), _nothing_for),
    (re.compile(rf"gives up the guard of {_M}"), _gives_up_guard),
    (re.compile(rf"opens the line to {_M}"), _opens_line),
    (re.compile(rf"(?:hits|chases) the {_P} on {_S} along the line that"), _opened_by_slip),
    (re.compile("which must move again"), _moves_again),
    (re.compile(rf"weakens {_S}"), _weakens),
    (re.compile(rf"the {_P} no longer guards {_S}"), lambda scene, f: _no_longer(scene, f)),
    (re.compile(rf"{_M} was free", re.IGNORECASE), _free),
    (
        re.compile(rf"{_M} was there to be taken", re.IGNORECASE),
        lambda scene, f: _is(scene.before, f[1], f[2]) and scene.before.color_at(_sq(f[2])) != scene.victim,
    ),
    (re.compile(rf"now {_M} stands in the way"), _in_the_way_of_best),
    (re.compile(rf"now \S+ guards {_S}"), _now_guards),
    (re.compile(r"(?:is|allows \S+|overlooks \S+) mate\b"), _mates),
    (re.compile(rf"gives up the guard of {_S}"), _gives_up_square),
    (re.compile("is a smothered mate|mates on the back rank"), _by(_mate_told)),
    (re.compile("(White|Black) has given the bishop for a knight"), _gave_bishop),
    (re.compile("takes back, and (White|Black) has given"), _given),
    (re.compile("takes back(?! on)"), lambda scene, f: scene.moves[0].to_square == scene.slip.to_square),
    (re.compile(rf"the king on {_S} can no longer castle"), _no_castling),
    (re.compile(rf"{_M} drives the {_P} from {_S}"), lambda scene, f: _driven(scene, f[1], f[2], f[3], f[4])),
    (
        re.compile(rf"{_M} must leave at once before {_M}"),
        lambda scene, f: _driven(scene, f[3], f[4], f[1], f[2]),
    ),
    (re.compile(rf"the {_P} moves a second time, to {_S}"), _second_time),
    (re.compile(rf"the pawns on {_S} and {_S} hold the centre"), _centre),
    (re.compile(r"(White|Black) is (\w+) pieces ahead in development"), _ahead),
    (re.compile(rf"the {_P} on {_S} stands in the way of the pawn on {_S}"), _in_the_way),
    (re.compile(rf"the {_P} on {_S} takes the best square from the knight on {_S}"), _best_square),
    (re.compile(rf"no pawn can drive away the knight on {_S}"), _safe_knight),
    (re.compile(rf"the pawn on {_S} is passed"), _is_passed),
    (re.compile(rf"the pawn on {_S} is isolated"), _is_isolated),
    (re.compile(rf"the pawn on {_S} takes room from (White|Black)"), _takes_room),
    (re.compile(rf"the pawns on {_S} and {_S} are doubled"), _are_doubled),
    (re.compile(r"(White|Black) has both bishops, (White|Black) has not"), _both_bishops),
    (re.compile(r"the queens are off and (White|Black) is ahead in material"), _queens_off),
    (re.compile(r"(White|Black)'s pieces command more squares"), _more_squares),
    (re.compile(rf"the ([a-h])-file to the king on {_S} is open to the {_P} on {_S}"), _open_file),
)


def _no_longer(scene: Scene, found: re.Match[str]) -> bool:
    square = _sq(found[2])
    mine = scene.before.piece_type_at(scene.slip.from_square) == KINDS[found[1]]
    held = square in scene.before.attacks(scene.slip.from_square)
    return mine and held and square not in scene.after.attacks(scene.slip.to_square)


# --- why it tempts ---------------------------------------------------------------------------------------------------


def _slip_hits(scene: Scene, found: re.Match[str]) -> bool:
    pairs = [(found[i], found[i + 1]) for i in range(1, len(found.groups()), 2) if found[i]]
    return all(_attacked(scene.after, kind, square) for kind, square in pairs)


def _slip_hits_two(scene: Scene, found: re.Match[str]) -> bool:
    return all(_attacked(scene.after, found[1], found[i]) for i in (2, 3))


def _slip_takes(scene: Scene, found: re.Match[str]) -> bool:
    step = Step(0, 0, scene.before, scene.slip, scene.after)
    return scene.before.is_capture(scene.slip) and _captured(step) == (KINDS[found[1]], _sq(found[2]))


def _free_of_pin(scene: Scene, found: re.Match[str]) -> bool:
    """Something of more worth stood behind it; now the line is shut, or what stood behind has gone."""
    square = _sq(found[2])

    def line_behind(board: chess.Board) -> set[tuple[int, int]]:
        pairs = set()
        for target in chess.SquareSet(board.occupied_co[scene.victim]):
            if board.piece_type_at(target) != chess.PAWN and _pinned(board, found[2], chess.square_name(target)):
                pairs.add((square, target))
        return pairs

    return line_behind(scene.after) != line_behind(scene.before) and _is(scene.before, found[1], found[2])


def _slip_guards(scene: Scene, found: re.Match[str]) -> bool:
    own = scene.after.color_at(_sq(found[2])) == scene.victim
    return own and _is(scene.after, found[1], found[2]) and bool(scene.after.attackers(scene.victim, _sq(found[2])))


def _slip_develops(scene: Scene, found: re.Match[str]) -> bool:
    right = scene.before.piece_type_at(scene.slip.from_square) == KINDS[found[1]]
    return right and (not found[2] or scene.slip.to_square == _sq(found[2]))


def _no_mate_now(scene: Scene, found: re.Match[str]) -> bool:
    def mates(board: chess.Board) -> bool:
        for move in board.legal_moves:
            child = board.copy(stack=False)
            child.push(move)
            if child.is_checkmate():
                return True
        return False

    return mates(_passed(scene.before)) and not mates(scene.after)


def _mate_next(scene: Scene, found: re.Match[str]) -> bool:
    board = _passed(scene.after)
    for move in board.legal_moves:
        child = board.copy(stack=False)
        child.push(move)
        if child.is_checkmate() and move.to_square == _sq(found[1]):
            return True
    return False


def _controls(scene: Scene, found: re.Match[str]) -> bool:
    return _sq(found[1]) in scene.after.attacks(scene.slip.to_square)


OF_SLIP: tuple[tuple[re.Pattern[str], Check], ...] = (
    (re.compile(rf"(?:attacks|attacking|attack on|chases|goes for|strikes at|goes after|aims at) {_TWO}"), _slip_hits),
    (re.compile(rf"(?:attacks|strikes at) {_PAIR}"), _slip_hits_two),
    (re.compile(rf"takes {_M}"), _slip_takes),
    (
        re.compile(rf"takes back on {_S}"),
        lambda scene, f: scene.before.is_capture(scene.slip) and scene.slip.to_square == _sq(f[1]),
    ),
    (re.compile(r"with check|gives check"), lambda scene, f: scene.after.is_check()),
    (re.compile(rf"pins {_M} against the {_P}"), lambda scene, f: _pinned(scene.after, f[2], None, f[3])),
    (re.compile(rf"breaks the pin on {_M}"), _free_of_pin),
    (re.compile(rf"(?:protects|lends support to) {_M}"), _slip_guards),
    (re.compile(rf"(?:develops|puts) the {_P}(?: to {_S}| on a more active square, {_S})?"), _slip_develops),
    (re.compile(rf"brings the (queen) into play on {_S}"), _slip_develops),
    (re.compile(rf"threatens mate on {_S}"), _mate_next),
    (re.compile(rf"stops the mate on {_S}"), _no_mate_now),
    (re.compile(rf"takes {_S} under control"), _controls),
    (re.compile(rf"keeps enemy pieces away from {_S}"), _controls),
    (
        re.compile(r"offers to trade queens"),
        lambda scene, f: any(
            s in scene.after.attacks(scene.slip.to_square) for s in chess.SquareSet(scene.after.queens)
        ),
    ),
    (
        re.compile(rf"takes the {_P} out of the attack"),
        lambda scene, f: scene.before.is_attacked_by(not scene.victim, scene.slip.from_square),
    ),
    (
        re.compile(rf"opens the way for the bishop on {_S}"),
        lambda scene, f: len(scene.after.attacks(_sq(f[1]))) > len(scene.before.attacks(_sq(f[1]))),
    ),
    (
        re.compile(rf"makes room on {_S} for the bishop"),
        lambda scene, f: not scene.after.piece_at(_sq(f[1])) and bool(scene.before.piece_at(_sq(f[1]))),
    ),
)

NAMED = re.compile(rf"\b{_P} on {_S}")


def false_claims(
    board: chess.Board,
    slip: chess.Move,
    refutation: Sequence[str],
    sentence: str,
    best: Sequence[str] = (),
) -> list[str]:
    """The claims of `sentence` that no board bears out; empty if all is true. `board` stands before the slip; lines in
    UCI, `best` the victim's. A sentence that begins with "It" speaks of the slip."""
    of_slip = sentence.startswith("It ")
    line, moves = _played(board, [slip.uci(), *refutation])
    rival, _ = _played(board, best[:9])
    scene = Scene(sentence, board, slip, line[1:], moves[1:], rival[1:])
    if not of_slip:
        scene.read_moves()
    known = [board, scene.after] if of_slip else scene.everywhere()
    wrong = list(scene.wrong)
    for found in NAMED.finditer(sentence):
        if not any(_is(each, found[1], found[2]) for each in known):
            wrong.append(f"no {found[0]}")
    for pattern, holds in OF_SLIP if of_slip else CHECKS:
        wrong += [f"not so: {found[0]}" for found in pattern.finditer(sentence) if not holds(scene, found)]
    return wrong


def _played(board: chess.Board, line: Sequence[str]) -> tuple[list[chess.Board], list[chess.Move]]:
    boards, moves = [board.copy(stack=1)], []
    for uci in line:
        move = chess.Move.from_uci(uci)
        if not boards[-1].is_legal(move):
            break
        after = boards[-1].copy(stack=1)
        after.push(move)
        boards.append(after)
        moves.append(move)
    return boards, moves
