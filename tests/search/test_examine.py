"""The search room against a plain table of scores: which moves are searched, at what budgets, and what is reported."""

from __future__ import annotations

import chess
import pytest
from msgspec.structs import replace

from tests.search.score_table import (
    CLEAR,
    CONFIRM,
    DROPPED,
    F3,
    KEPT,
    RARE,
    RESTED,
    SETTINGS,
    SIDE,
    START,
    Flat,
    Table,
    Told,
    after,
    at,
    examine,
)
from trapscan.errors import EngineAnswerError
from trapscan.model import Evaluation, Line, Query
from trapscan.score import Score
from trapscan.search import choose_candidates
from trapscan.search.examine import MAX_EXTENSIONS
from trapscan.search.offers import offers
from trapscan.settings import Settings


@pytest.mark.parametrize(("cp", "slips"), [(KEPT, ["f2f3"]), (DROPPED, []), (-CLEAR, [])])
def test_threshold(cp: int, slips: list[str]) -> None:
    found = examine(START, Table({F3: {0: [("e7e5", cp)]}}), f2f3=0.05)
    assert [slip.move for slip in found.slips] == slips
    assert [move for move, _, _ in found.others] == ([] if slips else ["f2f3"])


@pytest.mark.parametrize(
    ("cp", "spent"),
    [  # scores stand still here, so the noise is 0.03 at 2,000 nodes, 0.015 at 8,000, 0.0075 at 32,000
        (0, [2_000]),  # clearly sound: one cheap search
        (CLEAR, [CONFIRM, SIDE]),  # clearly a slip: as soon as it is confirmed; then `also`
        (66, [4_000]),  # loss 0.094: 0.026 under 0.12, up to which nothing is searched for
        (KEPT, [32_000, SIDE]),  # never clear
        (DROPPED, [16_000]),
        (71, [8_000]),
    ],
)
def test_a_search_climbs_until_the_move_is_clear(cp: int, spent: list[int]) -> None:
    table = Table({F3: {0: [("e7e5", cp)]}})
    found = examine(START, table, f2f3=0.05)
    assert table.spent(START.epd) == [RESTED]
    assert table.spent(F3) == spent
    assert (found.searches, found.nodes) == (len(table.asked), sum(nodes for _, nodes in table.nodes))


@pytest.mark.parametrize(
    ("cp", "chance", "prepared", "spent"),
    [
        (0, 0.099, (), [2_000]),
        (0, 0.1, (), [16_000]),  # what many play is not called harmless at a glance
        (0, 0.099, ("f2f3",), [RESTED]),  # what is prepared is searched as the position after it would be
        (75, 0.05, (), [16_000]),  # loss 0.106: one noise away from 0.12
        (62, 0.05, (), [2_000]),  # loss 0.088
        (62, 0.1, (), [32_000]),  # of what many play nothing is spared: one and a half away from 0.10
    ],
)
def test_what_many_play_must_be_clearer(cp: int, chance: float, prepared: tuple[str, ...], spent: list[int]) -> None:
    table = Table({F3: {0: [("e7e5", cp)]}})
    examine(at(prepared=prepared), table, f2f3=chance)
    assert table.spent(F3) == spent


def test_a_move_that_looks_like_a_slip_at_first_is_none() -> None:
    table = Table({F3: {0: [("e7e5", CLEAR)], 8_000: [("e7e5", 0)]}})
    found = examine(START, table, f2f3=0.05)
    assert not found.slips and [(move, score.cp) for move, score, _ in found.others] == [("f2f3", 0)]


def test_a_slip_tells_its_score_its_line_and_where_it_first_showed() -> None:
    table = Table({F3: {0: [("e7e5", 66)], 4_000: [("e7e5", 300)], 8_000: [("d7d5 e2e4", 280)]}})
    (slip,) = examine(START, table, f2f3=0.05).slips
    assert slip.score == Score(chess.WHITE, cp=-280), "the victim's view, from the end of the search"
    assert (slip.refutation, slip.exposed, slip.nodes) == (("d7d5", "e2e4"), 4_000, 8_000)


def test_black_as_the_victim() -> None:
    position = at("e2e4")
    child = after(position, "f7f6")
    found = examine(position, Table({child: {0: [("d2d4", 200)]}, position.epd: {0: [("e7e5", -20)]}}), f7f6=0.5)
    assert [(slip.move, slip.score) for slip in found.slips] == [("f7f6", Score(chess.BLACK, cp=-200))]
    assert found.best == Line(Score(chess.BLACK, cp=-20), ("e7e5",))


