"""Cases of scripts/run hostile: command lines, files and surroundings, drawn by chance. A case is what is run, where it
runs (in this process, or in one of its own), and with which exit codes it may end."""

from __future__ import annotations

import bz2
import gzip
import json
import os
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

USED, READ, FOUND_NO_ENGINE = {0, 1, 2}, {0, 2}, {0, 1, 2, 3}
MOVES = "1. e4 e5 2. Bc4 Nc6 3. Qh5 Nf6 *"
TINY: tuple[str, ...] = (
    "budgets=[{chance=0, least=300, most=600}]",
    "best_nodes=300",
    "confirm_nodes=300",
    "refutation_nodes=200",
)
TINY += ("max_candidates=2", "verify_nodes=0", "beyond=0", "levels=[1500]")
TINY += ("bait_screened=2", "bait_screen_nodes=300", "bait_verified=1", "bait_nodes=1000")
START = "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq -"
PIECES = [
    *("1. e4 ", "e5 ", "2. Nf3 ", "Nc6 ", "3. Bb5 a6 ", "(2. Nc3 ", ") ", "{ a comment ", "} ", "; rest\n", "% out\n"),
    *("\r", "\r\n", "\n\n", "\n", '[Event "x"]\n', '[FEN "8/8/8/8/8/8/8/8 w - - 0 1"]\n', '[Variant "Atomic"]\n'),
    *("*", "1-0", "1/2-1/2", "$1 ", "$999999 ", "!? ", "O-O ", "e8=Q+ ", "-- ", "Z0 ", "Qh9 ", "\x00", "ÿü♞ "),
    *("\ufeff", "...", "1.", "[Event ", '"', "x" * 3000, " " * 3000, '[White "A"] [Black "B"]\n'),
    *('[WhiteElo "²²²"]\n', f'[WhiteElo "{"9" * 5000}"]\n', f'[SetUp "1"]\n[FEN "{START} 0 1"]\n'),
]  # fmt: skip
FENS = [
    *(START, "8/8/8/8/8/8/8/8 w - -", "k7/8/K7/8/8/8/8/8 b - -", "7k/5Q2/6K1/8/8/8/8/8 b - -", "x"),
    "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq e9 99999999999 -1",
]  # fmt: skip
WORDS = [
    *("", "-1", "0", "5", "1500", "99999", "9" * 400, "nan", "inf", "1e308", "²", "white", "both", "embedded", "-"),
    *("x" * 300, "\x1b[31m", "\u202e", "\udcff", "a\nb", "'", '"', "a=b", "threshold=nan", "levels=[]", "budgets=[]"),
    *("ok.pgn", "out", "nowhere/at/all", ".", "/dev/null", "/dev/zero", "/dev/full", "~", "~nobody/x", ":memory:", "="),
    *("[" * 3000, "hash_mb=65536", "engine_options={Threads=9}", "title=1", "1-5=white", "tls://127.0.0.1:1", "file:x"),
]  # fmt: skip
OPTIONS = """--side --level --preset --plies --beyond --baits --set --player --jobs --title --store --out --quiet --json
--minutes --games --time-control --engine --second-engine --nope""".split()  # noqa: SIM905


@dataclass
class Case:
    """One run. `apart`: in a process of its own; `shell`: around its command line; `press`: Ctrl-C so often."""

    words: list[str]
    codes: set[int]
    apart: bool = False
    environment: dict[str, str | None] = field(default_factory=dict)
    shell: str = "{}"
    stream: str = ""
    lies: float = 0.0
    press: int = 0
    may_make: tuple[str, ...] = ("out", "reports", "store")


def small(*more: str, store: str = "../base/store", engine: str = "stockfish") -> list[str]:
    """A scan that takes its answers from the store where it can."""
    settings = [word for value in TINY for word in ("--set", value)]
    return ["scan", "ok.pgn", "--engine", engine, "--jobs", "1", "--store", store, *settings, *more]


def odd_bytes(rng: random.Random) -> bytes:
    """A file as nobody should write it."""
    text = "".join(rng.choice(PIECES) for _ in range(rng.randint(0, 40)))
    if rng.random() < 0.2:
        text = "\n".join(rng.choice(FENS) for _ in range(rng.randint(1, 5)))
    data = text.encode(rng.choice(["utf-8", "utf-16", "utf-8-sig", "latin-1", "utf-16-be"]), "replace")
    if rng.random() < 0.2:
        data = bytes(rng.choice([byte, rng.randrange(256)]) if rng.random() < 0.1 else byte for byte in data)
    packed = rng.random()
    data = gzip.compress(data) if packed < 0.2 else bz2.compress(data) if packed < 0.4 else data
    return data[: rng.randint(0, len(data))] if rng.random() < 0.1 else data


