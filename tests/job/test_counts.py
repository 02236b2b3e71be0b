"""A scan with games: what was played is counted, believed, and told; the count is checked against python-chess."""

from __future__ import annotations

import gzip
import json
import random
import struct
from collections import Counter
from pathlib import Path

import chess
import chess.pgn
import chess.polyglot
import jsonschema
import pytest

from tests.job.small_scans import BUDGETS
from trapscan.chance import BLEND_K, PLAYER_K, CountedModel, Evidence, blend, load_model
from trapscan.chance.evidence import answers_to
from trapscan.chance.found import FOUND
from trapscan.cli import main
from trapscan.contract import SlipFinding, encode_scan
from trapscan.engines import EngineSpec, Probe
from trapscan.errors import InputError
from trapscan.graph import build
from trapscan.job import Progress, Result, scan
from trapscan.repertoire import read_files
from trapscan.report import scan_schema, write_reports
from trapscan.report.present import Presentation
from trapscan.report.tables import terminal_summary

Stockfish = tuple[EngineSpec, Probe]

SMALL = {
    **BUDGETS,
    "beyond": 1,
    "max_candidates": 5,
}
LINES = '[Event "Small"]\n\n1. e4 e5 (1... c5 2. Nf3) 2. Bc4 (2. Nf3 Nc6) Nc6 3. Qh5 *\n'
BEFORE_NF6 = "r1bqkbnr/pppp1ppp/2n5/4p2Q/2B1P3/8/PPPP1PPP/RNB1K1NR b KQkq - 3 3"
SCHOLAR = "e4 e5 Bc4 Nc6 Qh5 Nf6 Qxf7#"


def game_text(moves: str, white: str, black: str, ratings: tuple[int, int] | None = None) -> str:
    """A game of ours as PGN."""
    game = chess.pgn.Game()
    game.headers.update(White=white, Black=black)
    if ratings:
        game.headers.update(WhiteElo=str(ratings[0]), BlackElo=str(ratings[1]))
    node: chess.pgn.GameNode = game
    for san in moves.split():
        node = node.add_variation(node.board().parse_san(san))
    return f"{game}\n\n"


