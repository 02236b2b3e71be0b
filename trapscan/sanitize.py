"""Text that came from outside, made safe to put anywhere: one line, nothing that steers a terminal or turns the reading
direction; and names of files, which are bytes, as text and back."""

from __future__ import annotations

import os
import re
import unicodedata

# Unicode Bidirectional Algorithm (UAX #9), section 2: the explicit formatting characters.
_DIRECTION = re.compile("[\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")
_ESCAPED = re.compile("[\udc80-\udcff]+")  # bytes of a name that the system's encoding has no characters for
_SPACES = re.compile(r"\s+")


def sanitize(text: str, *, limit: int = 2000) -> str:
    """`text` as one line: control characters and direction marks dropped, `readable`, spaces joined, at most
    `limit` characters (an ellipsis tells of the cut)."""
    kept = "".join(
        " " if char in "\t\n\r\v\f\u2028\u2029" else char
        for char in _DIRECTION.sub("", readable(text[: limit * 4]))
        if char in "\t\n\r\v\f\u2028\u2029" or unicodedata.category(char) != "Cc"
    )
    line = _SPACES.sub(" ", kept).strip()
    return line if len(line) <= limit else line[: limit - 1] + "…"


def decode(raw: bytes) -> str:
    """UTF-8, and where it is not, Windows-1252 or Latin-1: decided for each piece, as files mix them."""
    for name in ("utf-8", "cp1252"):
        try:
            return raw.decode(name)
        except UnicodeDecodeError:
            continue
    return raw.decode("latin-1")


def readable(text: str) -> str:
    """A name or argument as the system gave it, as text that can be written down: bytes that its encoding lacks are
    taken for UTF-8, or else Windows-1252."""
    text = _ESCAPED.sub(lambda found: decode(found[0].encode("utf-8", "surrogateescape")), text)
    return text.encode("utf-8", "replace").decode()


def on_disk(name: str) -> str:
    """The name of a file that shall be called so, whatever the system's encoding: its bytes are UTF-8."""
    return os.fsdecode(name.encode()) if os.name == "posix" else name
