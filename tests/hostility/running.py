"""Running a case, in this process or in one of its own, and judging how it ended."""

from __future__ import annotations

import contextlib
import io
import os
import random
import shlex
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from types import FrameType
from unittest import mock

from tests.hostility.cases import CLASSES, Case, allowed, small
from trapscan.cli import main
from trapscan.engines import Engine, guard
from trapscan.engines.process import EngineProcess

FAULTS = ("traceback", "hang", "left process", "stray file", "exit code")
HANG_SECONDS = 60
MARK = "TRAPSCAN_HOSTILE"


class Hang(BaseException):
    """The run took too long."""


def prepare(work: Path) -> None:
    """A repertoire, its report, and a store that knows the answers."""
    base = work / "base"
    base.mkdir(parents=True)
    os.chdir(base)
    Path("ok.pgn").write_text("1. e4 e5 2. Bc4 Nc6 3. Qh5 Nf6 *\n")
    with contextlib.redirect_stdout(io.StringIO()):
        assert main(small("--out", "out", store="store")) == 0, "a scan that is not disturbed"


def run(work: Path, seed: int, number: int, only: str | None = None) -> tuple[str, list[str], str] | None:
    """One case by its number: its class, what was wrong, and all that is needed to see why; None if it is of another
    class than `only`."""
    rng = random.Random(f"{seed}-{number}")
    names = [name for name, (_, often) in CLASSES.items() for _ in range(often)]
    kind = names[(number * 17) % len(names)]  # mixed, whatever part of the numbers is run
    if only not in (None, kind):
        return None
    folder = work / f"case{number}"
    folder.mkdir()
    os.chdir(folder)
    shutil.copy("../base/ok.pgn", "ok.pgn")
    case = CLASSES[kind][0](rng)
    before = {path.name for path in Path().iterdir()}
    code, said, left = (_apart if case.apart else _here)(case, rng)
    wrong = []
    if "Traceback" in said or "Exception ignored" in said or code == 4:
        wrong.append("traceback")
    if code is None:
        wrong.append("hang")
    elif code not in case.codes and "traceback" not in wrong:
        wrong.append("exit code")
    wrong += ["left process"] * bool(left)
    strays = [path.name for path in Path().iterdir() if path.name not in before and not allowed(case, path.name)]
    strays += [str(path) for path in Path().rglob(".*") if path.name.endswith((".tmp", ".ready"))]
    wrong += ["stray file"] * bool(strays)
    os.chdir(work)
    if not wrong:
        shutil.rmtree(folder)
    return kind, wrong, f"{folder}: {case} -> {code} {left or ''} {strays or ''}\n{said[-1500:]}"


def _here(case: Case, rng: random.Random) -> tuple[int | None, str, list[int]]:
    """In this process: exit code (None: it hung), what was said, processes left."""
    known = set(_children())
    taken = io.BytesIO()
    out, err = _stream(case.stream, taken), io.TextIOWrapper(taken, encoding="utf-8", errors="backslashreplace")
    streams = mock.patch.multiple(sys, stdout=out, stderr=err)
    signal.signal(signal.SIGALRM, _hang)
    signal.alarm(HANG_SECONDS)
    code: int | None = 4
    try:
        with streams, _lying(case.lies, rng):
            code = main(case.words)
    except SystemExit as exc:
        code = exc.code if isinstance(exc.code, int) else 1
    except Hang:
        code = None
    except BaseException as exc:
        err.write(f"Traceback: {exc!r}")
    finally:
        signal.alarm(0)
    for stream in (out, err):
        with contextlib.suppress(OSError, ValueError):
            stream.flush() if stream is not None else None
    return code, taken.getvalue().decode("utf-8", "replace"), [pid for pid in _children() if pid not in known]


def _hang(number: int, frame: FrameType | None) -> None:
    raise Hang


def _stream(kind: str, taken: io.BytesIO) -> io.TextIOWrapper | None:
    if kind == "closed":
        return None
    if kind == "full":
        return Path("/dev/full").open("w")
    if kind == "nobody reads":
        reader, writer = os.pipe()
        os.close(reader)
        return open(writer, "w")  # noqa: PTH123 - a descriptor
    return io.TextIOWrapper(taken, encoding="ascii" if kind == "ascii" else "utf-8", write_through=True)


def _children() -> list[int]:
    """Processes below this one, but for joblib's own helper, which stays."""
    return [pid for pid in guard.below(os.getpid()) if b"resource_tracker" not in _read(pid, "cmdline")]


def _read(pid: int, what: str) -> bytes:
    try:
        return Path(f"/proc/{pid}/{what}").read_bytes()
    except OSError:
        return b""


@contextlib.contextmanager
def _lying(often: float, rng: random.Random) -> Iterator[None]:
    """The engine's lines are changed on their way, so often."""
    if not often:
        yield
        return
    lines = EngineProcess.read_lines

    def lie(self: EngineProcess, seconds: float, what: str) -> Iterator[bytes]:
        for line in lines(self, seconds, what):
            if rng.random() >= often:
                yield line
                continue
            words = line.split()
            changes: list[Callable[[], list[bytes]]] = [
                lambda: [], lambda: [line, line], lambda: [line[: rng.randint(0, len(line))] or b"x"],  # noqa: B023
                lambda: [b"bestmove e2e5"], lambda: [b"info score cp 10e9 pv", b"readyok", b"uciok"],
                lambda: [b" ".join(rng.choice([word, b"-1", b"9" * 40, b"e1e8", b"cp"]) for word in words)],  # noqa: B023
                lambda: [bytes(rng.randrange(256) for _ in range(50)).replace(b"\n", b"") or b"x"],
            ]  # fmt: skip
            yield from rng.choice(changes)()

    hasty = partial(Engine, patience=1.0, start_seconds=2.0)
    with mock.patch.object(EngineProcess, "read_lines", lie), mock.patch("trapscan.job.work.Engine", hasty):
        yield


def _apart(case: Case, rng: random.Random) -> tuple[int | None, str, list[int]]:
    """In a process of its own, in its own session; Ctrl-C goes to all of it, as from a terminal."""
    mark = f"{os.getpid()}-{rng.random()}"
    given = {"HOME": str(Path("home").absolute()), **case.environment, MARK: mark}
    environment = {name: value for name, value in {**os.environ, **given}.items() if value is not None}
    command = shlex.join([sys.executable, "-m", "trapscan", *case.words])
    shell = case.shell.format(command)
    wait = rng.uniform(0.3, 3)
    with subprocess.Popen(
        ["bash", "-c", shell if shell != command else f"exec {command}"],
        env=environment, start_new_session=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    ) as process:  # fmt: skip
        for _ in range(case.press):
            time.sleep(wait)
            wait = rng.uniform(0, 0.2)
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGINT)
        try:
            out, err = process.communicate(timeout=HANG_SECONDS)
            code: int | None = process.returncode
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            out, err = process.communicate()
            code = None
    deadline = time.monotonic() + 8
    while (left := _marked(mark)) and time.monotonic() < deadline:
        time.sleep(0.1)
    for pid in left:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
    return code, (out + err).decode("utf-8", "replace"), left


def _marked(mark: str) -> list[int]:
    wanted = f"{MARK}={mark}".encode()
    pids = [int(entry.name) for entry in Path("/proc").iterdir() if entry.name.isdigit()]
    return [pid for pid in pids if wanted in _read(pid, "environ") and b" Z " not in _read(pid, "stat")]
