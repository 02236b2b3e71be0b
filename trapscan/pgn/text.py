"""Bytes into words. Input is scanned as bytes, because all that steers it is ASCII; only what is kept is decoded."""

from __future__ import annotations

import codecs

from trapscan.sanitize import decode

_FIGURINES = {
    piece: letter.encode()
    for letters, first in (("KQRBN", 0x2654), ("KQRBN", 0x265A))
    for piece, letter in ((chr(first + i).encode(), letter) for i, letter in enumerate(letters))
}
_TYPED = {
    b"\xe2\x99\x99": b"",
    b"\xe2\x99\x9f": b"",
    b"\xe2\x80\xa6": b"...",
    b"\xe2\x80\x93": b"-",
    b"\xe2\x80\x94": b"-",
    b"\xc2\xbd": b"1/2",
}


UTF_16 = ((codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))


def normalize(data: bytes) -> bytes:
    """Without byte-order mark; UTF-16 turned into UTF-8. Line ends stay as they are: LF, CR LF and CR all end one."""
    for mark, name in UTF_16:
        if data.startswith(mark):
            return data[2:].decode(name, errors="replace").encode()
    return data.removeprefix(codecs.BOM_UTF8)


def plain_word(word: bytes) -> bytes:
    """A word of movetext with figurines as letters, and typographic dots, dashes and halves in ASCII."""
    for table in (_FIGURINES, _TYPED):
        for fancy, ascii_ in table.items():
            word = word.replace(fancy, ascii_)
    return word


def printable(text: str, limit: int = 40) -> str:
    """A piece of input as it may stand in a one-line message: cut, quoted, nothing unprintable."""
    cut = text[:limit] + ("..." if len(text) > limit else "")
    return "'" + "".join(c if c.isprintable() else "?" for c in cut) + "'"


__all__ = ["UTF_16", "decode", "normalize", "plain_word", "printable"]
