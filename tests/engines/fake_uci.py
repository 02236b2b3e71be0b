"""A scripted UCI engine for tests: `fake_uci.py SCENARIO [MARK [TABLE]]`. It plays one fault of the list in SCENARIOS.

It knows only the starting position, where its best move is e2e4 at +31. MARK is a file: scenarios ending in "-once"
misbehave only while it does not exist, and make it when they do. With the scenario "table" it knows the positions in
the file TABLE: each line holds a position (four fields of its FEN), a limit in nodes or "*", and what follows `info`;
at a position that is not there it dies.
"""

from __future__ import annotations

import os
import sys
import time

GOOD = [
    "info depth 1 score cp 20 nodes 21 pv e2e4",
    "info depth 2 seldepth 3 multipv 1 score cp 31 nodes 400 nps 100000 time 4 pv e2e4 e7e5 g1f3",
]
BEST = "bestmove e2e4 ponder e7e5"
SEARCHES: dict[str, list[str]] = {
    "good": [*GOOD, BEST],
    "bestmove-none": [*GOOD, "bestmove (none)"],
    "bestmove-empty": [*GOOD, "bestmove"],
    "bestmove-illegal": [*GOOD, "bestmove e2e5"],
    "bestmove-junk": [*GOOD, "bestmove \x00?!"],
    "no-score": ["info depth 1 nodes 20", BEST],
    "score-broken": ["info depth 1 score cp", "info depth 2 score cp abc pv e2e4", "info score mate x", BEST],
    "only-upper-bounds": ["info depth 9 score cp 31 upperbound nodes 400 pv e2e4", BEST],
    "only-lower-bounds": ["info depth 9 score cp 31 lowerbound nodes 400 pv e2e4", BEST],
    "bracket": [
        "info depth 3 score cp 20 lowerbound nodes 300 pv e2e4 e7e5",
        "info depth 3 score cp 42 upperbound nodes 350",
        "info depth 4 score cp 900 upperbound nodes 400",
        BEST,
    ],
    "bound-after-exact": [*GOOD, "info depth 3 score cp 999 lowerbound nodes 500 pv d2d4", BEST],
    "bound-flag-late": [*GOOD, "info depth 3 score cp 999 nodes 500 lowerbound pv e2e4", BEST],
    "bound-flag-early": [*GOOD, "info depth 3 score lowerbound cp 999 nodes 500 pv e2e4", BEST],
    "mate-won": ["info depth 9 score mate 3 nodes 400 pv e2e4 e7e5", BEST],
    "mate-lost": ["info depth 9 score mate -4 nodes 400 pv e2e4 e7e5", BEST],
    "mate-zero": ["info depth 9 score mate 0 nodes 400 pv e2e4 e7e5", BEST],
    "mate-zero-last": [*GOOD, "info depth 9 score mate 0 nodes 500 pv e2e4", BEST],
    "mate-plus-sign": ["info depth 9 score mate +3 nodes 400 pv e2e4", BEST],
    "mixed-case": ["INFO Depth 2 Score CP 31 Nodes 400 PV E2E4 e7e5 g1f3", "BestMove E2E4"],
    "illegal-tail": ["info depth 2 score cp 31 nodes 400 pv e2e4 e7e5 e4e5 g8f6", BEST],
    "illegal-line": ["info depth 2 score cp 31 nodes 400 pv e7e5 e2e4", BEST],
    "no-line": ["info depth 2 score cp 31 nodes 400", BEST],
    "three-lines": [
        "info depth 5 multipv 1 score cp 31 nodes 300 pv e2e4 e7e5",
        "info depth 5 multipv 2 score cp 20 nodes 300 pv d2d4",
        "info depth 5 multipv 3 score cp 10 nodes 300 pv c2c4",
        "info depth 6 multipv 1 score cp 33 nodes 400 pv e2e4 c7c5",
        "info depth 6 multipv 2 score cp 99 upperbound nodes 400 pv g1f3",
        "info depth 5 multipv 3 score cp 20 nodes 400 pv d2d4",
        BEST,
    ],
    "fewer-lines": [
        "info depth 5 multipv 1 score cp 31 nodes 300 pv e2e4 e7e5",
        "info depth 5 multipv 2 score cp 20 nodes 300 pv d2d4",
        BEST,
    ],
    "unsorted-lines": [
        "info depth 5 multipv 1 score cp 10 nodes 300 pv c2c4",
        "info depth 5 multipv 2 score cp 31 nodes 300 pv e2e4 e7e5",
        "info depth 5 multipv 3 score cp 20 nodes 300 pv d2d4",
        BEST,
    ],
}


def say(text: str) -> None:
    end = "\r\n" if scenario == "crlf" else "\n"
    sys.stdout.write(text + end)
    sys.stdout.flush()


def raw(data: bytes) -> None:
    os.write(1, data)