def test_join_is_told_the_shallow_and_the_deep_loss() -> None:
    model = Flat()
    table = Table({F3: {0: [("e7e5", 90)], 4_000: [("e7e5", 400)]}})
    examine(START, table, model=model, f2f3=0.05)
    shallow, deep = model.losses[-1]["f2f3"]
    assert shallow == pytest.approx(0.5 - 1 / (1 + 10 ** (90 / 400)))
    assert deep == pytest.approx(0.5 - 1 / 11)


# --- which moves -----------------------------------------------------------------------------------------------------


def test_candidates_likeliest_first_ties_by_text() -> None:
    chances = {"b1c3": (0.1, 0.1), "a2a3": (0.1, 0.1), "e2e4": (0.0, 0.5), "h2h4": (0.003, 0.0039)}
    settings = Settings(min_prior=0.004, levels=(1000, 2000))
    assert choose_candidates(chances, (), settings) == ("e2e4", "a2a3", "b1c3")


def test_candidates_at_most_but_prepared_always() -> None:
    chances = {"e2e4": (0.5,), "d2d4": (0.4,), "c2c4": (0.1,), "g2g4": (0.0,)}
    settings = Settings(min_prior=0.01, max_candidates=2, levels=(1000,))
    assert choose_candidates(chances, ("g2g4", "e2e4"), settings) == ("e2e4", "d2d4", "g2g4")
    assert choose_candidates(chances, ("a1a8",), settings) == ("e2e4", "d2d4"), "no legal move, no candidate"


def test_only_candidates_are_searched() -> None:
    table = Table()
    found = examine(at(prepared=("g2g4",)), table, e2e4=0.6, d2d4=0.003)
    children = {after(START, "e2e4"), after(START, "g2g4")}
    assert {query.epd for query in table.asked} - {START.epd} == children
    assert found.candidates == 2


@pytest.mark.parametrize(("prepared", "joined", "kept"), [((), 0.0099, False), ((), 0.01, True), (("f2f3",), 0, True)])
def test_a_slip_nobody_plays_is_no_finding_unless_prepared(
    prepared: tuple[str, ...], joined: float, kept: bool
) -> None:
    table = Table({F3: {0: [("e7e5", CLEAR)]}})
    found = examine(at(prepared=prepared), table, model=Flat({"f2f3": (0.0, joined)}), f2f3=0.05)
    assert bool(found.slips) is kept
    assert found.chances["f2f3"] == (0.0, joined), "chances are those after the engine has spoken"


# --- other refutations -----------------------------------------------------------------------------------------------

REPLIES = [("e7e5", 400), ("d7d5", 300), ("c7c5", 80), ("a7a6", 0)]
"""Losses 0.41, 0.35, 0.11, 0: the second punishes as well; the third is over the threshold but under half."""


def punishing(*replies: tuple[str, int]) -> dict[str, Told]:
    """What the table says of the positions after f2f3 and a reply, by the reply's centipawns for the punisher."""
    return {after(START, "f2f3", reply): {0: [("e2e4", -cp)]} for reply, cp in replies}


def test_also_is_confirmed_by_a_search_of_the_position_after_it() -> None:
    table = Table({F3: {0: REPLIES}, **punishing(*REPLIES[1:])})
    (slip,) = examine(START, table, f2f3=0.05).slips
    assert slip.also == ("d7d5",)
    assert [(query.budget, query.lines) for query in table.asked if query.epd == F3] == [(RARE.most, 1), (SIDE, 3)]
    assert [query.budget for query in table.asked if query.epd == after(START, "f2f3", "d7d5")] == [6 * SIDE]
    assert not table.spent(after(START, "f2f3", "c7c5")), "already under the bar by the first search"


@pytest.mark.parametrize(
    ("cp", "also", "spent"),
    [
        (400, ("d7d5",), [16_000]),  # clear as soon as twice `refutation_nodes` are spent
        (0, (), [4_000]),  # it does not punish after all: that is said after half of them
        (158, (), [16_000]),  # loss 0.213, over half of 0.41 by less than the noise of 0.01, times 1.5
        (-400, (), [4_000]),
    ],
)
def test_also_that_is_not_confirmed_is_dropped(cp: int, also: tuple[str, ...], spent: list[int]) -> None:
    table = Table({F3: {0: REPLIES}, **punishing(("d7d5", cp))})
    (slip,) = examine(START, table, f2f3=0.05).slips
    assert slip.also == also
    assert table.spent(after(START, "f2f3", "d7d5")) == spent