def odd_name(rng: random.Random) -> str:
    stem = rng.choice(["odd", "ö", "\udcff", "a b", "\x1b[31m", "-x", "...", "x" * 100, "\U0001f98a" * 30])
    return "./" + stem + rng.choice([".pgn", ".epd", ".txt", ".pgn.gz", ".bz2", ".bin", ""])


def files(rng: random.Random) -> Case:
    names = [odd_name(rng) for _ in range(rng.randint(1, 2))]
    for name in names:
        Path(name).write_bytes(odd_bytes(rng))
    return Case(["estimate", "--engine", "stockfish", "--jobs", "1", "--", *names], USED, may_make=tuple(names))


def games(rng: random.Random) -> Case:
    name = odd_name(rng)
    Path(name).write_bytes(odd_bytes(rng) + rng.choice([b"", MOVES.encode()]))
    more = rng.choice([[], [], ["--player", rng.choice(["A", "", "²", "\udcff"])]])
    return Case(small("--out", "out", "--games", name, *more), USED, may_make=(name, "out"))


def options(rng: random.Random) -> Case:
    if rng.random() < 0.3:
        command = rng.choice(["chance", "report", "lesson", "compare", "estimate", "engines --engine", "", "juggle"])
        words = [*command.split(), *(rng.choice(WORDS) for _ in range(rng.randint(0, 2)))]
        words += [rng.choice(["--level", "--count", "--shown", "--side", "--json", "--motif"]), rng.choice(WORDS)]
        words += ["--jobs", "1", "--engine", "nothing"] if command == "estimate" else []
        return Case(words, FOUND_NO_ENGINE, may_make=("out", "lesson"))
    words = []
    for name in rng.sample(OPTIONS, rng.randint(1, 3)):
        value = "nothing" if name in ("--engine", "--second-engine") else rng.choice(WORDS)
        if name in ("--out", "--store"):
            value = value.lstrip("/")  # nowhere outside
        words += [name] if name in ("--baits", "--quiet", "--json") else [name, value]
    made = [word for word in words if not word.startswith("--")]
    where = [] if "--out" in words else ["--out", "out"]
    return Case([*small(*where), *words], FOUND_NO_ENGINE, may_make=("out", "reports", *made))


def _mutate(node: Any, rng: random.Random) -> None:
    """Another value somewhere below, or one less, or one more."""
    keys = list(node) if isinstance(node, dict) else list(range(len(node)))
    if not keys:
        return
    key = rng.choice(keys)
    if isinstance(node[key], dict | list) and node[key] and rng.random() < 0.9:
        _mutate(node[key], rng)
        return
    if rng.random() < 0.1:
        del node[key]
        return
    other: list[Any] = [None, -1, 0, 10**30, 1e308, "", "Qh9", "0000", "e2e4", "x" * 5000, [], {}, {"mate": 1}, True]
    other += ["\ud800", "\u202e\x00"]
    node[key] = rng.choice([*other, [node[key]] * 2])


def scans(rng: random.Random) -> Case:
    data = json.loads(Path("../base/out/scan.json").read_text())
    for _ in range(rng.randint(1, 3)):
        _mutate(data, rng)
    raw = json.dumps(data, ensure_ascii=rng.random() < 0.5).encode("utf-8", "surrogatepass")
    if rng.random() < 0.2:
        at = rng.randrange(len(raw))
        raw = raw[:at] + rng.choice([b"", bytes([rng.randrange(256)]), b"\xef\xbb\xbf"]) + raw[at + 1 :]
    Path("scan.json").write_bytes(raw)
    ways = [["report", ".", "--out", "out"], ["lesson", ".", "--level", "1500", "--count", "3", "--out", "out"]]
    ways.append(["compare", rng.choice([".", "../base/out"]), "scan.json", "--out", "out"])
    return Case(rng.choice(ways), READ)


def stores(rng: random.Random) -> Case:
    data = bytearray(Path("../base/store").read_bytes())
    for _ in range(rng.randint(1, 20)):
        data[rng.randrange(min(len(data), 4096) if rng.random() < 0.5 else len(data))] = rng.randrange(256)
    Path("store").write_bytes(data[: rng.choice([len(data), rng.randrange(len(data))])])
    return Case(small("--out", "out", store="store"), USED, may_make=("out", r"store.*"))


