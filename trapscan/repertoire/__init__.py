"""Reading a repertoire: PGN files, EPD and FEN lists, text files of SAN lines; and giving it back with findings."""

from trapscan.movetree import Forest, Game, Repertoire
from trapscan.repertoire.collect import MAX_FILE_BYTES
from trapscan.repertoire.reading import read_files

__all__ = ["MAX_FILE_BYTES", "Forest", "Game", "Repertoire", "read_files"]
