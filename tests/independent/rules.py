"""What can be said about a finding without an engine: moves, positions, differing squares, material, sentences.

Everything here is written from the description of scan.json in README.md, not from trapscan's code.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import chess

from tests.independent.sentences import false_claims

Finding = dict[str, Any]
PAWNS = {chess.PAWN: 1, chess.KNIGHT: 3, chess.BISHOP: 3, chess.ROOK: 5, chess.QUEEN: 9, chess.KING: 0}
LEAST = {"pawn": 0.75, "exchange": 0.75, "piece": 0.75, "rook": 0.75, "queen": 1.5}
"""Pawns' worth that must be won, at least, by a plain count, for the gain to bear its name: what is given for it (a
queen for two pieces) leaves that much."""
MATERIAL_SLACK = 1.5
"""Pawns by which the report's material and the plain count may differ: what the victim's best line would have kept is
another engine's opinion."""
BEST_PLIES = 6
"""The victim's best line is followed so far at least: a chance that the slip lets go may take some moves."""


def replay(start: str, sans: list[str]) -> list[chess.Board]:
    """The boards of a line, first the start; raises ValueError at an illegal or ambiguous move, or at a start from
    which no chess can be played."""
    board = chess.Board(start)
    if not board.is_valid():
        raise ValueError(f"no legal position: {start}")
    boards = [board.copy()]
    for san in sans:
        board.push_san(san)
        boards.append(board.copy())
    return boards


def same_position(one: str, other: str) -> bool:
    """By what decides the legal moves."""
    return chess.Board(one).epd() == chess.Board(other).epd()


def move_of(board: chess.Board, text: dict[str, str]) -> chess.Move:
    """The move of a {san, uci}; raises ValueError when illegal, or when the two differ."""
    move = board.parse_uci(text["uci"])
    if board.san(move).rstrip("+#") != text["san"].rstrip("+#"):
        raise ValueError(f"{text['san']} is not {text['uci']}")
    return move


def check_moves(finding: Finding) -> Iterator[str]:
    """Line, slip, refutation, the other refutations, what to play instead; look-alikes."""
    try:
        last = replay(finding["start_fen"], finding["line"])[-1]
    except ValueError as exc:
        yield f"line: {exc}"
        return
    if last.fen() != chess.Board(finding["fen"]).fen():
        yield "line: does not lead to the position"
    board = chess.Board(finding["fen"])
    if finding["record"] == "bait":
        try:
            board.push(move_of(board, finding["bait"]))
            for reply in finding["replies"]:
                after = board.copy()
                after.push(move_of(board, reply["slip"]))
                yield from _refutation(after, reply["refutation"])
        except ValueError as exc:
            yield f"bait: {exc}"
        return
    if (finding["victim"] == "white") != board.turn:
        yield "victim: not the side to move"
    try:
        slip = move_of(board, finding["slip"])
    except ValueError as exc:
        yield f"slip: {exc}"
        return
    after = board.copy()
    after.push(slip)
    yield from _refutation(after, finding["refutation"])
    for san in finding["also"]:
        try:
            if finding["refutation"] and after.parse_san(san).uci() == finding["refutation"]["uci"]:
                yield f"also: {san} is the refutation itself"
        except ValueError as exc:
            yield f"also: {exc}"
    for instead in finding["instead"]:
        try:
            if move_of(board, instead) == slip:
                yield "instead: is the slip itself"
        except ValueError as exc:
            yield f"instead: {exc}"
    for alike in finding["look_alikes"]:
        yield from _look_alike(board, finding["start_fen"], slip, alike)


def _refutation(after: chess.Board, refutation: dict[str, Any] | None) -> Iterator[str]:
    if refutation is None:
        if not after.is_game_over():
            yield "refutation: none"
        return
    try:
        move_of(after, refutation)
        replay(after.fen(), refutation["line"])
        if after.parse_san(refutation["line"][0]).uci() != refutation["uci"]:
            yield "refutation: its line begins otherwise"
    except ValueError as exc:
        yield f"refutation: {exc}"


def _look_alike(board: chess.Board, start: str, slip: chess.Move, alike: dict[str, Any]) -> Iterator[str]:
    other = chess.Board(alike["fen"])
    if slip not in other.legal_moves:
        yield f"look-alike: {slip} is not legal there"
    if other.turn != board.turn or other.piece_type_at(slip.from_square) != board.piece_type_at(slip.from_square):
        yield "look-alike: not the same move of the same side"
    differing = {chess.square_name(s) for s in chess.SQUARES if board.piece_at(s) != other.piece_at(s)}
    if differing != set(alike["squares"]):
        yield f"look-alike: other squares differ: {sorted(differing ^ set(alike['squares']))}"
    try:
        if not same_position(replay(start, alike["line"])[-1].fen(), alike["fen"]):
            yield "look-alike: its line does not lead there"
    except ValueError as exc:
        yield f"look-alike: {exc}"


