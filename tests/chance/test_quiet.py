"""The library that runs the net reports its use to its maker by default: that it does not do so here."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

SCRIPT = """
import chess
from trapscan.chance import load_model
load_model().predict([chess.Board()], (1500,))
"""


def test_the_net_leaves_no_trace_of_reporting(tmp_path: Path) -> None:
    """With reporting on, onnxruntime 1.32 writes a session file, a device id and a queue of events (found on disk under
    the folders given here). Nothing may be written at all, even where the user's environment asks for it."""
    folders = {name: str(tmp_path / name) for name in ("TMPDIR", "HOME", "XDG_CACHE_HOME", "XDG_DATA_HOME")}
    for folder in folders.values():
        Path(folder).mkdir()
    env = os.environ | folders | {"ORT_DISABLE_TELEMETRY": "0"}
    subprocess.run([sys.executable, "-B", "-c", SCRIPT], env=env, check=True, timeout=120)
    assert sorted(path for path in tmp_path.rglob("*") if path.is_file()) == []
