"""The UCI protocol as text: option declarations, search output, and what an answer is worth.

Source of the grammar: the UCI protocol of April 2006 (Meyer-Kahlen). Read tolerantly, because engines differ: any
case, CRLF, keywords in any order, a prompt before an answer, bytes that are no UTF-8, junk between the lines.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, MutableMapping, Sequence
from dataclasses import dataclass

import chess
import msgspec

from trapscan.errors import EngineAnswerError, EngineRefusedError
from trapscan.model import Evaluation, Line
from trapscan.score import Score
from trapscan.settings import OptionValue

BRACKET_CP = 50
"""Widest gap between a lower and an upper bound of one depth that is still taken as a score (their middle)."""

LONGEST_PV = 40
"""Moves of a line that are kept; checking a move for legality costs about 10 us."""

MOST = {"cp": 100_000, "mate": 999, "depth": 999, "multipv": 999, "nodes": 10**15}
"""Numbers that an engine writes are taken as no greater, wherever they enter: greater ones say nothing about chess, and
could not be kept (64 bits) or ordered (a mate in more than 999)."""


class Option(msgspec.Struct, frozen=True):
    """An option as the engine declares it: `type` is check, spin, combo, button or string."""

    name: str
    type: str
    default: str = ""
    min: int | None = None
    max: int | None = None
    choices: tuple[str, ...] = ()


def parse_option(line: str) -> Option | None:
    """An `option name ...` line, or None when it is not one that can be used."""
    words = line.split()
    lowered = [word.lower() for word in words]
    if lowered[:2] != ["option", "name"] or "type" not in lowered:
        return None
    at = lowered.index("type")
    name = " ".join(words[2:at])
    if not name or at + 1 >= len(words):
        return None
    fields: dict[str, list[str]] = {"default": [], "min": [], "max": [], "var": []}
    choices: list[str] = []
    key = ""
    for word, low in zip(words[at + 2 :], lowered[at + 2 :], strict=True):
        if low in fields and not (key == "default" and low == "default"):
            if key == "var":
                choices.append(" ".join(fields["var"]))
            key, fields[low] = low, []
        elif key:
            fields[key].append(word)
    if key == "var":
        choices.append(" ".join(fields["var"]))

    def number(field: str) -> int | None:
        try:
            return max(-MOST["nodes"], min(MOST["nodes"], int(" ".join(fields[field]))))
        except ValueError:
            return None

    default = " ".join(fields["default"])
    return Option(name, lowered[at + 1], default, number("min"), number("max"), tuple(choices))


def find_option(options: Iterable[Option], name: str) -> Option | None:
    """The declared option of that name; UCI names are not case-sensitive."""
    return next((option for option in options if option.name.lower() == name.lower()), None)


def option_command(options: Sequence[Option], name: str, value: OptionValue, *, engine: str = "") -> str:
    """The `setoption` line, checked against what the engine declares.

    Raises EngineRefusedError with a hint when the option does not exist or the value has a wrong type or range.
    """
    option = find_option(options, name)
    if option is None:
        near = difflib.get_close_matches(name.lower(), [o.name.lower() for o in options], 1)
        known = [o.name for o in options if o.name.lower() in near]
        hint = f"did you mean '{known[0]}'?" if known else "'trapscan engines --json' lists its options"
        raise EngineRefusedError(f"the engine has no option '{name}'; {hint}", engine=engine)

    def refuse(expected: str) -> EngineRefusedError:
        return EngineRefusedError(f"option '{option.name}' takes {expected}, not {value!r}", engine=engine)

    if option.type == "button":
        if value is not True:
            raise refuse("only true (it is a button)")
        return f"setoption name {option.name}\n"
    if option.type == "check":
        if not isinstance(value, bool) and str(value).lower() not in ("true", "false"):
            raise refuse("true or false")
        text = str(value).lower()
    elif option.type == "spin":
        if isinstance(value, bool) or not str(value).lstrip("+-").isdecimal():
            raise refuse("a whole number")
        number = int(value)
        low, high = option.min, option.max
        if (low is not None and number < low) or (high is not None and number > high):
            raise refuse(f"a number from {low} to {high}")
        text = str(number)
    elif option.type == "combo":
        match = [choice for choice in option.choices if choice.lower() == str(value).lower()]
        if not match:
            raise refuse(f"one of {', '.join(option.choices)}")
        text = match[0]
    else:
        text = str(value)
        if "\n" in text or "\r" in text:
            raise refuse("text on one line")
    return f"setoption name {option.name} value {text}\n"


# --- search output ---------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Info:
    """One `info` line with a score. `bound` is -1 for an upper bound, 1 for a lower bound, 0 for an exact score."""

    depth: int
    index: int
    cp: int | None
    mate: int | None
    bound: int
    nodes: int
    pv: list[str]


_NUMBERS = frozenset({"depth", "multipv", "nodes"})

_USUAL = re.compile(
    rb"info depth (\d{1,9})(?: seldepth \d+)?(?: multipv (\d{1,9}))? score (?:cp (-?\d{1,9})|mate (-?\d{1,9}))"
    rb"( lowerbound| upperbound)? nodes (\d{1,18})(?: nps \d+)?(?: hashfull \d+)?(?: tbhits \d+)?(?: time \d+)?"
    rb" pv ([a-h][1-8][a-h][1-8][nbrq]?(?: [a-h1-8nbrq]{4,5})*)"
)
"""A line as most engines write it. Such a line is read in one go, to the same outcome and several times faster."""


def parse_info(line: bytes) -> Info | None:
    """An `info ... score ...` line, keywords in any order and case; None when it holds no score that can be read."""
    usual = _USUAL.fullmatch(line)
    if usual is not None:
        depth, index, cp_text, mate_text, flag, nodes, moves = usual.groups()
        return Info(
            depth=min(MOST["depth"], int(depth)),
            index=int(index or 1),
            cp=clamped("cp", int(cp_text)) if cp_text else None,
            mate=clamped("mate", int(mate_text)) if mate_text else None,
            bound=0 if flag is None else 1 if flag == b" lowerbound" else -1,
            nodes=min(MOST["nodes"], int(nodes)),
            pv=moves.decode().split(" "),
        )
    words = line.decode("latin-1").split()
    low = [word.lower() for word in words]
    numbers = {"depth": 0, "multipv": 1, "nodes": 0}
    cp = mate = None
    bound = 0
    pv: list[str] = []
    at, end = 1, len(words)
    while at < end:
        word = low[at]
        at += 1
        if word == "cp" or word == "mate" or word in _NUMBERS:
            try:
                value = clamped(word, int(words[at]))
            except (IndexError, ValueError):
                continue
            at += 1
            if word in numbers:
                numbers[word] = value
            else:
                cp, mate = (value, None) if word == "cp" else (None, value)
        elif word == "lowerbound":
            bound = 1
        elif word == "upperbound":
            bound = -1
        elif word == "string":
            break
        elif word == "pv":
            while at < end and (4 <= len(words[at]) <= 5) and low[at] not in ("score", "time", "nodes", "depth"):
                pv.append(low[at])
                at += 1
    if cp is None and mate is None:
        return None
    return Info(numbers["depth"], numbers["multipv"], cp, mate, bound, numbers["nodes"], pv)


def clamped(what: str, value: int) -> int:
    """The number within the bounds of MOST; counts are no less than 0."""
    return max(-MOST[what] if what in ("cp", "mate") else 0, min(MOST[what], value))


def bestmove_of(line: bytes) -> str | None:
    """The move of a `bestmove` line ("" when none is named), or None when the line is not one."""
    words = line.decode("latin-1").lower().split()
    if "bestmove" not in words or words[0] == "info":
        return None
    after = words[words.index("bestmove") + 1 :]
    return after[0] if after else ""


def read_answer(
    lines: Sequence[bytes],
    bestmove: str,
    board: chess.Board,
    wanted: int,
    *,
    allowed: Sequence[str] = (),
    mate_floor: int = 0,
    engine: str = "",
) -> Evaluation:
    """What a finished search says about `board`: `wanted` lines, best first, scores for the side to move.

    Only exact scores count, and with several lines only such as belong to one depth: the last complete set. A score
    that an engine only ever brackets (both bounds of one depth within BRACKET_CP) is the middle of its bracket. If
    fewer lines come than are wanted, what is complete is given with a note. A line is cut before its first illegal
    move, with a note. `mate_floor` > 0: centipawns beyond it are mates.

    Raises EngineAnswerError when the best move is illegal or missing, or no score can be used.
    """

    def fault(what: str) -> EngineAnswerError:
        return EngineAnswerError(what, engine=engine, epd=board.epd())

    if bestmove in ("", "(none)", "none", "null", "0000"):
        raise fault("the engine gave no move although there are legal ones")
    try:
        best = board.parse_uci(bestmove).uci()
    except ValueError as exc:
        raise fault(f"the engine's move '{bestmove[:20]}' is illegal") from exc
    if allowed and best not in allowed:
        raise fault(f"the engine's move '{best}' is not one of those it was to look at")

    infos: list[Info] = []
    for line in reversed(lines):  # from the end, as the last exact score is all that one line needs
        info = parse_info(line)
        if info is not None and info.mate != 0:  # a mate in 0 is over; with legal moves left it is a mistake
            infos.append(info)
            if wanted == 1 and info.bound == 0 and info.index == 1:
                break
    infos.reverse()
    nodes = max((info.nodes for info in infos), default=0)
    notes: list[str] = []
    chosen = _last_complete(infos, wanted)
    if not chosen:
        chosen = _bracketed(infos)
        if not chosen:
            raise fault("the engine gave only bounds, no score" if infos else "the engine gave no score")
    if len(chosen) < wanted:
        notes.append(f"{len(chosen)} of {wanted} lines")
    result = []
    for info in chosen:
        pv = _legal_part(board, info.pv)
        if len(pv) < min(len(info.pv), LONGEST_PV):
            notes.append(f"line cut before illegal move '{info.pv[len(pv)][:8]}'")
        if not pv:
            if wanted > 1:
                raise fault("a line without a legal move")
            pv = (best,)
        result.append(Line(_score(info, board, pv, mate_floor), pv))
    if any(line.pv[0] not in allowed for line in result if allowed):
        raise fault("a line starts with a move that was excluded")
    # Engines list lines by index, not always by score (measured: Ethereal).
    result.sort(key=lambda line: -line.score.plain)
    return Evaluation(tuple(result), nodes, max(info.depth for info in chosen), tuple(notes))


def step_of_line(
    line: bytes, board: chess.Board, mate_floor: int, seen: MutableMapping[str, str] | None = None
) -> tuple[int, Line] | None:
    """The nodes and the best line of an `info` line that holds its exact score and its moves, or None. The line is its
    first move only, unless the distance of a mate must be read off the rest: this is done for every iteration. `seen`
    remembers the first moves of one search, which are checked for legality once: text -> UCI, "" if illegal."""
    usual = _USUAL.fullmatch(line) if not mate_floor else None
    if usual is None:
        info = parse_info(line)
        if info is None or info.bound or info.index != 1 or info.mate == 0:
            return None
        pv = _legal_part(board, info.pv) if mate_floor else _first_move(board, info.pv)
        return (info.nodes, Line(_score(info, board, pv, mate_floor), pv)) if pv else None
    _, index, cp, mate, flag, nodes, moves = usual.groups()
    if flag or (index and int(index) != 1) or (mate and int(mate) == 0):
        return None
    text = moves[:5].decode().rstrip()
    move = seen.get(text) if seen is not None else None
    if move is None:
        move = "".join(_first_move(board, [text]))
        if seen is not None:
            seen[text] = move
    if not move:
        return None
    score = Score(board.turn, cp=clamped("cp", int(cp))) if cp else Score(board.turn, mate=clamped("mate", int(mate)))
    return min(MOST["nodes"], int(nodes)), Line(score, (move,))


def _last_complete(infos: Sequence[Info], wanted: int) -> list[Info]:
    """The exact infos of the last complete set: consecutive lines 1..wanted, of one depth, different first moves.

    A set of mixed depths (an engine stopped midway repeats older lines) is used only if there is no other; a set
    with too few lines likewise.
    """
    if wanted == 1:
        for info in reversed(infos):
            if info.bound == 0 and info.index == 1:
                return [info]
        return []
    uniform: list[Info] = []
    mixed: list[Info] = []
    short: list[Info] = []
    current: list[Info] = []
    for info in infos:
        if info.index != len(current) + 1:
            current = []
        if info.bound != 0 or info.index != len(current) + 1 or not info.pv:
            current = []
            continue
        current = [*current, info]
        if len({i.pv[0] for i in current}) < len(current):
            current = []
            continue
        if len(current) == wanted:
            mixed = current
            if len({i.depth for i in current}) == 1:
                uniform = current
        elif len(current) >= len(short) and len({i.depth for i in current}) == 1:
            short = current
    return uniform or mixed or short


def _bracketed(infos: Sequence[Info]) -> list[Info]:
    """For engines that only report bounds: the deepest depth that a lower and an upper bound close in on."""
    found: Info | None = None
    depth = -1
    lower: Info | None = None
    upper: int | None = None
    for info in infos:
        if info.index != 1 or info.bound == 0 or info.cp is None:
            continue
        if info.depth != depth:
            depth, lower, upper = info.depth, None, None
        if info.bound > 0:
            lower = info
        else:
            upper = info.cp
        if lower is not None and upper is not None and lower.cp is not None and 0 <= upper - lower.cp <= BRACKET_CP:
            found = Info(depth, 1, (lower.cp + upper) // 2, None, 0, info.nodes, lower.pv)
    return [found] if found else []


def _first_move(board: chess.Board, pv: Sequence[str]) -> tuple[str, ...]:
    """The first move of `pv` alone if it is legal, as UCI: without a board to walk on."""
    try:
        move = board.parse_uci(pv[0]) if pv else None
    except ValueError:
        return ()
    return (move.uci(),) if move else ()


def _legal_part(board: chess.Board, pv: Sequence[str]) -> tuple[str, ...]:
    """The moves of `pv` up to the first illegal one, as UCI in the board's own castling notation."""
    walk = board.copy(stack=False)
    moves = []
    for text in pv[:LONGEST_PV]:
        try:
            move = walk.parse_uci(text)
        except ValueError:
            break
        if not move:  # a null move
            break
        moves.append(move.uci())
        walk.push(move)
    return tuple(moves)


def _score(info: Info, board: chess.Board, pv: Sequence[str], mate_floor: int) -> Score:
    side = board.turn
    if info.mate is not None:
        return Score(side, mate=info.mate)
    assert info.cp is not None
    if mate_floor and abs(info.cp) >= mate_floor:
        # Such codes count plies in ways of their own; the line shows the distance if it reaches the mate.
        walk = board.copy(stack=False)
        for text in pv:
            walk.push_uci(text)
        plies = len(pv) if walk.is_checkmate() else len(pv) + 1
        moves = max(1, (plies + 1) // 2) if info.cp > 0 else max(1, plies // 2)
        return Score(side, mate=moves if info.cp > 0 else -moves)
    return Score(side, cp=info.cp)
