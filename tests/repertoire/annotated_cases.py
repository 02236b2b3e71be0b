"""Findings made up for any PGN, and what must hold of a file once they are put in: judged by python-chess, which knows
nothing of how they got there, and by bytes."""

from __future__ import annotations

import io
import random
import re
import shutil
import subprocess
from collections.abc import Sequence
from typing import Any

import chess
import chess.pgn
import msgspec

from trapscan import graph
from trapscan.contract import (
    Depth,
    Finding,
    Gain,
    Instead,
    MoveText,
    Prepared,
    Refutation,
    Side,
    SlipFinding,
    SlipKind,
    Verified,
)
from trapscan.levels import Lens
from trapscan.movetree import Repertoire
from trapscan.pgn import normalize, without_ours
from trapscan.report.entry import Entry

LEVELS = (1000, 2000)
LENS = Lens(LEVELS, 1500)
SENTENCES = ("It loses a piece (and \u201cmore\u201d) on e5.", "Zw\u00f6lf } { [%cal Ra1a8] \\ ; % x", "")
OURS = re.compile(r"\s*\[%trapscan\s[^\]]*\].*?\[%trapscan\]", re.DOTALL)


# --- findings --------------------------------------------------------------------------------------------------------


def made_up(read: Repertoire, rng: random.Random, count: int) -> list[Entry]:
    """So many findings at positions of a repertoire: slips that it holds, slips that it does not, and past its ends.
    Their moves are legal, and nothing else about them is true."""
    tree = graph.build(read)
    found: dict[tuple[str, str], Finding] = {}
    for number in range(count):
        position = rng.choice(tree.positions)
        board = position.board()
        beyond = 0
        if not position.prepared and rng.random() < 0.6:
            while beyond < 2 and (moves := list(board.legal_moves)):
                board.push(rng.choice(moves))
                beyond += 1
        legal = [move.uci() for move in board.legal_moves]
        if not legal:
            continue
        held = not beyond and bool(position.prepared) and rng.random() < 0.5
        slip = rng.choice(position.prepared) if held else rng.choice(legal)
        finding = _finding(read, tree, board, slip, beyond, number, rng)
        found[finding.fen, slip] = finding
    return [Entry(finding, LENS) for finding in found.values()]


def at(read: Repertoire, line: str, slip: str, **changes: Any) -> Entry:
    """A made-up finding after a line (SAN), with these fields."""
    board = chess.Board()
    for san in line.split():
        board.push_san(san)
    finding = _finding(read, graph.build(read), board, board.parse_san(slip).uci(), 0, 0, random.Random(0))
    return Entry(msgspec.structs.replace(finding, **changes), LENS)


def _finding(
    read: Repertoire, tree: graph.Graph, board: chess.Board, slip: str, beyond: int, number: int, rng: random.Random
) -> SlipFinding:
    here = tree.find(board.epd())
    held = here is not None and slip in here.prepared
    start = chess.Board(board.root().fen())
    line = tuple(start.san_and_push(move) for move in board.move_stack)
    after = board.copy()
    san = after.san_and_push(chess.Move.from_uci(slip))
    child = tree.find(after.epd())
    answers = tuple(after.san(chess.Move.from_uci(uci)) for uci in child.prepared) if child is not None else ()
    punishment = []
    walk = after.copy()
    for _ in range(rng.randint(0, 4)):
        if not (moves := list(walk.legal_moves)):
            break
        move = rng.choice(moves)
        punishment.append((walk.san_and_push(move), move.uci()))
    others = [move for move in board.legal_moves if move.uci() != slip]
    better = rng.choice(others) if others else None
    numbers: dict[str, Any] = dict.fromkeys(("chance", "find", "reach", "cost", "toll"), (0.2, 0.1))
    return SlipFinding(
        id=f"f{number:04d}",
        kind=rng.choice(list(SlipKind)) if held else rng.choice([SlipKind.TRICK, SlipKind.PITFALL]),
        victim=Side.of(board.turn),
        fen=board.fen(en_passant="legal"),
        start_fen=board.root().fen(),
        line=line,
        move_orders=1,
        opening=None,
        slip=MoveText(san=san, uci=slip),
        refutation=Refutation(san=punishment[0][0], uci=punishment[0][1], line=tuple(san for san, _ in punishment))
        if punishment
        else None,
        instead=(Instead(san=board.san(better), uci=better.uci(), cp=30, answers="it keeps } the { centre"),)
        if better is not None
        else (),
        in_repertoire=held,
        prepared=Prepared(answers=answers, right=bool(answers) and rng.random() < 0.5) if held else None,
        beyond=beyond,
        cp_best=20,
        cp_slip=-250,
        gain=Gain.PIECE,
        why_it_fails=rng.choice(
            ("It loses a piece (and \u201cmore\u201d) on e5.", "Zw\u00f6lf } { [%cal Ra1a8] \\ ; % x", "")
        ),
        depth=Depth(exposed=1000),
        verified=Verified(nodes=1000),
        **numbers,
    )


