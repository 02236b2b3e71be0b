"""The report while a scan goes on: when it is written, and that whoever looks finds all of one or nothing."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest

from tests.engines.processes import needs_proc
from tests.report.sample_scans import bulk_scan, trap_scan
from trapscan.cli.onway import Pace, Reporting, first_page
from trapscan.contract import Partial, Scan
from trapscan.errors import ReportError
from trapscan.report import Held, read_scan, write_reports, write_scan
from trapscan.report.files import FORMS
from trapscan.report.present import Presentation
from trapscan.report.reading import decode_scan

ROOT = Path(__file__).parent.parent.parent
ENGINE = f"{sys.executable} {ROOT / 'tests/engines/material_uci.py'}"
TINY = ("budgets=[{chance=0, least=200, most=200}]", "best_nodes=300", "confirm_nodes=200", "max_candidates=3")
LINES = "1. e4 e5 (1... c5 2. Nf3 d6 3. d4 cxd4 4. Nxd4) (1... e6 2. d4 d5) 2. Bc4 Nc6 3. Qh5 Nf6 *\n"

OFTEN = """
import sys
import trapscan.cli.onway
trapscan.cli.onway.FIRST = 0.0
trapscan.cli.onway.Pace.wrote = lambda pace, began, ended: None
from trapscan.cli import main
if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
"""


def test_first_after_half_a_minute_then_at_doubling_times() -> None:
    pace, due = Pace(), []
    for _ in range(5):
        due.append(pace.due)
        pace.wrote(pace.due, pace.due + 0.1)
    assert due == [30.0, 60.0, 120.0, 240.0, 480.0]


@pytest.mark.parametrize("slow", [0.01, 0.05, 0.3])
def test_writing_takes_no_more_than_its_share(slow: float) -> None:
    """Reports that cost a growing part of the time (so much of it each): but for the first, whose cost nobody knows
    beforehand, never more than two hundredths are spent, the next one reckoned in."""
    pace, spent = Pace(), 0.0
    pace.wrote(30.0, 30.0 + 30.0 * slow)
    spent = 30.0 * slow
    for _ in range(4):
        at = pace.due
        assert spent + 2 * (30.0 * slow) <= 0.02 * at + 1e-9
        cost = min(2 * 30.0 * slow, slow * at)
        pace.wrote(at, at + cost)
        spent += cost
        assert spent <= 0.02 * at + 1e-9


def test_one_that_cannot_be_written_waits_for_the_next() -> None:
    """A file that another program holds for a moment ends no night's work."""
    tries: list[int] = []

    def write(scan: Scan) -> None:
        tries.append(len(tries))
        if len(tries) == 1:
            raise ReportError("held")

    bar = Reporting(write, shown=False)
    assert not bar.write_latest() and not tries, "nothing is known yet"
    for _ in range(2):
        bar._pace = Pace(due=0.0)
        bar.present(trap_scan)
    assert tries == [0, 1] and bar.write_latest() and len(tries) == 3


def test_held_files_appear_together_or_not_at_all(tmp_path: Path) -> None:
    found = trap_scan()
    before = {name: f"old {name}".encode() for name in FORMS}
    for name, content in before.items():
        (tmp_path / name).write_bytes(content)

    def there() -> dict[str, bytes]:
        return {path.name: path.read_bytes() for path in tmp_path.iterdir() if not path.name.startswith(".")}

    with pytest.raises(KeyboardInterrupt), Held() as held:
        write_scan(found, tmp_path, held=held)
        write_reports(found, tmp_path, held=held)
        raise KeyboardInterrupt
    assert there() == before and len(list(tmp_path.iterdir())) == len(FORMS), "nothing is left behind"
    with Held() as held:
        write_scan(found, tmp_path, held=held)
        write_reports(found, tmp_path, held=held)
        assert there() == before
    assert read_scan(tmp_path) == found and all(there()[name] != before[name] for name in FORMS)


def test_on_the_way_stands_what_stands_first() -> None:
    """The first twelve ideas of each section, in the same order; how many are left out is said."""
    partial = Partial(positions=5, of=9, stake=0.75, verified=False)
    whole = msgspec.structs.replace(bulk_scan(400), partial=partial)
    short = first_page(whole)
    kept = [finding for finding in whole.findings if finding in short.findings]
    assert tuple(kept) == short.findings and 12 <= len(kept) < len(whole.findings)
    assert short.partial is not None and short.partial.left_out == len(whole.findings) - len(kept)
    for section, head in zip(Presentation.of(whole).sections(12), Presentation.of(short).sections(12), strict=True):
        assert [entry.id for entry in section.entries] == [entry.id for entry in head.entries]
    assert "more findings come with the end" in Presentation.of(short).unfinished
    few = msgspec.structs.replace(whole, findings=whole.findings[:3])
    assert first_page(few) == few, "few stay as they are"


