"""Fuzz the readers with atheris (coverage-guided), seeded with the demo repertoires and the presets.

    scripts/run fuzz_readers [--seconds 300] [--reader pgn|list|settings|scan|engine]

Runs each reader in turn in a process of its own for its share of the time. A reader may only return or raise the error
that its docstring names; anything else ends the run with the input in a file and exit code 1. Needs `pip install -e
.[fuzz]`.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]

READERS = ("pgn", "list", "settings", "scan", "engine")
MAX_BYTES = 4_000
SEED_SCAN = ROOT / "tests" / "report"


def fuzz(reader: str, corpus: str, seconds: int) -> None:
    """Fuzz one reader in this process; atheris ends the process."""
    import atheris

    with atheris.instrument_imports(include=["trapscan"]):
        import chess

        from trapscan import graph, repertoire, settings
        from trapscan.engines import uci
        from trapscan.errors import EngineError, RepertoireError, ReportError, SettingsError
        from trapscan.report.reading import read_scan

    folder = Path(tempfile.mkdtemp())
    board = chess.Board("r3k2r/pP3ppp/8/3pP3/8/8/P4PPP/R3K2R w KQkq d6 0 9")

    def answer(data: bytes) -> None:
        """What an engine prints: its options, then a search's lines, read as a session does."""
        lines = data.splitlines()
        for line in lines:
            uci.parse_option(line.decode("utf-8", "replace"))
            uci.step_of_line(line, board, 0)
        best = next((best for line in lines if (best := uci.bestmove_of(line)) is not None), "")
        searched = [line for line in lines if b"score" in line.lower()]
        try:
            told = uci.read_answer(searched, best, board, 1 + data.count(b"multipv") % 3, mate_floor=0)
        except EngineError as exc:
            assert "\n" not in str(exc)
        else:
            for answer in told.lines:
                there = board.copy()
                for move in answer.pv:
                    there.push_uci(move)  # legal, every one

    def one(data: bytes) -> None:
        if reader in ("pgn", "list"):
            path = folder / ("x.pgn" if reader == "pgn" else "x.epd" if data[:1] < b"a" else "x.txt")
            path.write_bytes(data)
            try:
                graph.build(repertoire.read_files([path]))
            except RepertoireError as exc:
                assert "\n" not in str(exc)
        elif reader == "engine":
            answer(data)
        elif reader == "settings":
            path = folder / "x.toml"
            path.write_bytes(data)
            try:
                settings.load(str(path))
            except SettingsError as exc:
                assert "\n" not in str(exc)
        else:
            path = folder / "scan.json"
            path.write_bytes(data)
            try:
                read_scan(path)
            except ReportError as exc:
                assert "\n" not in str(exc)

    atheris.Setup(
        [sys.argv[0], f"-max_total_time={seconds}", f"-max_len={MAX_BYTES}", "-print_final_stats=1", corpus], one
    )
    atheris.Fuzz()


def seeds(reader: str, corpus: Path) -> None:
    """What the fuzzer starts from."""
    if reader == "pgn":
        for path in (ROOT / "trapscan" / "demo").glob("*.pgn"):
            for number, game in enumerate(path.read_text(encoding="utf-8").split('[Event "')[1:]):
                (corpus / f"{path.stem}{number}").write_text(f'[Event "{game}', encoding="utf-8")
        fen = '[SetUp "1"]\n[FEN "4k3/8/8/3pP3/8/8/8/R3K2R w KQ d6 0 9"]\n[Variant "Chess960"]\n\n9. exd6 $1 O-O-O *'
        (corpus / "fen").write_text(fen)
    elif reader == "list":
        (corpus / "epd").write_text('4k3/8/8/8/8/8/8/R3K3 w Q - bm Ra8+; id "a; b"; hmvc 3; fmvn 9;\n' * 2)
        (corpus / "san").write_text("# list\n1. e4 e5\n2. Nf3 {x} (2. d4) Nc6\ne2e4 c7c5\nd4 d5 c4\n")
    elif reader == "settings":
        for path in (ROOT / "trapscan/configs").glob("*.toml"):
            (corpus / path.stem).write_bytes(path.read_bytes()[:MAX_BYTES])
    elif reader == "engine":
        (corpus / "options").write_text(
            "id name X\noption name Hash type spin default 16 min 1 max 64\n"
            "option name Style type combo default a var a var b c\n"
            "option name Clear Hash type button\nuciok\n"
        )
        info = "info depth {} seldepth 9 multipv {} score cp {} nodes 99 nps 5 pv e1g1 e8c8 b7a8q\n"
        (corpus / "lines").write_text(info.format(1, 1, 20) + info.format(1, 2, -3) + "bestmove e1g1 ponder e8c8\n")
        (corpus / "bounds").write_text(
            "info depth 3 score mate -2 pv e5d6\ninfo depth 4 score cp 5 lowerbound nodes 7 pv b7b8n\n"
            "info depth 4 score cp 9 upperbound nodes 9 pv b7b8n\ninfo string x\n> bestmove b7b8n\n"
        )
    else:
        for path in SEED_SCAN.rglob("*.json"):
            (corpus / path.stem).write_bytes(path.read_bytes())
        (corpus / "head").write_text('{"schema": "trapscan.scan/1", "tool": {"version": "1"}, "levels": [1000]}')


def main() -> int:
    """Fuzz the chosen readers one after the other; 1 if any failed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=int, default=300, help="time for all readers together")
    parser.add_argument("--reader", choices=READERS, action="append", help="only this one (may be repeated)")
    parser.add_argument("--corpus", help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    readers = arguments.reader or list(READERS)
    if arguments.corpus:
        fuzz(readers[0], arguments.corpus, arguments.seconds)
        return 0
    failed = []
    for reader in readers:
        with tempfile.TemporaryDirectory() as corpus:
            seeds(reader, Path(corpus))
            share = max(1, arguments.seconds // len(readers))
            command = [sys.executable, __file__, "--reader", reader, "--corpus", corpus, "--seconds", str(share)]
            done = subprocess.run(command, capture_output=True, text=True, errors="replace", check=False)
        runs = [line.split()[-1] for line in done.stderr.splitlines() if "number_of_executed_units" in line]
        print(f"{reader}: {runs[0] if runs else '?'} inputs, exit code {done.returncode}", flush=True)
        if done.returncode:
            failed.append(reader)
            print((done.stdout + done.stderr)[-4_000:])
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
