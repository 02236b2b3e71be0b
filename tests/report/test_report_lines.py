"""The tree read back from scan.json, with the findings where they sit."""

from __future__ import annotations

import chess
import msgspec
import pytest

from tests.report.sample_scans import make_scan, trap_scan
from trapscan.contract import MoveTree, encode_scan
from trapscan.errors import ReportError
from trapscan.report.lines import Lines, lines_of
from trapscan.report.reading import decode_scan


def way(lines: Lines, node: int) -> list[str]:
    sans = []
    while lines.parents[node] >= 0:
        sans.append(lines.moves[node][0])
        node = lines.parents[node]
    return sans[::-1]


def test_each_finding_sits_at_the_end_of_its_line() -> None:
    scan = trap_scan()
    lines = lines_of(scan)
    assert [way(lines, node) for node in lines.at] == [list(finding.line) for finding in scan.findings]
    assert lines.beyond == len(lines.parents), "all of them lie in the tree"


def test_what_lies_past_the_lines_is_added() -> None:
    scan = trap_scan()
    bare = msgspec.structs.replace(scan, tree=(MoveTree(start_fen=chess.STARTING_FEN, moves="e4 e5 (c5)"),))
    lines = lines_of(bare)
    assert lines.beyond == 4
    assert [way(lines, node) for node in lines.at] == [list(finding.line) for finding in scan.findings]
    without = lines_of(msgspec.structs.replace(scan, tree=()))
    assert without.beyond == 0 and len(without.at) == len(scan.findings)


def test_joins_lead_to_where_a_position_goes_on() -> None:
    tree = MoveTree(start_fen=chess.STARTING_FEN, moves="d4 (Nf3 d5 d4) d5 Nf3 Nf6")
    lines = lines_of(make_scan((), tree=(tree,)))
    ((here, there),) = lines.joins.items()
    assert way(lines, here) == ["Nf3", "d5", "d4"] and way(lines, there) == ["d4", "d5", "Nf3"]


@pytest.mark.parametrize("moves", ["e5", "e4 (", "e4 )", "(e4)", "e4 ((d4))", "e4 <b>", "e4 (d4 (c4 (b4 (a4", "e4 e4"])
def test_a_tree_that_is_none(moves: str) -> None:
    scan = make_scan((), tree=(MoveTree(start_fen=chess.STARTING_FEN, moves=moves),))
    with pytest.raises(ValueError):
        lines_of(scan)
    with pytest.raises(ReportError):
        decode_scan(encode_scan(scan))


def test_deep_nesting_does_not_recurse() -> None:
    depth = 5000
    text = "e4 " + "(d4 " * depth + ")" * depth
    scan = make_scan((), tree=(MoveTree(start_fen=chess.STARTING_FEN, moves=text),))
    assert len(lines_of(scan).parents) == depth + 2