# --- material --------------------------------------------------------------------------------------------------------


def balance(board: chess.Board, side: chess.Color) -> int:
    """Pawns' worth of `side` minus the other's."""
    return sum(PAWNS[man.piece_type] * (1 if man.color == side else -1) for man in board.piece_map().values())


def at_rest(board: chess.Board, side: chess.Color, depth: int = 8) -> int:
    """`balance` after the captures that the sides would play: each may stand pat unless in check, and takes the
    dearest man with the cheapest first. A plain quiescence search."""
    sign = 1 if board.turn == side else -1
    return sign * _rest(board.copy(stack=False), depth, -100, 100)


def _rest(board: chess.Board, depth: int, low: int, high: int) -> int:
    standing = balance(board, board.turn)
    if depth == 0:
        return standing
    if board.is_check():
        moves = list(board.legal_moves)
        if not moves:
            return -100
        best = -100
    else:
        moves = list(board.generate_legal_captures())
        best = standing
        if best >= high:
            return best
        low = max(low, best)

    def worth(square: chess.Square) -> int:
        return PAWNS[board.piece_type_at(square) or chess.PAWN]

    moves.sort(key=lambda move: (-worth(move.to_square), worth(move.from_square), move.uci()))
    for move in moves:
        board.push(move)
        best = max(best, -_rest(board, depth - 1, -high, -low))
        board.pop()
        low = max(low, best)
        if best >= high:
            break
    return best


def check_material(finding: Finding, best_line: list[chess.Move], best_cp: int | None = None) -> Iterator[str]:
    """The gain by a plain count: what stands on the board at the end of the refutation, captures played out, against
    what stood before the slip, or against `best_line` after as many plies and after BEST_PLIES. Played out from the
    last position and from the one before: any of these counts may bear the report out. What the victim would lose at
    best play is not in the figure, and what they would win is, so that it may lie near what the score fell by. Where
    nothing is taken, a chance that the slip lets go is also borne out by `best_cp`, the engine's score of the best move
    (the victim's view, on the report's scale), if it exceeds the material on the board by as much."""
    if finding["record"] == "bait" or not finding["refutation"]:
        return
    board = chess.Board(finding["fen"])
    punisher = not board.turn
    after = board.copy()
    after.push_uci(finding["slip"]["uci"])
    boards = replay(after.fen(), finding["refutation"]["line"])
    gain, claimed = finding["gain"], float(finding["material"])
    mated = boards[-1].is_checkmate()
    if mated != (gain == "mate") and (mated or not isinstance(finding["cp_slip"], dict)):
        yield f"material: gain is {gain}, the line ends {'with' if mated else 'without'} mate"
    if gain in ("mate", "attack"):
        return  # with an attack nothing is said to be won
    levels = [balance(board, punisher), at_rest(board, punisher)]
    other = board.copy()
    for ply, move in enumerate(best_line[: max(len(boards), BEST_PLIES)], 1):
        if move not in other.legal_moves:
            break
        other.push(move)
        if ply in (len(boards), BEST_PLIES):
            levels.append(at_rest(other, punisher))
    ends = [balance(boards[-1], punisher), *(at_rest(each, punisher) for each in boards[-2:])]
    counts = sorted({end - level for end in ends for level in levels})
    scores = finding["cp_best"], finding["cp_slip"]
    fell = (scores[0] - scores[1]) / 100 if all(isinstance(score, int) for score in scores) else counts[0]
    if best_cp is not None and best_cp / 100 + balance(board, punisher) >= LEAST[gain]:
        counts = sorted({*counts, round(best_cp / 100 + balance(board, punisher))})
    if max(counts) < LEAST[gain]:
        yield f"material: a {gain} is said to be won ({claimed:+.1f}), counted {counts}"
    elif not min(counts[0], fell) - MATERIAL_SLACK <= claimed <= max(counts[-1], fell) + MATERIAL_SLACK:
        yield f"material: {claimed:+.1f} is said, counted {counts}"


# --- sentences -------------------------------------------------------------------------------------------------------

