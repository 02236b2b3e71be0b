"""The faults. Each kind is a function of a place and a seeded random source: it runs the scan, disturbs it, and checks
what must hold at once. It returns what it did, or "" where the scan was over before it could strike. What must hold in
the end, the bytes of the undisturbed run from the same command, is checked for all of them by `rounds`.
"""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

from scripts.lab.faults.bench import Ended, Place, check
from scripts.lab.faults.processes import Seen, marked, strike

WATCHDOG_SECONDS = 20.0
"""The least patience with a silent engine (trapscan.engines.Engine)."""

Kind = Callable[[Place, random.Random], str]


# --- killed and stopped ----------------------------------------------------------------------------------------------


def wait_for(place: Place, scan: subprocess.Popen[str], role: str, delay: float, rng: random.Random) -> Seen | None:
    """After `delay`, one of the scan's processes of that role, or None when the scan ends before there is one."""
    time.sleep(delay)
    while scan.poll() is None:
        victims = [seen for seen in marked(str(place.folder)) if seen.role == role]
        if victims:
            return rng.choice(victims)
        time.sleep(0.02)
    return None


def kill_scan(place: Place, rng: random.Random) -> str:
    """SIGKILL of the parent at any moment."""
    scan, delay = place.start(), rng.uniform(0.0, place.expected_seconds)
    time.sleep(delay)
    struck = scan.poll() is None
    scan.kill()
    place.end(scan)
    place.check_whole()
    place.check_nothing_left()
    return f"after {delay:.1f} s" if struck else ""


def kill_writing(place: Place, rng: random.Random) -> str:
    """SIGKILL of the parent while it writes the report."""
    scan, started = place.start(), time.time_ns()
    delay = rng.uniform(0.0, 0.15)
    while scan.poll() is None:
        if any(path.stat().st_mtime_ns > started for path in paths(place.out)):
            time.sleep(delay)
            break
        time.sleep(0.001)
    struck = scan.poll() is None
    scan.kill()
    place.end(scan)
    place.check_whole()
    place.check_nothing_left()
    return f"{1000 * delay:.0f} ms into the writing, {len(paths(place.out))} files there" if struck else ""


def paths(folder: Path) -> list[Path]:
    """What lies in the folder at this moment; a file may go while one looks."""
    return [path for path in folder.iterdir() if path.exists()]


def one_of(role: str) -> Kind:
    """SIGKILL of one process of that role: the scan goes on and ends well by itself."""

    def kill(place: Place, rng: random.Random) -> str:
        scan = place.start()
        victim = wait_for(place, scan, role, rng.uniform(0.0, place.expected_seconds / 2), rng)
        if victim is not None:
            strike(victim)
        place.check_right(place.end(scan))
        return f"{role} {victim.pid}" if victim is not None else ""

    kill.__doc__ = f"SIGKILL of one {role}."
    return kill


def everything_killed(place: Place, rng: random.Random) -> str:
    """SIGKILL of parent, workers, guards and engines at once, as when the power fails."""
    scan, delay = place.start(), rng.uniform(0.5, place.expected_seconds)
    time.sleep(delay)
    struck = scan.poll() is None
    for _ in range(3):
        for seen in marked(str(place.folder)):
            strike(seen)
    place.end(scan)
    place.check_whole()
    place.check_nothing_left()
    return f"after {delay:.1f} s" if struck else ""


def interrupted(place: Place, rng: random.Random) -> str:
    """Ctrl-C or SIGTERM: exit code 130 and one line."""
    number = rng.choice((signal.SIGINT, signal.SIGTERM))
    scan, delay = place.start(), rng.uniform(1.0, place.expected_seconds)
    time.sleep(delay)
    scan.send_signal(number)
    ended = place.end(scan)
    place.check_whole()
    place.check_nothing_left()
    if ended.code == 0:
        return ""
    early = ended.code in (-signal.SIGINT, -signal.SIGTERM) or (ended.code == 1 and "KeyboardInterrupt" in ended.said)
    if early and "cli" not in ended.said:  # Python itself was still starting: nothing of ours ran
        return f"{number.name} after {delay:.1f} s, before the start"
    check(ended.code == 130 and "Traceback" not in ended.said, f"exit code {ended.code}: {ended.said[-800:]!r}")
    check(len(ended.said.strip().splitlines()) == 1, f"more than one line: {ended.said!r}")
    check("goes on" in ended.said, f"it does not say how to go on: {ended.said!r}")
    return f"{number.name} after {delay:.1f} s"


def frozen_engine(place: Place, rng: random.Random) -> str:
    """An engine stopped for longer than the watchdog waits is replaced."""
    scan = place.start()
    victim = wait_for(place, scan, "engine", rng.uniform(0.0, place.expected_seconds / 2), rng)
    if victim is not None:
        strike(victim, signal.SIGSTOP)
    place.check_right(place.end(scan))
    return f"engine {victim.pid}" if victim is not None else ""


