"""The progress bar of long work: positions done, slips found, time left. Silent where nobody watches."""

from __future__ import annotations

import sys
from types import TracebackType
from typing import Self

from tqdm import tqdm

from trapscan.progress import Progress

BAR_FORMAT = "{l_bar}{bar}| {n_fmt}/{total_fmt} [{elapsed}{postfix}]"


class Bar(Progress):
    """A tqdm bar on standard error; notes are printed above it."""

    def __init__(self, *, shown: bool) -> None:
        self._shown = shown
        self._slips = 0
        self._left = ""
        self._bar: tqdm[None] | None = None
        self._games: tqdm[None] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._end_reading()
        if self._bar is not None:
            self._bar.close()

    def add(self, positions: int) -> None:
        """More positions to come: the bar grows."""
        if self._bar is None:
            quiet = not (self._shown and sys.stderr.isatty())
            self._bar = tqdm(
                total=0, unit="pos", disable=quiet, dynamic_ncols=True, bar_format=BAR_FORMAT, file=sys.stderr
            )
        self._bar.total = (self._bar.total or 0) + positions
        self._bar.refresh()

    def step(self, positions: int, slips: int) -> None:
        """Positions are done."""
        if self._bar is not None:
            self._slips += slips
            self._bar.set_postfix_str(f"{self._slips} slips{self._left}", refresh=False)
            self._bar.update(positions)

    def left(self, seconds: float | None) -> None:
        """The scan's own reckoning: tqdm's would know nothing of the positions past the ends of lines."""
        self._left = f", about {tqdm.format_interval(seconds)} left" if seconds is not None else ""

    def reading(self, size: int) -> None:
        """A bar of its own while game files are counted."""
        self._end_reading()
        quiet = not (self._shown and sys.stderr.isatty())
        self._games = tqdm(
            total=size, unit="B", unit_scale=True, desc="games", disable=quiet, leave=False, file=sys.stderr
        )

    def read(self, size: int) -> None:
        """Bytes are counted."""
        if self._games is not None:
            self._games.update(size)
            if self._games.total is not None and self._games.n >= self._games.total:
                self._end_reading()

    def _end_reading(self) -> None:
        if self._games is not None:
            self._games.close()
            self._games = None

    def note(self, text: str) -> None:
        """Print a line for the user."""
        if self._shown:
            print(text, flush=True)