@pytest.fixture(scope="module")
def places(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the repertoire and invented games: forty of the scholar's mate and its like, sixty of other
    openings with random moves after them."""
    folder = tmp_path_factory.mktemp("counts")
    (folder / "small.pgn").write_text(LINES)
    dealt = random.Random(4)
    texts = []
    for number in range(40):
        end = ("Nf6 Qxf7#", "Nf6 Nc3", "g6 Qf3", "Qe7 d3")[min(number // 12, 3)]
        names = ("Olga", "Pia") if number % 2 else ("Pia", "Olga")
        texts.append(game_text(f"e4 e5 Bc4 Nc6 Qh5 {end}", *names, (1500, 1400) if number % 3 else None))
    for number in range(60):
        board, moves = chess.Board(), ("e4 c5", "e4 e5 Nf3", "d4 d5", "Bc4")[number % 4].split()
        moves = ["e4", "e5", "Bc4"] if moves == ["Bc4"] else moves
        for san in moves:
            board.push_san(san)
        for _ in range(8):
            move = dealt.choice(sorted(board.legal_moves, key=lambda m: m.uci()))
            moves.append(board.san_and_push(move))
            if board.is_game_over():
                break
        texts.append(game_text(" ".join(moves), "Olga", "Quin", (1200, 2000)))
    dealt.shuffle(texts)
    (folder / "games.pgn").write_text("".join(texts))
    return folder


def run(places: Path, stockfish: Stockfish, **options: object) -> Result:
    return scan(
        [places / "small.pgn"],
        side="white",
        engine=stockfish[0].command[0],
        **{"jobs": 1, "store": places / "store.db", "settings": SMALL, **options},  # type: ignore[arg-type]
    )


@pytest.fixture(scope="module")
def plain(places: Path, stockfish: Stockfish) -> Result:
    return run(places, stockfish)


@pytest.fixture(scope="module")
def counted(places: Path, stockfish: Stockfish) -> Result:
    return run(places, stockfish, games=[places / "games.pgn"])


def scholars_mate(result: Result) -> SlipFinding:
    (found,) = [f for f in result.scan.slips if f.slip.san == "Nf6" and f.fen == BEFORE_NF6]
    return found


def independent(file: Path) -> Counter[tuple[str, str]]:
    """Every move of every game by python-chess's own reader: (EPD, move)."""
    counts: Counter[tuple[str, str]] = Counter()
    with file.open() as text:
        while (game := chess.pgn.read_game(text)) is not None:
            board = game.board()
            for move in game.mainline_moves():
                counts[board.epd(), move.uci()] += 1
                board.push(move)
    return counts


def test_every_count_agrees_with_python_chess(counted: Result, places: Path) -> None:
    seen = independent(places / "games.pgn")
    met = {epd for epd, _ in seen} & {position.epd for position in build(read_files([places / "small.pgn"])).positions}
    assert counted.scan.evidence is not None and counted.scan.evidence.met == len(met) > 3
    assert f"they met {len(met)} of the " in Presentation.of(counted.scan).summary
    assert f"they met {len(met)} of the " in terminal_summary(counted.scan, width=200)
    assert counted.scan.findings
    for finding in counted.scan.slips:
        assert finding.evidence
        epd = chess.Board(finding.fen).epd()
        assert finding.evidence.played == seen[epd, finding.slip.uci]
        assert finding.evidence.games == sum(n for (there, _), n in seen.items() if there == epd)
    evidence = scholars_mate(counted).evidence
    assert evidence and (evidence.games, evidence.played) == (40, 24)
    used = counted.scan.evidence
    assert used and (used.games, used.player, [file.name for file in used.files]) == (100, "", ["games.pgn"])
    jsonschema.validate(json.loads(encode_scan(counted.scan)), scan_schema())


def test_chance_find_and_reach_believe_the_games(plain: Result, counted: Result) -> None:
    """Half the games that reached the position slipped; half of those were punished."""
    before, after = scholars_mate(plain), scholars_mate(counted)
    assert before.evidence is None and plain.scan.evidence is None
    at_1400 = counted.scan.levels.index(1400)
    # of those who play another reply than the mate a part is taken to punish all the same
    for name, share in (("chance", 24 / 40), ("find", FOUND.punished(12 / 24, plain=True))):
        model, mixed = getattr(before, name)[at_1400], getattr(after, name)[at_1400]
        assert min(model, share) < mixed < max(model, share), name
    far = counted.scan.levels.index(2400)
    assert abs(after.chance[far] - before.chance[far]) < abs(after.chance[at_1400] - before.chance[at_1400])


def test_reach_shares_our_moves_by_the_games(plain: Result, counted: Result) -> None:
    """White has 2.Bc4 and 2.Nf3 after 1.e4 e5: alike without games; with them 55 and 15 games, and one more each."""
    before = "rnbqkbnr/pppp1ppp/8/4p3/4P3/8/PPPP1PPP/RNBQKBNR w KQkq - 0 2"
    after = "rnbqkbnr/pppp1ppp/8/4p3/4P3/5N2/PPPP1PPP/RNBQKB1R b KQkq - 1 2"
    for result, share in ((plain, 0.5), (counted, 16 / 72)):
        reach = {f.fen: f.reach for f in result.scan.findings}
        assert reach[after] == pytest.approx([share * at for at in reach[before]], rel=1e-3)


def test_counts_decide_what_is_examined(places: Path, stockfish: Stockfish, tmp_path: Path) -> None:
    """2...Ke7 is too rare for the candidates of the model, but not where it has been played."""
    board = chess.Board()
    for san in ("e4", "e5", "Bc4"):
        board.push_san(san)
    file = tmp_path / "king.pgn"
    file.write_text(game_text("e4 e5 Bc4 Ke7", "Ann", "Bob") * 30)
    for games, expected in (((), 0), ((file,), 1)):
        found = [f for f in run(places, stockfish, games=games).scan.slips if f.slip.san == "Ke7"]
        assert len([f for f in found if f.fen == board.fen()]) == expected


def test_the_counts_belong_to_the_outcome(counted: Result, plain: Result, places: Path, stockfish: Stockfish) -> None:
    """Other counts make other outcomes; equal ones are found again, and equal bytes come of them."""
    again = run(places, stockfish, games=[places / "games.pgn"])
    assert again.stats.positions.from_store == again.stats.positions.done
    assert encode_scan(again.scan) == encode_scan(counted.scan)
    assert encode_scan(run(places, stockfish).scan) == encode_scan(plain.scan)
    other = places / "other.pgn"
    other.write_text(game_text(SCHOLAR, "Ann", "Bob"))
    third = run(places, stockfish, games=[other])
    assert 0 < third.stats.positions.from_store < third.stats.positions.done, (
        "only where that game went, something changed"
    )


def test_two_workers_and_another_order_of_files_give_the_same_bytes(
    counted: Result, places: Path, stockfish: Stockfish, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("trapscan.chance.games.PART", 3000)
    fresh = run(places, stockfish, games=[places / "games.pgn"], jobs=2, store=tmp_path / "fresh.db")
    assert fresh.stats.searched_nodes and encode_scan(fresh.scan) == encode_scan(counted.scan)


def test_one_player(places: Path, stockfish: Stockfish) -> None:
    """Pia's moves as Black alone: she reached the position in half the games."""
    result = run(places, stockfish, games=[places / "games.pgn"], player="pia")
    evidence = scholars_mate(result).evidence
    assert evidence and (evidence.games, evidence.played) == (20, 12)
    assert result.scan.evidence and result.scan.evidence.player == "pia"
    with pytest.raises(InputError, match="Nobody"):
        run(places, stockfish, games=[places / "games.pgn"], player="Nobody")
    with pytest.raises(InputError, match="player"):
        run(places, stockfish, player="Pia")


def test_progress_counts_every_byte(places: Path, stockfish: Stockfish, tmp_path: Path) -> None:
    class Watch(Progress):
        def __init__(self) -> None:
            self.sizes: list[int] = []
            self.done = 0

        def reading(self, size: int) -> None:
            self.sizes.append(size)

        def read(self, size: int) -> None:
            self.done += size

    packed = tmp_path / "games.pgn.gz"
    packed.write_bytes(gzip.compress((places / "games.pgn").read_bytes()))
    for file in (places / "games.pgn", packed):
        watch = Watch()
        result = run(places, stockfish, games=[file], progress=watch, beyond=0, store=tmp_path / f"{file.name}.db")
        assert watch.sizes == [watch.done] == [file.stat().st_size]
        assert scholars_mate(result).evidence is not None


def test_a_book(places: Path, stockfish: Stockfish, tmp_path: Path) -> None:
    board = chess.Board(BEFORE_NF6)
    entries = [(chess.G8, chess.F6, 30), (chess.G7, chess.G6, 10)]
    key = chess.polyglot.zobrist_hash(board)
    book = tmp_path / "small.bin"
    book.write_bytes(b"".join(struct.pack(">QHHI", key, f << 6 | t, weight, 0) for f, t, weight in entries))
    evidence = scholars_mate(run(places, stockfish, games=[book])).evidence
    assert evidence and (evidence.games, evidence.played) == (40, 30)
    with pytest.raises(InputError, match="names"):
        run(places, stockfish, games=[book], player="Ann")


# --- what goes wrong -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("missing.pgn", None),
        ("empty.pgn", b""),
        ("picture.png", b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 9),
        ("notes.txt", b"Buy milk and bread.\n"),
        ("cut.pgn.gz", gzip.compress(game_text(SCHOLAR, "Ann", "Bob").encode() * 99)[:200]),
        ("not.pgn.gz", b"no gzip at all"),
        ("not.pgn.bz2", b"no bzip2 at all"),
        ("odd.bin", b"x" * 17),
        ("empty.bin", b""),
        ("red\x1b[31m.pgn", b""),
    ],
)
def test_an_odd_file_ends_the_scan_with_one_line(
    name: str,
    content: bytes | None,
    places: Path,
    stockfish: Stockfish,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    file = tmp_path / name
    if content is not None:
        file.write_bytes(content)
    words = ["scan", str(places / "small.pgn"), "--engine", stockfish[0].command[0], "--games", str(file)]
    assert main([*words, "--out", str(tmp_path / "out"), "--store", str(tmp_path / "store.db")]) == 2
    out, err = capsys.readouterr()
    (line,) = err.splitlines()
    assert name[:3] in line and "\x1b" not in line and str(tmp_path) not in line and "Traceback" not in out + line
    assert not (tmp_path / "out").exists()


def test_a_folder_is_no_file_of_games(places: Path, stockfish: Stockfish, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="directory"):
        run(places, stockfish, games=[tmp_path])


def test_broken_games_are_problems(places: Path, stockfish: Stockfish, tmp_path: Path) -> None:
    file = tmp_path / "games.pgn"
    file.write_text(game_text(SCHOLAR, "A", "B") + '[Event "x"]\n\n1. e4 e5 2. Ke3 *\n\n' + game_text("d4", "A", "B"))
    problems = run(places, stockfish, games=[file]).scan.problems
    assert [(p.file, p.game, p.ply) for p in problems] == [("games.pgn", 2, 3)] and "Ke3" in problems[0].text


# --- in words --------------------------------------------------------------------------------------------------------


def test_every_report_tells_the_count(counted: Result, places: Path) -> None:
    write_reports(counted.scan, places / "out")
    for name in ("report.html", "report.md", "findings.csv", "tricks.pgn"):
        text = " ".join((places / "out" / name).read_text().split())
        assert "played 24 of 40 times" in text, name
    for name in ("report.html", "report.md"):
        assert "counted in games.pgn (100 games)" in (places / "out" / name).read_text().replace("\\", ""), name


# --- the model with counts -------------------------------------------------------------------------------------------


def test_the_model_with_counts_is_the_formula() -> None:
    """(count + k model)/(N + k), the engine's losses correcting the model's part alone."""
    board, levels = chess.Board(), (1450, 2400)  # 1450 is the middle of a step of the counts
    evidence = Evidence()
    for move, count in (("e2e4", 30), ("h2h4", 10)):
        evidence.add(board.epd(), move, count)
    for _ in range(5):
        evidence.add(answers_to(board.epd(), "h2h4"), "e7e5", 1, 1450)
    after = board.copy()
    after.push_uci("h2h4")
    losses = {"e2e4": (0.0, 0.0), "h2h4": (0.05, 0.1), "d2d4": (0.0, 0.0)}
    net = load_model()
    for one_player, k in ((False, BLEND_K), (True, PLAYER_K)):
        model = CountedModel(net, board, evidence, one_player=one_player)
        (chances,) = model.predict([board], levels)
        counts = {"e2e4": 30.0, "h2h4": 10.0}
        (alone,) = net.predict([board], levels)
        for given, made in (
            (alone, chances),
            (net.join(alone, losses, levels), model.join(chances, losses, levels)),
        ):
            assert list(given) == list(made)
            for move, shares in given.items():
                expected = [(counts.get(move, 0) + k * share) / (40 + k) for share in shares]
                assert made[move] == pytest.approx(expected, abs=2e-5)
        (replies,), (free,) = model.predict([after], levels), net.predict([after], levels)
        assert replies == blend(free, [{"e7e5": 5.0}, {"e7e5": 5.0} if one_player else {}], k)
    before = chess.Board(BEFORE_NF6)
    assert model.predict([before], levels) == net.predict([before], levels), "elsewhere nothing changes"


def test_a_file_of_games_named_twice_is_refused(places: Path, stockfish: Stockfish) -> None:
    with pytest.raises(InputError, match="given twice"):
        run(places, stockfish, games=[places / "games.pgn", places / "games.pgn"])


def test_problems_beyond_the_first_are_told_by_kind(places: Path, stockfish: Stockfish, tmp_path: Path) -> None:
    file = tmp_path / "games.pgn"
    broken = '[Event "x"]\n\n1. e4 e5 2. Ke3 *\n\n' * 25 + '[Variant "Atomic"]\n\n1. e4 *\n\n' * 5
    file.write_text(game_text(SCHOLAR, "A", "B") + broken)
    problems = run(places, stockfish, games=[file], beyond=0).scan.problems
    assert len(problems) == 21
    assert problems[-1].text == (
        "10 more problems in the games are not listed; in all 5 games of another variant, "
        "25 games with a word that is no move"
    )