def test_of_a_slip_that_hardly_anyone_plays_nothing_more_is_asked() -> None:
    table = Table({F3: {0: REPLIES}, **punishing(*REPLIES[1:])})
    rare = replace(SETTINGS, min_chance=0.005)
    (slip,) = examine(START, table, settings=rare, f2f3=0.009).slips
    assert not slip.also and {query.lines for query in table.asked} == {1}
    (slip,) = examine(at(prepared=("f2f3",)), table, settings=rare, f2f3=0.009).slips
    assert slip.also == ("d7d5",), "what stands in the repertoire is looked at in full"


def test_another_mate_punishes_as_well() -> None:
    position = at(fen="rr4k1/8/8/8/8/7N/5PPP/6K1 w - - 0 1")
    table = Table({position.epd: {0: [("g2g3", 0)]}, after(position, "h3f4"): {0: [("a8a1", 900), ("b8b1", 900)]}})
    (slip,) = examine(position, table, h3f4=0.5).slips
    assert (slip.refutation, slip.also) == (("a8a1",), ("b8b1",))


def test_without_multipv_no_other_refutation_is_named() -> None:
    table = Table({F3: {0: REPLIES}, **punishing(*REPLIES[1:])}, multipv=False)
    (slip,) = examine(START, table, f2f3=0.05).slips
    assert not slip.also and all(query.lines == 1 and not query.moves for query in table.asked)


# --- whether the slip is lost after its refutation -------------------------------------------------------------------

E5 = after(START, "f2f3", "e7e5")
DENIED_AT = 64_000
"""Where the search of E5 ends at last: the table's step before sixteen times `refutation_nodes`."""


def test_a_slip_is_looked_at_after_its_refutation_too() -> None:
    table = Table({F3: {0: [("e7e5", CLEAR)]}})
    assert examine(START, table, f2f3=0.05).slips
    assert table.spent(E5) == [4_000], "the first step with half of `refutation_nodes`"


@pytest.mark.parametrize(("at_last", "told", "nodes"), [(0, [], DENIED_AT), (-CLEAR, ["f2f3"], 32_000)])
def test_a_slip_that_is_not_lost_after_its_refutation_is_none(at_last: int, told: list[str], nodes: int) -> None:
    for prepared in ((), ("f2f3",)):
        table = Table({F3: {0: [("e7e5", CLEAR)]}, E5: {0: [("e2e4", 0)], 32_000: [("e2e4", at_last)]}})
        found = examine(at(prepared=prepared), table, f2f3=0.05)
        assert [slip.move for slip in found.slips] == told
        assert table.spent(E5)[0] == nodes
        assert ("f2f3" in {move for move, _, _ in found.others}) is not bool(told)


def test_a_hair_over_the_threshold_is_not_enough_there() -> None:
    """After 64,000 nodes the noise of a score that stands still is 0.0053, of which half must be left: 0.1027."""
    for cp, told in ((72, 0), (73, 1)):  # 0.1022 and 0.1035
        table = Table({F3: {0: [("e7e5", CLEAR)]}, E5: {0: [("e2e4", -cp)]}})
        assert len(examine(START, table, f2f3=0.05).slips) == told


def test_a_noisy_engine_is_not_asked_whether_it_is_lost_there() -> None:
    table = Table({F3: {0: [("e7e5", CLEAR)]}, E5: {0: [("e2e4", 0)]}}, steady=False)
    assert examine(START, table, f2f3=0.05).slips and not table.spent(E5)


# --- what an engine sees late ----------------------------------------------------------------------------------------

BEFORE = "e2e4 e7e5 g1f3 d7d6 f1c4 h7h6 b1c3"
"""4...Bg4? 5.Nxe5 Bxd1 6.Bxf7+ mates, 5...dxe5 6.Qxg4 wins a pawn: an engine looks at other fifth moves first."""


def test_offers_are_captures_and_checks_that_give_something_up() -> None:
    board = at(f"{BEFORE} c8g4").board()
    assert list(offers(board)) == ["c4f7", "f3e5"]
    assert list(offers(chess.Board())) == []
    assert list(offers(at("e2e4 d7d5").board())) == [], "a pawn for a pawn, and a check that nothing takes"


