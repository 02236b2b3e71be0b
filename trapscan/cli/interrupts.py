"""Ctrl-C and SIGTERM from the first moment to the last: once, what is finished is kept; twice, the end is at once.

Imported before all else, so nothing that takes time here.
"""

from __future__ import annotations

import atexit
import os
import signal
import sys

TYPE_CHECKING = False

if TYPE_CHECKING:
    from types import FrameType, TracebackType
    from typing import Any

EXIT_INTERRUPTED = 130  # as in trapscan.errors, which would be imported too late
SAID = "\ntrapscan: interrupted; what is finished is kept, the same command goes on from there\n"
_SIGNALS = (signal.SIGINT, signal.SIGTERM)


class Interrupts:
    """A context manager, for the main thread; elsewhere, and where Ctrl-C is ignored, signals stay as they are.

    Until `begun` is called there is nothing to keep, and the process ends at once: libraries that are being imported
    turn an exception into other ones. Then the first signal raises KeyboardInterrupt, and `came` says so whatever has
    become of it; the second one ends the process. `stay` keeps the handlers after the end: to the last moment.
    """

    def __init__(self, *, stay: bool) -> None:
        self.came = False
        self._stay = stay
        self._working = False
        self._before: dict[int, Any] = {}
        self._hook = sys.unraisablehook

    def __enter__(self) -> Interrupts:
        for number in _SIGNALS:
            before = signal.getsignal(number)
            if before is not signal.SIG_IGN:
                try:
                    signal.signal(number, self._handle)
                except ValueError:  # not the main thread
                    break
                self._before[number] = before
        sys.unraisablehook = self._unraisable
        if self._stay:
            atexit.register(self._deaf)  # the first to be registered runs last
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._working = False
        if self._stay:
            return
        sys.unraisablehook = self._hook
        for number, before in self._before.items():
            signal.signal(number, before)

    def begun(self) -> None:
        """From here on there may be something to keep."""
        self._working = True

    def _handle(self, number: int, frame: FrameType | None) -> None:
        if self.came or not self._working:
            end_at_once(quietly=self.came)
        self.came = True
        raise KeyboardInterrupt

    def _deaf(self) -> None:
        """All is done: while Python takes itself apart it puts the defaults back, and a signal would spoil the code."""
        for number in self._before:
            signal.signal(number, signal.SIG_IGN)

    def _unraisable(self, what: sys.UnraisableHookArgs) -> None:
        """An interrupt that came where nothing can be raised (a finalizer) comes again."""
        if self.came and issubclass(what.exc_type, KeyboardInterrupt):
            from threading import Timer

            self.came = False
            # to the process, so that a waiting main thread wakes; Windows would end it so
            raise_it = signal.raise_signal if os.name == "nt" else lambda number: os.kill(os.getpid(), number)
            again = Timer(0.05, raise_it, (signal.SIGINT,))
            again.daemon = True
            again.start()
        elif not self.came:  # what breaks while all is torn down is no news
            self._hook(what)


def end_at_once(*, quietly: bool) -> None:
    """End this process without looking back. Engines are ended by their guard, workers by their own watch."""
    try:
        # a file that was being written: loaded only if something was
        for path in list(getattr(sys.modules.get("trapscan.report.files"), "asides", ())):
            path.unlink(missing_ok=True)
        if not quietly:
            os.write(2, SAID.encode())
    except OSError:
        pass
    finally:
        os._exit(EXIT_INTERRUPTED)