# --- what must hold --------------------------------------------------------------------------------------------------


def faults_of(before: Sequence[bytes], after: Sequence[bytes], encoding: str = "utf-8-sig") -> list[str]:
    """What is wrong with files given back as `after`; empty: nothing."""
    faults = []
    for number, (one, other) in enumerate(zip(before, after, strict=True)):
        where = f"file {number}: "
        if without_ours(normalize(other)) != normalize(one):
            faults.append(where + "what is not ours has other bytes")
        old, new = games_of(one, encoding), games_of(other, encoding)
        if len(old) != len(new):
            faults.append(where + f"{len(old)} games became {len(new)}")
        for game, annotated in zip(old, new, strict=False):
            if dict(game.headers) != dict(annotated.headers):
                faults.append(where + "other tags")
            if shape_of(game) != shape_of(annotated):
                faults.append(where + f"another tree: {game.headers.get('Event')}")
            if len(annotated.errors) > len(game.errors):
                faults.append(where + f"python-chess: {annotated.errors}")
    return faults


def games_of(data: bytes, encoding: str = "utf-8-sig") -> list[chess.pgn.Game]:
    """All games that python-chess finds."""
    text = data.decode(encoding, errors="replace").replace("\r\n", "\n").replace("\r", "\n")
    handle, games = io.StringIO(text), []
    while (game := chess.pgn.read_game(handle)) is not None:
        games.append(game)
    return games


def shape_of(node: chess.pgn.GameNode) -> list[Any]:
    """A tree in its order, with comments and NAGs, and without what is marked as ours; iteratively, as it may be
    deep."""
    out: list[Any] = []
    todo: list[chess.pgn.GameNode | str] = [node]
    while todo:
        here = todo.pop()
        if isinstance(here, str):
            out.append(here)
            continue
        intro = here.starting_comment if isinstance(here, chess.pgn.ChildNode) else ""
        if "[%trapscan" in intro:
            continue
        move = here.move.uci() if isinstance(here, chess.pgn.ChildNode) else ""
        comment = " ".join(OURS.sub("", here.comment).split())
        out.append((move, sorted(here.nags), " ".join(intro.split()), comment))
        todo.append(")")
        todo += reversed(here.variations)
        todo.append("(")
    return out


def ours_in(data: bytes, encoding: str = "utf-8-sig") -> int:
    """How many marks python-chess's text holds that begin something."""
    return len(re.findall(r"\[%trapscan\s", data.decode(encoding, errors="replace")))


def pgn_extract(data: bytes) -> list[str] | None:
    """What pgn-extract complains of; None where it is not installed."""
    program = shutil.which("pgn-extract", path="/usr/bin:/usr/games:/usr/local/bin")
    if program is None:
        return None
    done = subprocess.run([program, "-s"], input=data, capture_output=True, check=False, timeout=120)
    return [line for line in done.stderr.decode(errors="replace").splitlines() if line.strip()]