def suspended(place: Place, rng: random.Random) -> str:
    """A laptop's sleep: all processes stopped for longer than the watchdog waits, then woken in any order."""
    scan = place.start()
    delay = rng.uniform(0.5, place.expected_seconds / 2)
    time.sleep(delay)
    struck = scan.poll() is None
    for _ in range(2):  # the second time for those that were being started
        for seen in marked(str(place.folder)):
            strike(seen, signal.SIGSTOP)
    time.sleep(WATCHDOG_SECONDS + 3.0)
    stopped = marked(str(place.folder))
    rng.shuffle(stopped)
    for seen in stopped:
        strike(seen, signal.SIGCONT)
    place.check_right(place.end(scan))
    return f"after {delay:.1f} s, {len(stopped)} processes" if struck else ""


# --- the disk --------------------------------------------------------------------------------------------------------


def small_disk(part: str, least: int, most: int) -> Kind:
    """A file system of so many KiB for one part ("store" or "out"), too small."""

    def fill(place: Place, rng: random.Random) -> str:
        size = rng.randint(least, most)
        with on_own_disk(place, part, f"size={size}k"):
            ended = place.run()
            place.check_whole()
            place.check_nothing_left()
            if ended.code:
                ended.check_clear_error()
            remount(place, part, "size=200m")
            place.check_right(place.run())
        return f"{size} KiB: {ended.said.strip()}" if ended.code else ""

    fill.__doc__ = f"A full disk under the {part}."
    return fill


def read_only(part: str) -> Kind:
    """A part that may not be written."""

    def lock(place: Place, rng: random.Random) -> str:
        if os.geteuid() != 0:
            (place.folder / part).chmod(0o555)
            ended = place.run()
            (place.folder / part).chmod(0o755)
        else:
            with on_own_disk(place, part, "size=200m"):
                remount(place, part, "ro")
                ended = place.run()
                remount(place, part, "rw")
                place.check_right(place.run())
        ended.check_clear_error()
        return ended.said.strip()

    lock.__doc__ = f"The {part}'s folder is read-only."
    return lock


