"""Findings as PGN games and EPD records.

PGN follows the export format of "Portable Game Notation Specification and Implementation Guide" (S. J. Edwards, 1994),
section 8: lines below 80 characters, seven tag roster, NAGs; EPD its section 16. One game a finding: the line, the
slip and its punishment as main line, what should have been played as variations.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Iterator, Sequence

import chess
import chess.pgn

from trapscan.contract import BaitFinding, Cp, Nature, SlipFinding, SlipKind
from trapscan.report.entry import Entry
from trapscan.report.rows import CHAPTER, ELSEWHERE
from trapscan.report.text import FAIR_PLAY, GAIN_WORDS, ascii_only, percent, score_words
from trapscan.report.words import alternatives, board_at, board_of_finding, second_text, sign_of, slip_sign
from trapscan.sanitize import sanitize

NAG = {"!": 1, "?": 2, "??": 4, "?!": 6}
COLUMNS = 79
MATE_CE = 32767
"""EPD's `ce` of a mate in n plies is 32767 - n, that of being mated -32767 + n (section 16.2.5, from memory)."""


def pgn(entries: Iterable[Entry], *, event: str = "", seven_bit: bool = False) -> Iterator[str]:
    """The findings as annotated games, in the order given, a game at a time, the caution in the first; `seven_bit`
    keeps every character within ASCII."""
    for number, entry in enumerate(entries, 1):
        game = game_of(entry, event=event, round_=number, caution=FAIR_PLAY if number == 1 else "")
        yield "\n" * (number > 1) + _game_text(game, seven_bit)


def additions_pgn(entries: Iterable[Entry], *, seven_bit: bool = False) -> Iterator[str]:
    """What to add to a file as games, in the order given: the way there; then the slip and its answer, or what to play
    with the slip beside it."""
    for number, entry in enumerate(entries, 1):
        game = _addition(entry, number, FAIR_PLAY if number == 1 else "")
        yield "\n" * (number > 1) + _game_text(game, seven_bit)


def _addition(entry: Entry, number: int, caution: str) -> chess.pgn.Game:
    finding = entry.finding
    game, node = _way(entry, f"To add: {entry.title}", number)
    assert isinstance(finding, SlipFinding)
    node.comment = comment(_join(entry.row("state"), entry.row("felt"), caution))
    if finding.kind is not SlipKind.TRICK:
        better = alternatives(finding)[0]
        node.add_variation(chess.Move.from_uci(better.uci)).comment = comment(_join(_scored(better.cp), better.answers))
    slip = node.add_variation(chess.Move.from_uci(finding.slip.uci))
    slip.nags.add(NAG[sign_of(finding)])
    slip.comment = comment(entry.row("fails"))
    if _add_line(slip, finding.punishment) is not slip:
        slip.variations[0].nags.add(NAG["!"])
    end = game.end().board()
    if end.is_checkmate():
        game.headers["Result"] = end.result()
    return game


def game_of(entry: Entry, *, event: str = "", round_: int = 1, caution: str = "") -> chess.pgn.Game:
    """One finding as a game tree; `caution` is said at the end of its first comment."""
    finding = entry.finding
    game, node = _way(entry, event or f"{entry.kind.capitalize()}: {entry.title}", round_)
    opening = entry.row("opening")
    intro = _join(
        f"{entry.kind.capitalize()}.",
        numbers_text(entry),
        opening and f"{opening}.",
        second_text(finding),
        entry.row(ELSEWHERE.key),
    )
    node.comment = comment(_join(intro, caution))
    if isinstance(finding, BaitFinding):
        _add_bait(node, finding, entry)
    else:
        _add_slip(node, finding, entry)
    end = game.end().board()
    if end.is_checkmate():
        game.headers["Result"] = end.result()
    return game


