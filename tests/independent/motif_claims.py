"""What sentences claim of the refutation's moves, held against the board."""

from __future__ import annotations

import re

import chess

from tests.independent.scene import (
    KIND,
    KINDS,
    MAN,
    MEN,
    PAIR,
    SIDES,
    SQUARE,
    TIMES,
    WORTH,
    Check,
    Scene,
    Step,
    attacked,
    captured,
    of_move,
    pinned,
    square_of,
    stands,
    step_before,
)


def _forks(step: Step, found: re.Match[str]) -> bool:
    aimed = step.after.attacks(step.move.to_square)
    pairs = [(found[i], found[i + 1]) for i in range(1, len(found.groups()), 2) if found[i]]
    return all(stands(step.after, kind, square) and square_of(square) in aimed for kind, square in pairs)


def _forks_king(step: Step, found: re.Match[str]) -> bool:
    return step.after.is_check() and _forks(step, found)


def _forks_two(step: Step, found: re.Match[str]) -> bool:
    aimed = step.after.attacks(step.move.to_square)
    return all(stands(step.after, found[1], found[i]) and square_of(found[i]) in aimed for i in (2, 3))


def _skewers(step: Step, found: re.Match[str]) -> bool:
    front, rear = square_of(found[2]), square_of(found[4])
    line = chess.between(step.move.to_square, rear) & chess.BB_SQUARES[front]
    return bool(line) and front in step.after.attacks(step.move.to_square) and stands(step.after, found[3], found[4])


def _hits(step: Step, found: re.Match[str]) -> bool:
    pairs = [(found[i], found[i + 1]) for i in range(1, len(found.groups()), 2) if found[i]]
    return all(attacked(step.after, kind, square) for kind, square in pairs)


def _hits_two(step: Step, found: re.Match[str]) -> bool:
    return all(attacked(step.after, found[1], found[i]) for i in (2, 3))


def _trapped(step: Step, found: re.Match[str]) -> bool:
    """Attacked, and wherever it goes within reach it can be taken at no less than what it takes."""
    board, square = step.after, square_of(found[2])
    if not attacked(board, found[1], found[2]):
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
    return step.before.is_capture(step.move) and captured(step) == (KINDS[found[1]], square_of(found[2]))


def _only_king(step: Step, found: re.Match[str]) -> bool:
    board, square = step.before, step.move.to_square
    guards = board.attackers(not board.turn, square)
    return captured(step) == (chess.PAWN, square) and all(board.piece_type_at(s) == chess.KING for s in guards)


def _uncovers(step: Step, found: re.Match[str]) -> bool:
    slider, target = square_of(found[2]), square_of(found[4])
    opened = chess.between(slider, target) & chess.BB_SQUARES[step.move.from_square]
    return bool(opened) and target in step.after.attacks(slider) and stands(step.after, found[1], found[2])


def _uncovers_check(step: Step, found: re.Match[str]) -> bool:
    return square_of(found[2]) in step.after.checkers() and step.move.to_square != square_of(found[2])


def _guard_taken(step: Step, found: re.Match[str]) -> bool:
    right = captured(step) == (KINDS[found[1]], square_of(found[2]))
    return (
        right
        and square_of(found[4]) in step.before.attacks(square_of(found[2]))
        and stands(step.before, found[3], found[4])
    )


def _drawn(step: Step, found: re.Match[str]) -> bool:
    """It stands there, and guards what it is drawn from."""
    goal = square_of(found[4])
    return stands(step.after, found[1], found[2]) and goal in step.after.attacks(square_of(found[2]))


def _lures(scene: Scene, found: re.Match[str]) -> bool:
    step, bait = step_before(scene, found), square_of(found[2])
    later = [each for each in scene.steps if each.start > found.start()]
    if step is None or step.move.to_square != bait or not later:
        return False
    return bait in later[0].after.attacks(later[0].move.to_square) and stands(later[0].after, found[1], found[2])


def _cut_off(step: Step, found: re.Match[str]) -> bool:
    return bool(chess.between(square_of(found[2]), square_of(found[4])) & chess.BB_SQUARES[step.move.to_square])


