"""The one error tree of trapscan. Foreign errors are wrapped at the boundary where they arise.

    TrapscanError                anything trapscan raises on purpose; carries its exit code
    ├── InputError               2  a file, option or setting that cannot be used
    │   ├── RepertoireError      2  a repertoire file: unreadable, empty, or of an unknown variant
    │   ├── SettingsError        2  a settings file or value
    │   └── ReportError          2  a scan.json or report folder that cannot be read or written
    ├── StoreError               2  the evaluation store cannot be opened, read or written
    ├── WorkerError              2  worker processes are killed again and again
    ├── ClusterError             2  the cluster named cannot be used, or was lost
    └── EngineError              3  an engine problem; carries the engine's name and the position, where known
        ├── NoEngineError        3  no usable engine was found
        ├── EngineRefusedError   3  the engine runs but can give no usable verdict, or an option does not fit it
        ├── EngineCrashedError   3  the process ended, or could not be started
        ├── EngineTimeoutError   3  no answer within the watchdog's time
        └── EngineAnswerError    3  an answer without a usable score or with an illegal move

Each message is one line that says what happened and what to do.
"""

from __future__ import annotations

EXIT_DONE = 0
EXIT_PROBLEMS = 1
EXIT_USAGE = 2
EXIT_NO_ENGINE = 3
EXIT_INTERNAL = 4
EXIT_INTERRUPTED = 130


class TrapscanError(Exception):
    """Base of all errors raised on purpose; `exit_code` is what the command ends with."""

    exit_code = EXIT_USAGE


class InputError(TrapscanError):
    """Something the user gave cannot be used."""


class RepertoireError(InputError):
    """A repertoire file is unreadable, empty, or of an unknown variant."""


class SettingsError(InputError):
    """A settings file or a single setting is wrong."""


class ReportError(InputError):
    """A report folder or scan.json cannot be read or written."""


class StoreError(TrapscanError):
    """The evaluation store cannot be opened, read or written."""


class WorkerError(TrapscanError):
    """Worker processes are killed from outside, again and again."""


class ClusterError(TrapscanError):
    """A cluster cannot be reached, has no worker, or was lost on the way."""


class EngineError(TrapscanError):
    """An engine problem, with the engine's name and the position (EPD) it was asked about, where known."""

    exit_code = EXIT_NO_ENGINE

    def __init__(self, message: str, *, engine: str = "", epd: str = "") -> None:
        super().__init__(message)
        self.message, self.engine, self.epd = message, engine, epd

    def __reduce__(self) -> tuple[object, ...]:  # keyword arguments are lost by the default when crossing processes
        return _rebuild, (type(self), self.message, self.engine, self.epd)

    def __str__(self) -> str:
        where = f" [{self.engine}]" if self.engine else ""
        at = f" at {self.epd}" if self.epd else ""
        return f"{self.message}{where}{at}"


class NoEngineError(EngineError):
    """No usable engine was found."""


class EngineRefusedError(EngineError):
    """The engine runs but gives no usable verdict, or an option does not fit it."""


class EngineCrashedError(EngineError):
    """The engine's process ended or could not be started."""


class EngineTimeoutError(EngineError):
    """The engine did not answer within the watchdog's time."""


class EngineAnswerError(EngineError):
    """The engine answered without a usable score or with an illegal move."""


def _rebuild(cls: type[EngineError], message: str, engine: str, epd: str) -> EngineError:
    return cls(message, engine=engine, epd=epd)
