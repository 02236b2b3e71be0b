"""Text that came from outside, made safe for a terminal."""

from __future__ import annotations


def plain(text: str) -> str:
    """One line without control characters: each is written as its escape, so that no file name or comment can move
    the cursor, colour the screen or feign a line of ours."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