def _way(entry: Entry, event: str, round_: int) -> tuple[chess.pgn.Game, chess.pgn.GameNode]:
    """A game with its tags and the moves that lead to the finding, and the last of them."""
    finding = entry.finding
    start = board_at(finding.start_fen)
    game = chess.pgn.Game()
    game.setup(start)
    game.headers["Event"] = tag(event)
    game.headers["Site"] = "?"
    game.headers["Date"] = "????.??.??"
    game.headers["Round"] = str(round_)
    game.headers["White"] = game.headers["Black"] = "?"
    game.headers["Result"] = "*"
    game.headers["Annotator"] = "trapscan"
    if finding.opening is not None:
        game.headers["ECO"] = tag(finding.opening.eco)
        game.headers["Opening"] = tag(finding.opening.name)
    chapter = entry.row(CHAPTER.key)
    if chapter:
        game.headers["Chapter"] = tag(chapter)
    game.headers["FindingId"] = tag(finding.id)
    node: chess.pgn.GameNode = game
    board = start.copy(stack=False)  # a node's own board is played from the root each time
    for san in finding.line:
        node = node.add_variation(board.push_san(san))
    return game, node


def numbers_text(entry: Entry) -> str:
    """The finding's numbers at the level as one sentence."""
    figures, games = entry.figures, entry.row("games")
    return (
        f"At {entry.lens.level:.0f}: happens {figures['often']}, played by {figures['chance']}, punished by "
        f"{figures['find']}, toll {figures['toll']} points per 100 games.{f' In the games: {games}.' if games else ''}"
    )


def _add_slip(node: chess.pgn.GameNode, finding: SlipFinding, entry: Entry) -> None:
    slip = node.add_variation(chess.Move.from_uci(finding.slip.uci))
    slip.nags.add(NAG[sign_of(finding)])
    slip.comment = comment(_join(*entry.sentences))
    for move in alternatives(finding):
        better = node.add_variation(chess.Move.from_uci(move.uci))
        better.comment = comment(_join(_scored(move.cp), move.answers))
    end = _add_line(slip, finding.punishment)
    if end is not slip:
        slip.variations[0].nags.add(NAG["!"])
        score = score_words(finding.cp_slip)
        end.comment = comment(f"{_won(finding)}Score of the side that slipped: {score}.")
    if finding.likely_line:
        likely = _add_line(slip, finding.likely_line)
        if likely is not end and not likely.comment:
            likely.comment = "As it will be played."
    for san in finding.also:
        other = slip.add_variation(slip.board().parse_san(san))
        other.comment = "Punishes as well."


def _won(finding: SlipFinding) -> str:
    """What is won, where something is."""
    concrete = finding.nature in (Nature.TACTIC, Nature.OVERSIGHT)
    return f"The gain: {GAIN_WORDS[finding.gain]}. " if concrete else ""


def _scored(value: Cp) -> str:
    """A score that can open a comment: "score +0.41", "mate in 3"."""
    return score_words(value) if isinstance(value, dict) else f"score {score_words(value)}"


def _add_bait(node: chess.pgn.GameNode, finding: BaitFinding, entry: Entry) -> None:
    bait = node.add_variation(chess.Move.from_uci(finding.bait.uci))
    bait.nags.add(NAG["?!"])
    bait.comment = comment(_join(*entry.sentences))
    details = finding.bait_details
    if details.repertoire_move is not None:
        node.add_variation(chess.Move.from_uci(details.repertoire_move.uci)).comment = "The repertoire move."
    for reply in finding.replies:
        slip = bait.add_variation(chess.Move.from_uci(reply.slip.uci))
        slip.nags.add(NAG[slip_sign(reply.cp_best, reply.cp_slip)])
        share = percent(entry.lens.value(reply.chance))
        slip.comment = comment(f"Played by {share} at {entry.lens.level:.0f}.")
        answer = _add_line(slip, reply.refutation.moves)
        if answer is not slip:
            slip.variations[0].nags.add(NAG["!"])
    if details.otherwise:
        end = _add_line(bait, details.otherwise)
        if not end.comment:
            end.comment = "If they do not fall for it."


def _add_line(node: chess.pgn.GameNode, sans: Sequence[str]) -> chess.pgn.GameNode:
    """Play SAN moves on from `node`, along moves that are there already; stops at the first that cannot be played."""
    board = node.board()
    for san in sans:
        try:
            move = board.push_san(san)
        except ValueError:
            break
        node = node.variation(move) if node.has_variation(move) else node.add_variation(move)
    return node


def _join(*parts: str) -> str:
    return " ".join(part for part in parts if part)


def tag(text: str) -> str:
    """A tag value: one line; quotation marks and backslashes are escaped when written (section 8.1.1: at most 255)."""
    return sanitize(text, limit=200) or "?"


