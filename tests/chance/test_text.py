"""Reading positions for `trapscan chance`, and its two forms of output."""

import json

import chess
import pytest

from trapscan.chance import boards_from_lines, chance_row, load_model, report_json, report_text
from trapscan.chance.cli_text import ChanceRow
from trapscan.errors import InputError


def rows_of(boards: list[chess.Board], levels: tuple[int, ...]) -> list[ChanceRow]:
    chances = load_model().predict(boards, levels)
    return [chance_row(board, levels, here, "600+0") for board, here in zip(boards, chances, strict=True)]


def test_one_result_a_line_in_order() -> None:
    lines = ["1. e4 e5 2.Nf3", "", "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq -", "# no", "d4 d5 *"]
    boards = boards_from_lines(lines)
    assert [len(board.move_stack) for board in boards] == [3, 0, 2]
    rows = rows_of(boards, (1200, 1800))
    for row, board in zip(rows, boards, strict=True):
        line = json.loads(report_json(row))
        assert line["fen"] == board.fen()
        assert line["levels"] == [1200, 1800] and line["time_control"] == "600+0"
        assert set(line["moves"]) == {move.uci() for move in board.legal_moves}
        assert all(len(shares) == 2 for shares in line["moves"].values())


@pytest.mark.parametrize("bad", ["1. e4 e4", "8/8/8/8/8/8/8/8 w - - 0 1", "hello", "e4 e5 --"])
def test_a_bad_line_is_named(bad: str) -> None:
    with pytest.raises(InputError, match="line 2"):
        boards_from_lines(["e4", bad])


def test_the_table_shows_the_likeliest_and_sums_the_rest() -> None:
    (row,) = rows_of([chess.Board()], (1500,))
    text = report_text(row, limit=3).splitlines()
    assert "e4" in text[2]
    assert text[-1].split()[:2] == ["17", "more"]
    assert sum(float(line.split()[-1]) for line in text[2:]) == pytest.approx(100, abs=0.3)
