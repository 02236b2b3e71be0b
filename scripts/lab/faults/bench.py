"""Where the rounds take place: the undisturbed run, a place for each round, running scans, and comparing bytes."""

from __future__ import annotations

import os
import random
import re
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from scripts.lab.faults.processes import left_over
from trapscan.errors import ReportError
from trapscan.repertoire.rewrite import write_annotated
from trapscan.report import entries_shown, write_reports, write_scan
from trapscan.report.reading import decode_scan

ROOT = Path(__file__).resolve().parents[3]
LONGEST = 300.0
"""Seconds after which a scan of these counts as hung."""
ADVICE = re.compile(r"\b(free|set|give|move|end|wait|run again|try|check|choose|name)\b")
"""A clear error says what to do: one of these words must be in it."""

Files = dict[str, bytes]


class RoundFailedError(Exception):
    """What was promised was not kept."""


def check(holds: bool, text: str) -> None:
    """Raises RoundFailedError unless `holds`."""
    if not holds:
        raise RoundFailedError(text)


@dataclass
class Ended:
    """A scan that has ended: its exit code (negative: by a signal) and what it said on standard error."""

    code: int
    said: str

    def check_clear_error(self) -> None:
        """A code for errors and one line that says what to do."""
        lines = [line for line in self.said.splitlines() if line.strip()]
        check(self.code in (2, 3), f"exit code {self.code} where an error was due; it said {self.said[-800:]!r}")
        check(
            len(lines) == 1 and lines[0].startswith("trapscan: ") and bool(ADVICE.search(lines[0])),
            f"no clear error of one line: {self.said[-800:]!r}",
        )


@dataclass
class Place:
    """A round's own folder. `env` carries the mark by which its processes are found."""

    bench: Bench
    folder: Path
    env: dict[str, str]
    store: Path
    out: Path
    expected_seconds: float
    notes: list[str] = field(default_factory=list)

    def start(self, *, out: Path | None = None, env: dict[str, str] | None = None) -> subprocess.Popen[str]:
        """Start the command of this round."""
        return subprocess.Popen(
            self.bench.command(self.store, out or self.out),
            env=self.env | (env or {}),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
            cwd=self.folder,
        )

    def end(self, scan: subprocess.Popen[str]) -> Ended:
        """Wait for its end. A scan that does not end is killed and fails the round."""
        try:
            _, said = scan.communicate(timeout=LONGEST)
        except subprocess.TimeoutExpired:
            scan.kill()
            scan.communicate()
            raise RoundFailedError(f"it did not end within {LONGEST:.0f} s") from None
        return Ended(scan.returncode, said)

    def run(self) -> Ended:
        """The command from start to end."""
        return self.end(self.start())

    def check_whole(self, out: Path | None = None) -> None:
        """Each file that is there is whole: the undisturbed run's, the older report's that lay there before, or one of
        the way: what comes of the scan.json beside it, or, where the scan was killed while files were renamed, at least
        ended as such a file ends."""
        there = {name: content for name, content in read(out or self.out).items() if not name.startswith(".")}
        on_the_way = self.bench.forms(there.get("scan.json", b""), self.folder / "forms")
        for name, content in there.items():
            known = (self.bench.reference.get(name), self.bench.older.get(name), on_the_way.get(name))
            end = b"</html>\n" if name.endswith(".html") else b"\n"
            whole = content in known or (name != "scan.json" and bool(on_the_way) and content.endswith(end))
            check(whole, f"{name} is no report's, neither the old one's nor a new one's: {len(content)} bytes")

    def check_right(self, ended: Ended, out: Path | None = None) -> None:
        """It ended well, with the bytes of the undisturbed run and no other file."""
        check(ended.code == 0, f"exit code {ended.code}; it said {ended.said[-1500:]!r}")
        there, wanted = read(out or self.out), self.bench.reference
        check(there.keys() == wanted.keys(), f"files {sorted(there)} instead of {sorted(wanted)}")
        differing = [name for name in wanted if there[name] != wanted[name]]
        check(not differing, f"not the bytes of the undisturbed run: {', '.join(differing)}")

    def check_nothing_left(self, seconds: float = 15.0) -> None:
        """No process of this round lives on."""
        left = left_over(str(self.folder), seconds)
        check(not left, f"left behind: {[(seen.role, seen.pid, seen.state) for seen in left]}")

    def remove(self) -> None:
        """Unmount and delete what is the round's own."""
        for part in ("store", "out"):
            if os.path.ismount(self.folder / part):
                subprocess.run(["umount", "-l", self.folder / part], check=False)
        shutil.rmtree(self.folder, ignore_errors=True)