def comment(text: str) -> str:
    """Text for a brace comment: braces become round brackets, `[%` commands and `%` at a line's start are defused."""
    safe = sanitize(text).replace("{", "(").replace("}", ")").replace("[%", "[ %")
    safe = re.sub(r"(^|\s)%", r"\1pct ", safe)
    return re.sub(r"(\S{60})(?=\S)", r"\1 ", safe)


def _game_text(game: chess.pgn.Game, seven_bit: bool) -> str:
    exporter = chess.pgn.StringExporter(columns=None, headers=False)
    movetext = str(game.accept(exporter)).strip()
    lines = [
        '[{} "{}"]'.format(name, value.replace("\\", "\\\\").replace('"', '\\"'))
        for name, value in game.headers.items()
    ]
    body = textwrap.wrap(movetext, COLUMNS, break_long_words=False, break_on_hyphens=False)
    text = "\n".join([*lines, "", *body]) + "\n"
    return ascii_only(text) if seven_bit else text


# --- EPD -------------------------------------------------------------------------------------------------------------


def epd(entries: Iterable[Entry], *, seven_bit: bool = False) -> Iterator[str]:
    """Two records a finding: the position before the slip (`am` the slip, `bm` what to play), and the one after it
    (`bm` what punishes, `pv` how). A bait gives one record a trick it sets, after the slip."""
    for entry in entries:
        for line in epd_records(entry):
            yield (ascii_only(line) if seven_bit else line) + "\n"


def epd_records(entry: Entry) -> list[str]:
    """The EPD lines of one finding."""
    finding = entry.finding
    board = board_of_finding(finding)
    disputed = "Disputed." if finding.disputed else ""
    about = _string(_join(disputed, entry.title + ".", *entry.sentences))
    name = _string(finding.id, limit=80)
    held = entry.row(CHAPTER.key)
    chapter: dict[str, object] = {"c1": _string(held)} if held else {}
    if isinstance(finding, BaitFinding):
        board.push_uci(finding.bait.uci)
        records = []
        for number, reply in enumerate(finding.replies, 1):
            after = board.copy(stack=False)
            after.push_uci(reply.slip.uci)
            records.append(_punish(after, reply.refutation.moves, (), reply.cp_slip, f"{name}.{number}", about))
        return records
    slip = chess.Move.from_uci(finding.slip.uci)
    first: dict[str, object] = {"am": [slip]}
    if alternatives(finding):
        best = [chess.Move.from_uci(move.uci) for move in alternatives(finding)]
        first |= {"bm": best, "pv": best[:1]}
    first |= {"ce": ce(finding.cp_best), "id": f"{name}.a", "c0": about} | chapter
    records = [board.epd(en_passant="fen", **first)]  # type: ignore[arg-type]
    board.push(slip)
    if finding.punishment:
        records.append(_punish(board, finding.punishment, finding.also, finding.cp_slip, f"{name}.b", about))
    return records


def _punish(board: chess.Board, line: Sequence[str], also: Sequence[str], cp: Cp, name: str, about: str) -> str:
    moves = _playable(board, line)
    good = [*moves[:1], *(board.parse_san(san) for san in also)]
    operations: dict[str, object] = {"bm": good, "pv": moves} if moves else {}
    operations |= {"ce": -ce(cp), "id": name, "c0": about}
    return board.epd(en_passant="fen", **operations)  # type: ignore[arg-type]


def _playable(board: chess.Board, sans: Sequence[str]) -> list[chess.Move]:
    board, moves = board.copy(stack=False), []
    for san in sans:
        try:
            moves.append(board.push_san(san))
        except ValueError:
            break
    return moves


def _string(text: str, limit: int = 240) -> str:
    """An EPD string: no quotation mark, backslash or semicolon, which careless readers take for its end."""
    return sanitize(text, limit=limit).replace('"', "'").replace("\\", "/").replace(";", ",")


def ce(value: Cp) -> int:
    """The operand of EPD's `ce`: centipawns of the side to move; a mate in n moves is 2n-1 plies away."""
    if isinstance(value, dict):
        moves = value.get("mate", 0)
        return MATE_CE - (2 * moves - 1) if moves > 0 else -MATE_CE - 2 * moves
    return max(-MATE_CE + 1000, min(MATE_CE - 1000, value))
