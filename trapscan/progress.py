"""What long work tells whoever waits for it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from trapscan.contract import Scan


class Progress:
    """What a scan tells while it runs. This one is silent; the command line draws a bar."""

    def add(self, positions: int) -> None:
        """So many more positions are to be examined."""

    def step(self, positions: int, slips: int) -> None:
        """So many positions are done, with so many slips found in them."""

    def reading(self, size: int) -> None:
        """Game files of `size` bytes are about to be counted."""

    def read(self, size: int) -> None:
        """So many more bytes of them are done."""

    def left(self, seconds: float | None) -> None:
        """So many seconds the examining will probably still take; None while nothing can be said."""

    def note(self, text: str) -> None:
        """A line for the user."""

    def present(self, report: Callable[[], Scan]) -> None:
        """Something more is known: `report` makes the report of what is known by now. Making it takes time."""


__all__ = ["Progress"]