def _outnumbered(scene: Scene, found: re.Match[str]) -> bool:
    board, square = scene.after, square_of(found[1])
    hits, guards = board.attackers(board.turn, square), board.attackers(not board.turn, square)
    return len(hits) == TIMES[found[2]] and len(guards) == TIMES[found[3]]


def _hanging(scene: Scene, found: re.Match[str]) -> bool:
    board, square = scene.after, square_of(found[2])
    loose = not board.attackers(scene.victim, square)
    return loose and attacked(board, found[1], found[2]) and board.color_at(square) == scene.victim


def _nothing_for(scene: Scene, found: re.Match[str]) -> bool:
    """It was attacked before the slip already, and the slip does not guard it."""
    square = square_of(found[2])
    old = scene.before.is_attacked_by(not scene.victim, square) and stands(scene.before, found[1], found[2])
    return old and square not in scene.after.attacks(scene.slip.to_square)


def _gives_up_guard(scene: Scene, found: re.Match[str]) -> bool:
    square = square_of(found[2])
    held = square in scene.before.attacks(scene.slip.from_square) and stands(scene.after, found[1], found[2])
    return held and square not in scene.after.attacks(scene.slip.to_square)


def _gives_up_square(scene: Scene, found: re.Match[str]) -> bool:
    square = square_of(found[1])
    held = square in scene.before.attacks(scene.slip.from_square)
    return held and square not in scene.after.attacks(scene.slip.to_square)


def _opens_line(scene: Scene, found: re.Match[str]) -> bool:
    line = chess.between(scene.moves[0].from_square, square_of(found[2]))
    return bool(line & chess.BB_SQUARES[scene.slip.from_square]) and stands(scene.after, found[1], found[2])


def _opened_by_slip(scene: Scene, found: re.Match[str]) -> bool:
    step = step_before(scene, found)
    line = chess.between(step.move.to_square, square_of(found[2])) if step is not None else 0
    return bool(line & chess.BB_SQUARES[scene.slip.from_square])


def _slip_cuts(scene: Scene, found: re.Match[str]) -> bool:
    line = chess.between(square_of(found[2]), square_of(found[4]))
    return bool(line & chess.BB_SQUARES[scene.slip.to_square]) and stands(scene.after, found[1], found[2])


def _may_not(scene: Scene, found: re.Match[str]) -> bool:
    """It is pinned so that it may not take what has just moved or taken."""
    square = square_of(found[2])
    for board in [step.after for step in scene.steps] + scene.line:
        goal = board.peek().to_square if board.move_stack else None
        if goal is None or not stands(board, found[1], found[2]) or goal not in board.attacks(square):
            continue
        if board.color_at(square) != board.turn or board.color_at(goal) == board.turn:
            continue
        if not any(move.from_square == square and move.to_square == goal for move in board.legal_moves):
            return pinned(board, found[2], None)
    return False


def _moves_again(scene: Scene, found: re.Match[str]) -> bool:
    return any(move.from_square == scene.slip.to_square for move in scene.moves[:7])


def _weakens(scene: Scene, found: re.Match[str]) -> bool:
    square = square_of(found[1])
    held = square in scene.before.attacks(scene.slip.from_square)
    return held and not scene.after.attackers(scene.victim, square)


def _free(scene: Scene, found: re.Match[str]) -> bool:
    square = square_of(found[2])
    return stands(scene.before, found[1], found[2]) and not scene.before.attackers(not scene.victim, square)


def _in_the_way_of_best(scene: Scene, found: re.Match[str]) -> bool:
    return scene.slip.to_square == square_of(found[2]) and stands(scene.after, found[1], found[2])


def _now_guards(scene: Scene, found: re.Match[str]) -> bool:
    board = scene.line[1]
    return square_of(found[1]) in board.attacks(scene.moves[0].to_square)


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


def _no_longer(scene: Scene, found: re.Match[str]) -> bool:
    square = square_of(found[2])
    mine = scene.before.piece_type_at(scene.slip.from_square) == KINDS[found[1]]
    held = square in scene.before.attacks(scene.slip.from_square)
    return mine and held and square not in scene.after.attacks(scene.slip.to_square)