@pytest.mark.parametrize(("cp", "chance", "told"), [(-300, 0.05, ["c8g4"]), (0, 0.05, []), (-300, 0.009, [])])
def test_an_offer_that_pays_makes_a_slip_of_what_looked_harmless(cp: int, chance: float, told: list[str]) -> None:
    position = at(BEFORE)
    child, taken = after(position, "c8g4"), after(position, "c8g4", "f3e5")
    table = Table({child: {0: [("h2h3", 0)]}, taken: {0: [("d6e5", cp)]}})
    found = examine(position, table, c8g4=chance)
    assert [slip.move for slip in found.slips] == told
    assert bool(table.spent(taken)) is (chance >= 0.01), "of what nobody plays nothing more is asked"
    for slip in found.slips:
        assert slip.refutation == ("f3e5", "d6e5") and slip.score == Score(chess.BLACK, cp=-300)


# --- the end of the game ---------------------------------------------------------------------------------------------


def test_a_finished_game_has_no_slips() -> None:
    mated = at("f2f3 e7e5 g2g4 d8h4")
    table = Table()
    found = examine(mated, table)
    assert (found.best, found.slips, found.candidates) == (Line(Score(chess.WHITE, mate=0), ()), (), 0)
    assert len(table.asked) == 1


def test_a_mating_move_is_no_slip() -> None:
    position = at("f2f3 e7e5 g2g4")
    table = Table({position.epd: {0: [("d8f6", 100)]}})
    found = examine(position, table, d8h4=0.9)
    assert not found.slips and found.others[0][1].mate_won


def test_stalemating_from_a_won_position_is_a_slip_without_refutation() -> None:
    position = at(fen="7k/8/6K1/8/8/8/5Q2/8 w - - 0 1")
    table = Table({position.epd: {0: [("f2f8", 900)]}})
    (slip,) = examine(position, table, f2f7=0.5).slips
    assert (slip.move, slip.refutation, slip.also, slip.score.cp) == ("f2f7", (), (), 0)


# --- prolonging ------------------------------------------------------------------------------------------------------


def test_a_line_is_prolonged_while_it_needs_more() -> None:
    table = Table({F3: {0: [("e7e5", CLEAR)]}, after(START, "f2f3", "e7e5"): {0: [("g2g4 d8h4", -900)]}})
    (slip,) = examine(START, table, needs_more=lambda board, move, line: len(line) < 2, f2f3=0.05).slips
    assert slip.refutation == ("e7e5", "g2g4", "d8h4")
    (slip,) = examine(START, table, needs_more=lambda board, move, line: False, f2f3=0.05).slips
    assert slip.refutation == ("e7e5",)


def test_the_line_of_the_search_that_bore_it_out_serves_first() -> None:
    table = Table({F3: {0: [("e7e5", CLEAR)]}, E5: {0: [("g2g4 d8h4", -CLEAR)]}})
    (slip,) = examine(START, table, needs_more=lambda board, move, line: len(line) < 3, f2f3=0.05).slips
    assert slip.refutation == ("e7e5", "g2g4", "d8h4")
    assert [query.budget for query in table.asked if query.until is None] == [SIDE], "`also`"


def test_prolonging_ends() -> None:
    seen: list[tuple[str, str, tuple[str, ...]]] = []

    def more(board: chess.Board, move: chess.Move, line: tuple[str, ...]) -> bool:
        seen.append((board.epd(), move.uci(), line))
        return True

    (slip,) = examine(START, Table({F3: {0: [("e7e5", CLEAR)]}}), needs_more=more, f2f3=0.05).slips
    assert len(slip.refutation) == 2 + MAX_EXTENSIONS, "once by the search that bore it out"
    assert seen[0] == (START.epd, "f2f3", ("e7e5",))
    mate = Table({after(at("f2f3 e7e5"), "g2g4"): {0: [("d8h4", 900)]}})
    (slip,) = examine(at("f2f3 e7e5"), mate, needs_more=more, g2g4=0.5).slips
    assert slip.refutation == ("d8h4",), "nothing follows a mate"


def test_odd_answers_are_told_and_failures_raised() -> None:
    class Odd(Table):
        def evaluate(self, query: Query) -> Evaluation:
            answer = super().evaluate(query)
            return Evaluation(answer.lines, answer.nodes, notes=("line cut",))

    assert examine(START, Odd(), e2e4=0.5, d2d4=0.5).problems == ("line cut",)

    class Broken(Table):
        def evaluate(self, query: Query) -> Evaluation:
            raise EngineAnswerError("no score", epd=query.epd)

    with pytest.raises(EngineAnswerError):
        examine(START, Broken(), e2e4=0.5)
