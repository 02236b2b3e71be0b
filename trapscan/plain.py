"""Text that came from outside, made safe to put anywhere: one line, nothing that steers a terminal or turns the reading
direction."""

from __future__ import annotations

import re
import unicodedata

# Unicode Bidirectional Algorithm (UAX #9), section 2: the explicit formatting characters.
_DIRECTION = re.compile("[\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")
_SPACES = re.compile(r"\s+")


def plain(text: str, *, limit: int = 2000) -> str:
    """`text` as one line: control characters, lone surrogates and direction marks dropped, spaces joined, at most
    `limit` characters (an ellipsis tells of the cut)."""
    kept = "".join(
        " " if char in "\t\n\r\v\f\u2028\u2029" else char
        for char in _DIRECTION.sub("", text[: limit * 4])
        if char in "\t\n\r\v\f\u2028\u2029" or unicodedata.category(char) not in ("Cc", "Cs")
    )
    line = _SPACES.sub(" ", kept).strip()
    return line if len(line) <= limit else line[: limit - 1] + "…"
