"""The progress bar of long work: positions done, slips found, time left. Silent where nobody watches."""

from __future__ import annotations

import sys
from types import TracebackType

from tqdm import tqdm

from trapscan.job import Progress


class Bar(Progress):
    """A tqdm bar on standard error; notes are printed above it."""

    def __init__(self, *, shown: bool) -> None:
        self._shown = shown
        self._slips = 0
        self._bar: tqdm[None] | None = None

    def __enter__(self) -> Bar:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bar is not None:
            self._bar.close()

    def add(self, positions: int) -> None:
        """More positions to come: the bar grows."""
        if self._bar is None:
            quiet = not (self._shown and sys.stderr.isatty())
            self._bar = tqdm(total=0, unit="pos", disable=quiet, dynamic_ncols=True, smoothing=0.05, file=sys.stderr)
        self._bar.total = (self._bar.total or 0) + positions
        self._bar.refresh()

    def step(self, positions: int, slips: int) -> None:
        """Positions are done."""
        if self._bar is not None:
            self._slips += slips
            self._bar.set_postfix_str(f"{self._slips} slips", refresh=False)
            self._bar.update(positions)

    def note(self, text: str) -> None:
        """Print a line for the user."""
        if self._shown:
            print(text, flush=True)
