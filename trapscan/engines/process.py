"""One engine process: bytes in, lines out, every wait with a deadline, memory bounded, nothing left behind."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import threading
import time
from collections import deque
from collections.abc import Iterator, Sequence

from trapscan.engines import guard
from trapscan.engines.clock import processor_seconds, waited_seconds
from trapscan.engines.fixed_addresses import same_layout
from trapscan.engines.pipe import output_of
from trapscan.errors import EngineCrashedError, EngineTimeoutError

_LONGEST_LINE = 1 << 16  # a longer line is cut: no UCI line that matters comes near
_MOST_OUTPUT = 1 << 25  # bytes of one answer; searches write a few KB
_SLICE = 1.0  # seconds; longer waits are sliced to notice that the machine slept


class EngineProcess:
    """A running engine. `read_lines` yields decoded lines; all errors are trapscan's own.

    An engine that floods its output is slowed down rather than believed: see `pipe`.
    """

    def __init__(self, command: Sequence[str], *, cwd: str | None = None, name: str = "") -> None:
        self.name = name or command[0]
        try:
            with same_layout():
                self._popen = subprocess.Popen(
                    list(command),
                    cwd=cwd,
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.PIPE,
                    bufsize=0,
                    # Its own session: Ctrl-C in the terminal is ours to handle, and a script's children die with it.
                    start_new_session=os.name == "posix",
                    creationflags=(subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.CREATE_NO_WINDOW)  # type: ignore[attr-defined,unused-ignore]
                    if os.name == "nt"
                    else 0,
                )
        except (OSError, ValueError) as exc:
            reason = getattr(exc, "strerror", None) or str(exc)
            raise EngineCrashedError(
                f"the engine cannot be started ({reason}); check its path", engine=self.name
            ) from exc
        self.pid = self._popen.pid
        guard.watch(self.pid)
        assert self._popen.stdout is not None
        self._output = output_of(self._popen.stdout)
        self._lines: deque[bytes] = deque()
        self._partial = b""
        self._ended = False
        self._closed = False
        self._stderr = b""
        self._errors = threading.Thread(target=self._read_errors, name=f"engine {self.pid}", daemon=True)
        self._errors.start()

    def _read_errors(self) -> None:
        assert self._popen.stderr is not None
        fd = self._popen.stderr.fileno()
        with contextlib.suppress(OSError):
            while chunk := os.read(fd, 4096):
                self._stderr = (self._stderr + chunk)[-4096:]
        self._popen.stderr.close()

    # --- talking -----------------------------------------------------------------------------------------------------

    def send(self, text: str) -> None:
        """Write one or more lines (each ended by a newline). Raises EngineCrashedError when nobody reads."""
        assert self._popen.stdin is not None
        try:
            self._popen.stdin.write(text.encode())
        except (OSError, ValueError) as exc:
            raise self.crash() from exc

    def read_lines(self, seconds: float, what: str) -> Iterator[bytes]:
        """Yield stripped, non-empty lines until the caller stops asking.

        Raises EngineTimeoutError once `seconds` have passed, EngineCrashedError when the output ends or does not end.
        Time in which this whole machine slept, or we were stopped, is not counted, nor, after a first look, time in
        which the engine waited for a processor.
        """
        began, taken = time.monotonic(), 0
        deadline = began + seconds
        look, looked, waited = began + min(_SLICE, seconds / 8), began, None
        while True:
            while self._lines:
                line = self._lines.popleft().strip()
                if line:
                    yield line
            if self._ended:
                raise self.crash()
            before = time.monotonic()
            if before >= min(look, deadline):  # at the deadline too: it may have waited since the last look
                now = self.waited_seconds
                if waited is not None:  # several threads may wait at once: no more than has passed
                    deadline += min(max(0.0, now - waited), before - looked)
                look, looked, waited = before + _SLICE, before, now
            if before >= deadline:
                raise EngineTimeoutError(f"no {what} within {seconds:.0f} s", engine=self.name)
            wait = min(look, deadline) - before
            chunk = self._output.read(wait)
            if chunk is None:
                overslept = time.monotonic() - before - wait
                if overslept > _SLICE:
                    deadline += overslept
                continue
            self._take(chunk)
            taken += len(chunk)
            if taken > _MOST_OUTPUT:
                raise EngineCrashedError(f"the engine writes and writes and gives no {what}", engine=self.name)

    def _take(self, chunk: bytes) -> None:
        if not chunk:
            self._ended = True
            self._lines.append(self._partial)
            self._partial = b""
            return
        first, *rest = chunk.split(b"\n")
        self._partial = (self._partial + first)[:_LONGEST_LINE]
        if rest:
            self._lines.append(self._partial)
            self._lines.extend(rest[:-1])
            self._partial = rest[-1]

    def crash(self) -> EngineCrashedError:
        """The error for an engine that has gone, with how it ended and its last words."""
        with contextlib.suppress(subprocess.TimeoutExpired):
            if self._peek_status(1.0) is None:
                return EngineCrashedError("the engine closed its output", engine=self.name)
        status = self._status_text()
        self._errors.join(1.0)  # its last words may not have been read yet; not for ever, as a child may hold the pipe
        words = self._stderr.decode("utf-8", "replace").strip().splitlines()
        said = f": {words[-1].strip()[:200]}" if words else ""
        return EngineCrashedError(f"the engine ended{status}{said}", engine=self.name)

    def _status_text(self) -> str:
        code = self._code
        if code is None:
            return ""
        if code < 0:
            try:
                return f" ({signal.Signals(-code).name})"
            except ValueError:
                return f" (signal {-code})"
        return f" (exit code {code})"

    # --- ending ------------------------------------------------------------------------------------------------------

    _code: int | None = None

    def _peek_status(self, seconds: float) -> int | None:
        """Exit status within `seconds`, without reaping: the group's id stays ours until the group is killed."""
        if self._code is not None:
            return self._code
        if os.name != "posix" or not hasattr(os, "waitid"):
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._code = self._popen.wait(seconds)
            return self._code
        deadline = time.monotonic() + seconds
        pause = 0.0005
        while True:
            try:
                found = os.waitid(os.P_PID, self.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT)
            except ChildProcessError:
                self._code = 0
                return 0
            if found is not None:
                killed = found.si_code in (os.CLD_KILLED, os.CLD_DUMPED)
                self._code = -found.si_status if killed else found.si_status
                return self._code
            if time.monotonic() >= deadline:
                return None
            time.sleep(pause)
            pause = min(0.02, pause * 2)

    @property
    def alive(self) -> bool:
        """Whether the process still runs."""
        return not self._closed and self._peek_status(0) is None

    @property
    def cpu_seconds(self) -> float:
        """Processor time it has taken, all threads, without its children; 0 where the system does not tell."""
        return processor_seconds(self.pid)

    @property
    def waited_seconds(self) -> float:
        """How long it was ready to run and got no processor; 0 where the system does not tell."""
        return waited_seconds(self.pid)

    def close(self, patience: float = 0.5) -> None:
        """Ask it to quit, wait `patience` seconds, kill what is left of its group, reap. Never raises; may be called
        again."""
        if self._closed:
            return
        strays = guard.below(self.pid) if os.name == "posix" else []  # nobody's children once it has ended
        if patience > 0 and self._peek_status(0) is None:
            with contextlib.suppress(EngineCrashedError):
                self.send("quit\n")
        with contextlib.suppress(OSError):
            if self._popen.stdin is not None:
                self._popen.stdin.close()
        deadline = time.monotonic() + patience
        while self._peek_status(0) is None and time.monotonic() < deadline:
            if not self._output.read(0):  # keep its output flowing, or it may never come to read `quit`
                time.sleep(0.005)
        self._closed = True
        if os.name == "posix":
            guard.end_group(self.pid, strays)
        else:
            with contextlib.suppress(OSError):
                self._popen.kill()
        guard.forget(self.pid)
        self._popen.wait()
        self._output.close()