def settings(rng: random.Random) -> Case:
    names = ["threshold", "level", "levels", "budgets", "x", "engine_options", "shown"]
    values = ["1", "0.1", "-1", "nan", "[1, 2]", "[]", "{a = 1}", '"x"', "1e999", "9" * 30, "[" * 500, "'''"]
    text = "\n".join(f"{rng.choice(names)} = {rng.choice(values)}" for _ in range(rng.randint(0, 4)))
    Path("own.toml").write_bytes(text.encode(rng.choice(["utf-8", "utf-16", "utf-8-sig"])))
    return Case(["estimate", "ok.pgn", "--engine", "stockfish", "--jobs", "1", "--preset", "own.toml"], READ)


def engines(rng: random.Random) -> Case:
    """Stockfish, of whose lines some are changed, dropped, doubled or cut on their way."""
    return Case(small("--out", "out", store="store"), FOUND_NO_ENGINE, lies=rng.choice([0.001, 0.01, 0.1, 1.0]),
                may_make=("out", r"store.*"))  # fmt: skip


def streams(rng: random.Random) -> Case:
    stream = rng.choice(["closed", "full", "nobody reads", "ascii"])
    more = rng.choice([[], ["--json"], ["--title", "Öffnung"], ["--quiet"]])
    chance, report = ["chance", "e4 e5", "--level", "1500"], ["report", "../base/out", "--out", "oüt"]
    words = rng.choice([small("--out", "oüt", *more), chance, report])
    silent = words[0] == "scan" and more == ["--quiet"]
    return Case(words, {0} if stream == "ascii" or silent else {1}, stream=stream, may_make=("oüt",))


def surroundings(rng: random.Random) -> Case:
    around: list[tuple[dict[str, str | None], str, set[int]]] = [
        ({"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}, "{}", {0}),
        ({"PYTHONIOENCODING": "ascii"}, "{}", {0}),
        ({"HOME": None, "TRAPSCAN_STORE": None, "XDG_CACHE_HOME": "cache"}, "{}", {0}),
        ({"HOME": "/nowhere", "LANG": "xx_YY", "PATH": "/usr/games:/usr/bin:/bin"}, "{}", {0}),
        ({"TRAPSCAN_STORE": "ok.pgn"}, "{}", {0, 2}),
        ({"TRAPSCAN_ENGINE": "\udcff"}, "{}", {0, 3}),
        ({}, "{} >&-", {1}), ({}, "{} 2>&-", {0}), ({}, "{} <&-", {0}), ({}, "{} >/dev/full", {1}),
        ({}, "{} >&- 2>&- <&-", {1}), ({}, "set -o pipefail; {} | head -c 1", {0, 1}),
        ({}, "ulimit -v 400000; {}", {0, 2}),
        ({}, "ulimit -f 10; {}", {0, 2}), ({}, "ulimit -n 24; {}", {0, 2, 3, 4}), ({}, "ulimit -u 1; {}", {0, 2, 3, 4}),
        ({}, "mkdir out; touch out/x; chmod 500 out; {}", {0, 2}), ({}, "ln -s nowhere out; {}", {2}),
    ]  # fmt: skip
    environment, shell, codes = rng.choice(around)
    return Case(small("--out", "out"), codes, apart=True, environment=environment, shell=shell,
                may_make=("out", "cache", "nowhere"))  # fmt: skip


def interrupts(rng: random.Random) -> Case:
    jobs = rng.choice(["1", "2"])
    words = [*small("--out", "out", "--set", "beyond=2", store="store"), "--jobs", jobs]
    return Case(words, {0, 130}, apart=True, press=rng.choice([1, 1, 2]), may_make=("out", r"store.*"))


CLASSES: dict[str, tuple[Callable[[random.Random], Case], int]] = {
    "files": (files, 8), "games": (games, 6), "options": (options, 8), "scan.json": (scans, 9), "stores": (stores, 2),
    "settings": (settings, 2), "engines": (engines, 2), "streams": (streams, 1), "surroundings": (surroundings, 1),
    "interrupts": (interrupts, 1),
}  # fmt: skip
"""What is done, and how often: so many in forty."""


def allowed(case: Case, name: str) -> bool:
    """Whether a run may leave an entry of this name in its folder."""
    firsts = [Path(os.path.normpath(made)).parts[0] for made in case.may_make if made]
    return name in firsts or (name.startswith("store") and r"store.*" in case.may_make)
