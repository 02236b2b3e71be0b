"""Reading PGN: one scanner for repertoires, game files and lists of moves.

`source` turns files into blocks of bytes, `scanner` blocks into games of tags and tokens, `words` tokens into moves,
`start` tags into start positions; `ours` takes out what trapscan has put in. What is made of it is the business of
those who read: a `Sink` gets every game.
"""

from trapscan.pgn.ours import without_ours
from trapscan.pgn.scanner import MAX_COMMENT_BYTES, TAG, TOKEN, Scanner, Sink, Tags, comment_end, tag_values
from trapscan.pgn.source import Part, UnpacksTooFar, blocks, cut, must_be_file, parts_of, read_all
from trapscan.pgn.text import decode, normalize, printable
from trapscan.pgn.words import line_of_moves, parse_move, read_word

__all__ = [
    "MAX_COMMENT_BYTES",
    "TAG",
    "TOKEN",
    "Part",
    "Scanner",
    "Sink",
    "Tags",
    "UnpacksTooFar",
    "blocks",
    "comment_end",
    "cut",
    "decode",
    "line_of_moves",
    "must_be_file",
    "normalize",
    "parse_move",
    "parts_of",
    "printable",
    "read_all",
    "read_word",
    "tag_values",
    "without_ours",
]