MOTIFS: tuple[tuple[re.Pattern[str], Check], ...] = (
    (re.compile(rf"forks the king and {MAN}"), of_move(_forks_king)),
    (re.compile(rf"forks {MEN}"), of_move(_forks)),
    (re.compile(rf"forks {PAIR}"), of_move(_forks_two)),
    (re.compile(rf"checks and hits {MAN}"), of_move(_forks_king)),
    (re.compile(rf"(?:hits|attacks(?: both)?|chases) {MEN}"), of_move(_hits)),
    (re.compile(rf"(?:hits|attacks) {PAIR}"), of_move(_hits_two)),
    (re.compile(rf"hits {MAN} and, behind it, {MAN}"), of_move(_skewers)),
    (re.compile(rf"pins {MAN} against {MAN}"), of_move(lambda s, f: pinned(s.after, f[2], f[4]))),
    (
        re.compile(rf"{MAN} is pinned against {MAN}"),
        lambda scene, f: any(pinned(b, f[2], f[4]) and stands(b, f[1], f[2]) for b in scene.everywhere()),
    ),
    (re.compile(rf"{MAN} is pinned (?:against {MAN} )?and cannot take"), _may_not),
    (re.compile(rf"traps {MAN}"), of_move(_trapped)),
    (re.compile(rf"takes {MAN}, the guard of {MAN}"), of_move(_guard_taken)),
    (re.compile(rf"(?<!it )takes {MAN}"), of_move(_takes)),
    (re.compile("takes the pawn that only the king guards"), of_move(_only_king)),
    (re.compile("simply takes"), of_move(lambda s, f: s.before.is_capture(s.move))),
    (re.compile("gives check with two pieces at once"), of_move(lambda s, f: len(s.after.checkers()) == 2)),
    (re.compile(rf"uncovers {MAN} against {MAN}"), of_move(_uncovers)),
    (re.compile(rf"uncovers a check from {MAN}"), of_move(_uncovers_check)),
    (re.compile(rf"draws {MAN} away from (?:the {KIND} on )?{SQUARE}"), of_move(_drawn)),
    (re.compile(rf"overloads {MAN}, which must also guard (?:the {KIND} on )?{SQUARE}"), of_move(_drawn)),
    (re.compile(rf"lures the {KIND} to {SQUARE}, where"), _lures),
    (re.compile(rf"cuts {MAN} off from (?:the {KIND} on )?{SQUARE}(?!, and)"), of_move(_cut_off)),
    (re.compile(rf"cuts {MAN} off from {MAN}, and"), _slip_cuts),
    (re.compile(rf"{SQUARE} is attacked (\w+(?: times)?) and guarded (\w+(?: times)?)"), _outnumbered),
    (re.compile(rf"leaves {MAN} hanging"), _hanging),
    (re.compile(rf"nothing guards {MAN}", re.IGNORECASE), _hanging),
    (re.compile(rf"does nothing for {MAN}"), _nothing_for),
    (re.compile(rf"gives up the guard of {MAN}"), _gives_up_guard),
    (re.compile(rf"opens the line to {MAN}"), _opens_line),
    (re.compile(rf"(?:hits|chases) the {KIND} on {SQUARE} along the line that"), _opened_by_slip),
    (re.compile("which must move again"), _moves_again),
    (re.compile(rf"weakens {SQUARE}"), _weakens),
    (re.compile(rf"the {KIND} no longer guards {SQUARE}"), _no_longer),
    (re.compile(rf"{MAN} was free", re.IGNORECASE), _free),
    (
        re.compile(rf"{MAN} was there to be taken", re.IGNORECASE),
        lambda scene, f: stands(scene.before, f[1], f[2]) and scene.before.color_at(square_of(f[2])) != scene.victim,
    ),
    (re.compile(rf"now {MAN} stands in the way"), _in_the_way_of_best),
    (re.compile(rf"now \S+ guards {SQUARE}"), _now_guards),
    (re.compile(r"(?:is|allows \S+|overlooks \S+) mate\b"), _mates),
    (re.compile(rf"gives up the guard of {SQUARE}"), _gives_up_square),
    (re.compile("is a smothered mate|mates on the back rank"), of_move(_mate_told)),
    (re.compile("(White|Black) has given the bishop for a knight"), _gave_bishop),
    (re.compile("takes back, and (White|Black) has given"), _given),
    (re.compile("takes back(?! on)"), lambda scene, f: scene.moves[0].to_square == scene.slip.to_square),
)