MEN = {"pawn": chess.PAWN, "knight": chess.KNIGHT, "bishop": chess.BISHOP} | {
    "rook": chess.ROOK,
    "queen": chess.QUEEN,
    "king": chess.KING,
}
STANDS = re.compile(r"\b(pawn|knight|bishop|rook|queen|king) on ([a-h][1-8])\b")
MOVES_TO = re.compile(
    r"\b(pawn|knight|bishop|rook|queen|king) (?:goes|advances|retreats|moves|comes|jumps|returns|steps|develops"
    r"|is developed|is brought|promotes)(?: back| out| forward)? (?:to|on) ([a-h][1-8])\b"
)
TAKES = re.compile(r"\btakes the (pawn|knight|bishop|rook|queen) on ([a-h][1-8])\b")
SQUARE = re.compile(r"\b([a-h][1-8])\b")
AMOUNT = re.compile(
    r"\b(?:wins|winning|has won|has given|is) ((?:an?|the|two|three) (?:\w+))(?! ahead)(?: up\b|[ ,.;:]|$)"
)
UNITS = {
    "pawn": ("pawn", "pawns"),
    "piece": ("knight", "bishop", "piece", "pieces"),
    "exchange": ("exchange",),
    "rook": ("rook", "rooks"),
    "queen": ("queen", "queens"),
}
LONGEST = 25
"""Words in a sentence."""


def check_sentences(finding: Finding) -> Iterator[str]:
    """What the two sentences claim, move by move (sentences.py); what is said to be won is what the finding says. What
    `look_alikes` and `instead` say is read against their own boards."""
    if finding["record"] == "bait":
        return
    board = chess.Board(finding["fen"])
    slip = chess.Move.from_uci(finding["slip"]["uci"])
    after = board.copy()
    after.push(slip)
    told = (finding["refutation"] or {"line": []})["line"]
    line = [board, *replay(after.fen(), told)]
    moves = [each.peek().uci() for each in line[2:]]
    for field in ("why_tempting", "why_it_fails"):
        text = finding[field]
        yield from (f"sentence ({field}): {wrong}: {text}" for wrong in false_claims(board, slip, moves, text))
        if len(text.split()) > LONGEST:
            yield f"sentence ({field}): {len(text.split())} words: {text}"
    yield from _amounts(finding)
    for instead in finding["instead"]:
        there = board.copy()
        there.push_uci(instead["uci"])
        yield from _sentence("instead", instead["answers"], [board, there, *line])
    for alike in finding["look_alikes"]:
        other = chess.Board(alike["fen"])
        played = other.copy()
        played.push(slip)
        yield from _sentence("look-alike", alike["reason"], [other, played, *line])


def _amounts(finding: Finding) -> Iterator[str]:
    """What is said to be won bears the name of the gain; with an attack nothing is."""
    text, gain = finding["why_it_fails"], finding["gain"]
    for told in AMOUNT.finditer(text):
        unit = told[1].split()[-1]
        if gain == "mate" or " for " in text or unit not in sum(UNITS.values(), ()):
            continue  # two pieces for a rook: named by what it is worth
        if unit not in UNITS.get(gain, ()):
            yield f"sentence (why_it_fails): {told[1]}, but the gain is {gain}: {text}"


def _sentence(where: str, text: str, boards: list[chess.Board]) -> Iterator[str]:
    explained: set[int] = set()
    for told in STANDS.finditer(text):
        explained.add(told.start(2))
        square, kind = chess.parse_square(told[2]), MEN[told[1]]
        if not any(board.piece_type_at(square) == kind for board in boards):
            yield f"sentence ({where}): no {told[1]} on {told[2]}: {text}"
    moves = [board.peek() for board in boards if board.move_stack]
    for told in MOVES_TO.finditer(text):
        explained.add(told.start(2))
        square, kind = chess.parse_square(told[2]), MEN[told[1]]
        if not any(board.piece_type_at(square) == kind for board in boards):
            yield f"sentence ({where}): no {told[1]} comes to {told[2]}: {text}"
    for told in TAKES.finditer(text):
        square, kind = chess.parse_square(told[2]), MEN[told[1]]
        if not any(board.piece_type_at(square) == kind for board in boards):
            yield f"sentence ({where}): no {told[1]} to be taken on {told[2]}: {text}"
    goals = {move.to_square for move in moves} | {move.from_square for move in moves}
    for told in SQUARE.finditer(text):
        square = chess.parse_square(told[1])
        if told.start(1) in explained or square in goals:
            continue
        if not any(
            board.piece_at(square) or any(board.attackers(side, square) for side in chess.COLORS) for board in boards
        ):
            yield f"sentence ({where}): nothing has to do with {told[1]}: {text}"


def check(finding: Finding) -> list[str]:
    """All of it that needs no engine, but for the material."""
    wrong = list(check_moves(finding))
    return wrong or list(check_sentences(finding))
