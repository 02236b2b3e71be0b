"""The engine in the box as a program: the UCI loop that pyffish's shared object holds, on standard input and output.

Run by path, with nothing of the surroundings: `python -I -S loop.py .../_pyffish....so`.
"""

from __future__ import annotations

import ctypes
import os
import sys
from importlib.machinery import ExtensionFileLoader
from importlib.util import module_from_spec, spec_from_file_location

SYMBOL = "_ZN9Stockfish3UCI4loopEiPPc"
"""`Stockfish::UCI::loop(int, char**)`, as compilers of the Itanium C++ ABI (GCC, Clang) write it."""


def main(path: str) -> None:
    """Load the shared object `path`, be its engine until `quit` or the end of the input."""
    spec = spec_from_file_location("_pyffish", path, loader=ExtensionFileLoader("_pyffish", path))
    assert spec is not None
    module_from_spec(spec)  # its start as a module sets up the engine's tables and options
    loop = getattr(ctypes.CDLL(path), SYMBOL)
    loop(1, (ctypes.c_char_p * 2)(b"pyffish", None))
    os._exit(0)  # no taking down of a library that was not made to be left


if __name__ == "__main__":
    main(sys.argv[1])