# --- the whole -------------------------------------------------------------------------------------------------------


Start = Callable[..., "subprocess.Popen[str]"]


@pytest.fixture
def start(tmp_path: Path) -> Start:
    """Starts a scan that writes its report after every position."""
    (tmp_path / "often.py").write_text(OFTEN)
    (tmp_path / "lines.pgn").write_text(LINES)

    def run(out: str, pause: int = 5, *more: str) -> subprocess.Popen[str]:
        sets = [word for value in TINY for word in ("--set", value)]
        command = [sys.executable, str(tmp_path / "often.py"), "scan", str(tmp_path / "lines.pgn"), "--side", "white"]
        command += ["--engine", f"{ENGINE} {pause}", "--jobs", "1", "--store", str(tmp_path / f"{out}.db"), "--quiet"]
        return subprocess.Popen(
            [*command, "--out", str(tmp_path / out), *sets, *more],
            cwd=ROOT,
            stderr=subprocess.PIPE,
            text=True,
        )

    return run


def rendered(scan: Scan, folder: Path) -> dict[str, bytes]:
    """What a report of this scan consists of, but for the owner's files."""
    write_scan(scan, folder)
    write_reports(scan, folder)
    return {name: (folder / name).read_bytes() for name in FORMS}


@pytest.mark.lengthy
@needs_proc
def test_a_reader_in_a_loop_never_sees_half_a_report(start: Start, tmp_path: Path) -> None:
    """All files are opened again and again while they are written; each is one that some state of the scan makes, to
    the last byte, and what was known only grows."""
    out, seen = tmp_path / "out", {name: list[bytes]() for name in FORMS}
    scan = start("out")
    while scan.poll() is None:
        for name in FORMS:
            if (out / name).exists():
                content = (out / name).read_bytes()
                if content not in seen[name][-1:]:
                    seen[name].append(content)
    assert scan.wait() == 0 and scan.stderr is not None and scan.stderr.read() == ""
    states = [decode_scan(content) for content in seen["scan.json"]]
    parts = [state.partial for state in states]
    assert len(states) >= 4 and parts[-1] is None and all(isinstance(part, Partial) for part in parts[:-1])
    known = [part.positions for part in parts if part is not None]
    assert known == sorted(known) and all(0 <= part.stake <= 1 for part in parts if part is not None)
    whole = [rendered(state, tmp_path / "again") for state in states]
    for name in ("report.html", "report.md", "tricks.pgn", "findings.csv"):
        states_seen = [content for content in seen[name] if any(content == made[name] for made in whole)]
        others = [content for content in seen[name] if content not in states_seen]
        # a state whose scan.json was replaced before it was read: whole all the same, by its end
        end = whole[-1][name][-20:] if name != "findings.csv" else b"\r\n"
        assert len(states_seen) >= 2 and all(content.endswith(end) for content in others), name
    text = whole[0]["report.md"].decode()
    assert "This scan is not finished" in text and "The same command goes on from here" in text
    assert b"not finished" in whole[0]["report.html"] and b"not finished" not in whole[-1]["report.html"]


@pytest.mark.lengthy
@needs_proc
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupt_writes_what_is_known(start: Start, tmp_path: Path, number: signal.Signals) -> None:
    """The last report holds more than the one on the way before it; the same command then ends with the bytes of an
    undisturbed run."""
    scan = start("out", 60)
    file = tmp_path / "out" / "scan.json"
    while not file.exists() and scan.poll() is None:
        time.sleep(0.01)
    scan.send_signal(number)
    _, said = scan.communicate()
    assert scan.returncode == 130 and len(said.strip().splitlines()) == 1 and "goes on" in said
    part = read_scan(file).partial
    assert part is not None and 1 <= part.positions < part.of and not part.verified
    assert not [path.name for path in (tmp_path / "out").iterdir() if path.name.startswith(".")]
    made = rendered(read_scan(file), tmp_path / "again")
    assert all((tmp_path / "out" / name).read_bytes() == content for name, content in made.items())
    resumed, plain = start("out", 0), start("plain", 0)
    assert (resumed.wait(), plain.wait()) == (0, 0)
    for name in FORMS:
        assert (tmp_path / "out" / name).read_bytes() == (tmp_path / "plain" / name).read_bytes(), name
    assert read_scan(file).partial is None