class on_own_disk:
    """While it lasts, a part of the place is a file system in memory; what lay there moves along, and back."""

    def __init__(self, place: Place, part: str, options: str) -> None:
        self.place, self.folder, self.options = place, place.folder / part, options

    def __enter__(self) -> None:
        kept = {path.name: path.read_bytes() for path in self.folder.iterdir()}
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=200m", "fault", self.folder], check=True)
        for name, content in kept.items():
            (self.folder / name).write_bytes(content)
        used = sum(-(-len(content) // 4096) * 4 for content in kept.values()) + 8
        if self.options.startswith("size=") and self.options != "size=200m":
            room = int(self.options.removeprefix("size=").rstrip("k"))
            remount_at(self.folder, f"size={used + room}k")

    def __exit__(self, *_: object) -> None:
        kept = {path.name: path.read_bytes() for path in self.folder.iterdir()}
        subprocess.run(["umount", "-l", self.folder], check=True)
        for path in self.folder.iterdir():
            path.unlink()
        for name, content in kept.items():
            (self.folder / name).write_bytes(content)


def remount(place: Place, part: str, options: str) -> None:
    """Change a mounted part."""
    remount_at(place.folder / part, options)


def remount_at(folder: Path, options: str) -> None:
    """Change a mounted folder."""
    subprocess.run(["mount", "-o", f"remount,{options}", folder], check=True)


# --- the store -------------------------------------------------------------------------------------------------------


def cut_store(place: Place, rng: random.Random) -> str:
    """The store ends at a random byte."""
    size = place.store.stat().st_size
    end = rng.randrange(size)
    os.truncate(place.store, end)
    place.check_right(place.run())
    return f"at {end} of {size}"


def scribbled_store(place: Place, rng: random.Random) -> str:
    """Some pages of the store are overwritten, its header too now and then."""
    with place.store.open("r+b") as file:
        size = file.seek(0, 2)
        spots = [rng.randrange(100 if rng.random() < 0.8 else 0, size) for _ in range(rng.randint(1, 20))]
        for spot in spots:
            file.seek(spot)
            file.write(rng.randbytes(rng.randint(1, 4096)))
    ended = place.run()
    if ended.code:  # the header was hit: the file can no longer be told for ours, so it is not touched
        ended.check_clear_error()
        place.check_whole()
        place.store.rename(place.store.with_name("moved"))
    else:
        place.check_right(ended)
    return f"at {len(spots)} places{': ' + ended.said.strip() if ended.code else ''}"


def other_version(place: Place, rng: random.Random) -> str:
    """A store of an earlier trapscan is set aside; one of a later is refused and left in place."""
    db = sqlite3.connect(place.store)
    now = db.execute("PRAGMA user_version").fetchone()[0]
    version = rng.choice([*range(1, now), now + 1, 99])
    db.execute(f"PRAGMA user_version = {version}")
    db.close()
    ended = place.run()
    if version > now:
        check(ended.code == 2, f"a newer store: exit code {ended.code}; it said {ended.said[-1500:]!r}")
        db = sqlite3.connect(place.store)
        db.execute(f"PRAGMA user_version = {now}")
        db.close()
        return "refused"
    place.check_right(ended)
    aside = [path.name for path in place.store.parent.iterdir() if ".aside-" in path.name]
    check(len(aside) == 1, f"set aside: {aside}")
    return aside[0]


def foreign_store(place: Place, rng: random.Random) -> str:
    """A file that is not ours lies where the store should: an error, and the file as it was."""
    place.store.unlink()
    if rng.random() < 0.5:
        place.store.write_bytes(b"My letters.\n" + rng.randbytes(rng.randint(0, 5000)))
    else:
        db = sqlite3.connect(place.store)
        db.execute("CREATE TABLE letters (text)")
        db.commit()
        db.close()
    before = place.store.read_bytes()
    ended = place.run()
    ended.check_clear_error()
    check(place.store.read_bytes() == before, "a foreign file was changed")
    place.check_whole()
    place.store.rename(place.store.with_name("letters"))
    return ended.said.strip()


def two_at_once(place: Place, rng: random.Random) -> str:
    """Two scans on one store, into two folders or into the same one."""
    other = place.folder / "out2" if rng.random() < 0.6 else place.out
    first = place.start()
    time.sleep(rng.uniform(0.0, 1.5))
    second = place.start(out=other)
    ended = [place.end(scan) for scan in (first, second)]
    place.check_right(ended[0])
    place.check_right(ended[1], other)
    return "into one folder" if other == place.out else "into two folders"


def one_of_two_killed(place: Place, rng: random.Random) -> str:
    """Two scans on one store; one is killed, the other must end well."""
    other = place.folder / "out2"
    first, second = place.start(), place.start(out=other)
    time.sleep(rng.uniform(0.5, place.expected_seconds))
    struck = first.poll() is None
    first.kill()
    place.end(first)
    place.check_right(place.end(second), other)
    place.check_whole()
    return "the first" if struck else ""


# --- the clock -------------------------------------------------------------------------------------------------------


SITE = """
import os, time
_now, _ns = time.time, time.time_ns
def _offset():
    try:
        with open(os.environ["FAULT_CLOCK"]) as file:
            return int(file.read() or 0)
    except (OSError, ValueError):
        return 0
time.time = lambda: _now() + _offset()
time.time_ns = lambda: _ns() + 10**9 * _offset()
"""


def clock_jumps(place: Place, rng: random.Random) -> str:
    """The wall clock jumps by days, forth and back, while the scan runs.

    Only for Python, in parent, workers and guards: a module that Python imports at its start replaces `time.time`.
    (libfaketime 0.9.10 makes `time.sleep` fail with EINVAL, with or without a jump, so it cannot be used.)
    """
    (place.folder / "site").mkdir()
    (place.folder / "site" / "sitecustomize.py").write_text(SITE)
    clock = place.folder / "clock"
    clock.write_text("0")
    path = f"{place.folder / 'site'}{os.pathsep}{place.env['PYTHONPATH']}"
    scan = place.start(env={"FAULT_CLOCK": str(clock), "PYTHONPATH": path})
    jumps: list[int] = []
    while scan.poll() is None and len(jumps) < 8:
        time.sleep(rng.uniform(0.2, place.expected_seconds / 3))
        jumps.append(rng.choice((3 * 86_400, -400 * 86_400, 20 * 365 * 86_400, -7_200, 0)))
        clock.write_text(str(jumps[-1]))
    place.check_right(place.end(scan))
    return " ".join(f"{jump:+}" for jump in jumps)


def may_mount() -> bool:
    """Whether file systems can be mounted here (root)."""
    return os.geteuid() == 0


KINDS: dict[str, tuple[Kind, str, Callable[[], bool]]] = {
    "kill scan": (kill_scan, "", lambda: True),
    "kill while writing": (kill_writing, "", lambda: True),
    "kill worker": (one_of("worker"), "", lambda: True),
    "kill engine": (one_of("engine"), "", lambda: True),
    "kill guard": (one_of("guard"), "", lambda: True),
    "kill everything": (everything_killed, "", lambda: True),
    "interrupt": (interrupted, "", lambda: True),
    "full disk, store": (small_disk("store", 0, 150), "needs root, to mount", may_mount),
    "full disk, report": (small_disk("out", 0, 40), "needs root, to mount", may_mount),
    "read-only store": (read_only("store"), "", lambda: True),
    "read-only report": (read_only("out"), "", lambda: True),
    "cut store": (cut_store, "", lambda: True),
    "scribbled store": (scribbled_store, "", lambda: True),
    "store of another version": (other_version, "", lambda: True),
    "foreign store": (foreign_store, "", lambda: True),
    "two at once": (two_at_once, "", lambda: True),
    "one of two killed": (one_of_two_killed, "", lambda: True),
    "clock jumps": (clock_jumps, "", lambda: True),
    "frozen engine": (frozen_engine, "", lambda: True),
    "suspend": (suspended, "", lambda: True),
}
"""Name -> (what to do, what it needs, whether that is here)."""

WAITING = frozenset({"frozen engine", "suspend"})
"""Kinds that mostly wait, for longer than the watchdog."""

__all__ = ["KINDS", "WAITING", "Ended", "Kind"]
