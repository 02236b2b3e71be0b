"""The time that a scan may take, and how it is shared out among what is to be done. Whoever asks brings the time
(`time.monotonic`)."""

from __future__ import annotations

from dataclasses import dataclass

EXAMINING = 0.6
"""The examining of positions gets at least this part of the time; more, as far as looking again leaves it."""

WRITING, LEAST_WRITING = 0.03, 1.0
"""The last report takes this part of the time, and so many seconds at least."""


@dataclass(frozen=True, slots=True)
class Clock:
    """Begun at `begun`; all is to be over after so many `seconds`, whenever it is over where that is None."""

    begun: float
    seconds: float | None = None

    @property
    def ends(self) -> float | None:
        """When the last search must be over: then comes the report."""
        if self.seconds is None:
            return None
        return self.begun + max(0.0, self.seconds - max(LEAST_WRITING, WRITING * self.seconds))

    @property
    def examining(self) -> float | None:
        """How long positions are examined in any case."""
        return (
            None if self.seconds is None or self.ends is None else min(self.ends, self.begun + EXAMINING * self.seconds)
        )

    def examining_on(self, looking_again: float) -> float | None:
        """How long they may be examined where so many seconds are kept for looking again."""
        return None if self.ends is None else self.ends - looking_again


__all__ = ["EXAMINING", "Clock"]
