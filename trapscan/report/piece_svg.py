"""Chess men as SVG: python-chess's drawings (GPL-3.0-or-later, C. Burnett), with presentation attributes only, since
neither a strict content policy nor the PDF writer takes style attributes."""

from __future__ import annotations

import re
from functools import cache

import chess.svg

_STYLE = re.compile(r' style="([^"]*)"')
_IDENTITY = re.compile(r'^<g id="[^"]*" class="[^"]*"')


@cache
def man(letter: str) -> str:
    """The drawing of a man ("K" White's king, "k" Black's) in a square of 45 units."""

    def attributes(match: re.Match[str]) -> str:
        pairs = (part.split(":", 1) for part in match.group(1).split(";") if ":" in part)
        return "".join(f' {name.strip()}="{value.strip()}"' for name, value in pairs)

    return _IDENTITY.sub("<g", _STYLE.sub(attributes, chess.svg.PIECES[letter]))


@cache
def symbols(prefix: str = "man-") -> str:
    """All twelve as groups to be used by id: man-wk ... man-bp."""
    groups = []
    for letter in "KQRBNPkqrbnp":
        name = ("w" if letter.isupper() else "b") + letter.lower()
        groups.append(man(letter).replace("<g", f'<g id="{prefix}{name}"', 1))
    return "".join(groups)