@dataclass
class Bench:
    """The undisturbed run that all rounds are compared with."""

    folder: Path
    files: Sequence[Path]
    engine: str
    jobs: int
    settings: Sequence[str]
    reference: Files = field(default_factory=dict)
    older: Files = field(default_factory=dict)
    seconds: float = 0.0
    positions: int = 0

    def command(self, store: Path, out: Path, *more: str) -> list[str]:
        """A scan by the command line."""
        settings = [f"--set={setting}" for setting in self.settings]
        return [
            *(
                sys.executable,
                "-m",
                "scripts.lab.faults.often",
                "scan",
                *map(str, self.files),
                "--side",
                "both",
                "--engine",
                self.engine,
            ),
            *("--jobs", str(self.jobs), "--store", str(store), "--out", str(out), "--quiet", *settings, *more),
        ]

    def forms(self, scan_json: bytes, folder: Path) -> Files:
        """All files of the report with this scan.json, made in a folder that is removed; none where it is none."""
        try:
            scan = decode_scan(scan_json)
        except ReportError:
            return {}
        write_scan(scan, folder)
        write_reports(scan, folder)
        write_annotated(scan, entries_shown(scan), folder, self.files)
        files = read(folder)
        shutil.rmtree(folder)
        return files

    @property
    def env(self) -> dict[str, str]:
        """The environment of every scan: our code first, and one folder for what was measured of the engine."""
        return os.environ | {"TRAPSCAN_STORE": str(self.folder / "kept"), "PYTHONPATH": str(ROOT)}

    def prepare(self) -> None:
        """The undisturbed run: its bytes, its time, its store; and an older report, of another title."""
        self._run("--title", "First")  # measures the engine, so that the next one's time is a scan's
        (self.folder / "full.db").unlink()
        start = time.monotonic()
        self._run()
        self.seconds = time.monotonic() - start
        self.reference = read(self.folder / "out")
        self._run("--title", "Older")
        self.older = read(self.folder / "out")
        with sqlite3.connect(self.folder / "full.db") as db:
            self.positions = db.execute("SELECT COUNT(*) FROM blobs").fetchone()[0]
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        db.close()

    def _run(self, *more: str) -> None:
        done = subprocess.run(
            self.command(self.folder / "full.db", self.folder / "out", *more),
            env=self.env,
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode:
            raise SystemExit(f"the undisturbed run ends with {done.returncode}: {done.stderr[-2000:]}")

    def place(self, number: int, rng: random.Random, *, known: float | None = None) -> Place:
        """A fresh place. Its store knows a random share of the positions (so that a round is short), and often an
        older report lies where the new one will."""
        folder = self.folder / f"round-{number}"
        for part in ("store", "out", "tmp"):
            (folder / part).mkdir(parents=True)
        share = rng.uniform(0.6, 0.95) if known is None else known
        store = folder / "store" / "store.db"
        self._copy_store(store, share, rng)
        if rng.random() < 0.5:
            for name, content in self.older.items():
                (folder / "out" / name).write_bytes(content)
        temporary = str(folder / "tmp")
        env = self.env | {"FAULT_MARK": str(folder), "TMPDIR": temporary, "JOBLIB_TEMP_FOLDER": temporary}
        return Place(self, folder, env, store, folder / "out", 1.5 + (1.0 - share) * self.seconds)

    def _copy_store(self, path: Path, share: float, rng: random.Random) -> None:
        shutil.copyfile(self.folder / "full.db", path)
        db = sqlite3.connect(path, isolation_level=None)
        for table, key in (("blobs", "key"), ("answers", "query")):
            keys = [row[0] for row in db.execute(f"SELECT {key} FROM {table} ORDER BY {key}")]
            gone = rng.sample(keys, round((1.0 - share) * len(keys)))
            db.execute("BEGIN")
            db.executemany(f"DELETE FROM {table} WHERE {key} = ?", [(each,) for each in gone])
            db.execute("COMMIT")
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        db.close()


def read(folder: Path) -> Files:
    """All files of a folder, by name."""
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())} if folder.is_dir() else {}