def first_time() -> bool:
    """Whether a "-once" scenario is still to strike."""
    if not scenario.endswith("-once"):
        return True
    if os.path.exists(sys.argv[2]):  # noqa: PTH110 - few imports, fast start
        return False
    with open(sys.argv[2], "w"):  # noqa: PTH123
        return True


def hang(obey_stop: bool = False) -> None:
    for line in sys.stdin:
        if obey_stop and line.strip() == "stop":
            say(BEST)
            return
    while True:
        time.sleep(60)


def look_up(words: list[str]) -> list[str]:
    """What the table says of the position, for this limit if it names it."""
    found = {}
    with open(sys.argv[3]) as file:  # noqa: PTH123
        for line in file:
            fields = line.split()
            if fields[:4] == position:
                found[fields[4]] = fields[5:]
    info = found.get(words[2]) or found.get("*")
    if info is None:
        os._exit(3)
    return ["info " + " ".join(info), "bestmove " + info[info.index("pv") + 1]]


def go(words: list[str]) -> None:
    if scenario.startswith("table"):
        if scenario.endswith("-once") and first_time():
            os._exit(3)
        for line in look_up(words):
            say(line)
        return
    fault = scenario.removesuffix("-once")
    if fault != scenario and not first_time():
        fault = "good"
    if fault == "dies":
        say(GOOD[0])
        os._exit(3)
    if fault == "dies-by-signal":
        os.kill(os.getpid(), 11)
    if fault == "hangs":
        say(GOOD[1])
        hang()
    if fault == "overruns":
        hang(obey_stop=True)
        return
    if fault == "flood":
        for line in GOOD:
            say(line)
        for i in range(100_000):  # 11 MB
            sys.stdout.write(f"info depth 2 currmove e2e4 currmovenumber {i} string {'x' * 60}\n")
    if fault == "flood-scores":
        for i in range(100_000):
            sys.stdout.write(f"info depth 2 score cp {i} nodes {i} pv d2d4 d7d5 {'c2c4 ' * 10}\n")
        say(GOOD[1])
    if fault == "long-line":
        say(GOOD[0])
        raw(b"info string " + b"x" * 10_000_000 + b"\n")
        say(GOOD[1])
    while fault == "flood-bytes":
        raw(b"x" * 65536)
    while fault == "flood-lines":
        raw(b"info string nothing to say\n" * 4096)
    if fault == "huge-numbers":
        for number in (10**30, -(10**30)):
            say(f"info depth {number} multipv 1 score cp {number} nodes {number} nps {number} time {number} pv e2e4")
        say("info depth 999999999 score cp 999999999 nodes 999999999999999999 pv e2e4")
        say(f"info nodes {10**30}")
    if fault == "garbage":
        raw(b"\xff\xfe\x00\x80 \xc3\x28 info depth\n\n\n   \ninfo\ninfo score\nbestmov\n\x00\n")
        for line in GOOD:
            say(line)
        raw(b"info depth 3 string \xe9\xff score cp 5\n")
    if fault == "stderr":
        os.write(2, b"noise " * 200_000)
    if fault == "huge-numbers":
        say(BEST)
        return
    for line in SEARCHES.get(fault, SEARCHES["good"]):
        say(line)


def main() -> None:
    if scenario == "exits-at-once":
        sys.stderr.write("cannot find my network\n")
        sys.exit(7)
    if scenario == "silent":
        hang()
    if scenario == "slow-start":
        time.sleep(1.0)
    for line in sys.stdin:
        word = line.split()[0] if line.split() else ""
        if word == "uci":
            if scenario == "prompt":
                raw(b"Fake 1.0, type help\n> ")
            say("id name Fake 1.0")
            say("id author nobody")
            say("option name Hash type spin default 16 min 1 max 64")
            say("option name MultiPV type spin default 1 min 1 max 9")
            say("option name Style type combo default Calm var Calm var Very Wild var Odd")
            say("option name Tune type spin default 0 min -10 max 10")
            say("option name Blind type check default false")
            say("option name Note type string default <empty>")
            say("option name Reset type button")
            if scenario == "huge-numbers":
                say(f"option name Big type spin default {10**30} min -{10**30} max {10**30}")
            say("option name OwnBook type check default true")
            if scenario == "prompt":
                raw(b"> ")
            say("uciok")
        elif word == "setoption":
            if scenario == "dies-on-option":
                os._exit(4)
            if scenario == "refuses-options":
                say("No such option: " + line.strip())
        elif word == "isready":
            if scenario == "hangs-on-isready":
                hang()
            say("readyok")
        elif word == "position":
            position[:] = line.split()[2:6]
        elif word == "go":
            go(line.split())
        elif word == "quit":
            if scenario == "deaf-to-quit":
                hang()
            break


scenario = sys.argv[1]
position: list[str] = []
if __name__ == "__main__":
    main()
