"""The order of findings and the rule of rounding."""

from __future__ import annotations

import chess
import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trapscan.contract import (
    Depth,
    Gain,
    MoveText,
    Nature,
    Refutation,
    SecondOpinion,
    Side,
    SlipFinding,
    SlipKind,
    Verified,
)
from trapscan.levels import Lens
from trapscan.order import ORDERS, at_the_head, by_idea, in_order, outlines, ranked, rounded

LEVELS = (1000, 1400, 2000)


def finding(name: str, kind: SlipKind, *toll: float) -> SlipFinding:
    return SlipFinding(
        id=name,
        kind=kind,
        victim=Side.WHITE,
        fen=chess.STARTING_FEN,
        start_fen=chess.STARTING_FEN,
        line=(),
        move_orders=1,
        opening=None,
        slip=MoveText(san="f3", uci="f2f3"),
        cp_best=0,
        cp_slip=-200,
        gain=Gain.ATTACK,
        chance=(0.1,) * 3,
        find=(0.1,) * 3,
        reach=(0.1,) * 3,
        cost=(0.1,) * 3,
        toll=toll,
        depth=Depth(exposed=1000),
        verified=Verified(nodes=1000),
    )


def test_order() -> None:
    low, high = finding("c", SlipKind.TRICK, 1, 1, 9), finding("b", SlipKind.PITFALL, 2, 2, 0)
    tie, ours = finding("a", SlipKind.TRICK, 1, 1, 1), finding("d", SlipKind.UNSOUND, 0, 0, 0)
    noise = finding("0", SlipKind.TRICK, 1 - 1e-9, 1 - 1e-9, 1)
    made = [low, high, tie, ours, noise]

    def ids(level: int) -> str:
        return "".join(f.id for f in in_order(made, Lens(LEVELS, level)))

    assert ids(1000) == "db0ac", "ours first, then by toll; equal tolls, and what differs by noise, by id"
    assert ids(2000) == "dc0ab", "the order is that of the level asked for"
    made.reverse()
    assert ids(1000) == "db0ac", "the order of discovery does not matter"


def test_by_toll_alone_and_what_is_denied_last() -> None:
    denied = SecondOpinion(engine="x", cp_best=0, cp_slip=0, agrees=False)
    low, high = finding("c", SlipKind.UNSOUND, 1, 1, 1), finding("b", SlipKind.TRICK, 2, 2, 2)
    worst = finding("a", SlipKind.UNSOUND, 3, 3, 3)
    worst = SlipFinding(
        **{
            **{f: getattr(worst, f) for f in worst.__struct_fields__},
            "verified": Verified(nodes=1, second_engine=denied),
        }
    )
    made = [low, high, worst]
    assert [f.id for f in ranked(made, Lens(LEVELS, 1000))] == ["a", "b", "c"]
    assert [f.id for f in in_order(made, Lens(LEVELS, 1000))] == ["c", "b", "a"]


def test_who_has_seen_a_position_or_an_answer_wants_another_thing_next() -> None:
    """By hand: of equal frequency, worth 0.9, 0.8, 0.7; in one position, or with one answer, the second counts half."""
    elsewhere = "rnbqkbnr/pppp1ppp/8/4p3/4P3/8/PPPP1PPP/RNBQKBNR w KQkq - 0 2"
    lens = Lens(LEVELS, 1000)

    def made(name: str, worth: float, fen: str, reply: str, nature: Nature = Nature.TACTIC) -> SlipFinding:
        return msgspec.structs.replace(
            finding(name, SlipKind.TRICK, 0, 0, 0),
            fen=fen,
            worth=(worth,) * 3,
            nature=nature,
            refutation=Refutation(san=reply, uci=reply, line=()),
        )

    here = chess.STARTING_FEN
    first, again, other = (
        made("a", 0.9, here, "e7e5"),
        made("b", 0.8, here, "d7d5"),
        made("c", 0.7, elsewhere, "g8f6"),
    )
    assert [idea.lead.id for idea in by_idea([again, other, first], lens)] == ["a", "c", "b"], "one position"
    answered = made("b", 0.8, here.replace(" 0 1", " 2 9"), "e7e5")
    assert [idea.lead.id for idea in by_idea([answered, other, first], lens)] == ["a", "c", "b"], "one answer"
    aside = made("b", 0.8, here, "e7e5", Nature.GAMBIT)
    assert [idea.lead.id for idea in by_idea([aside, other, first], lens)] == ["a", "b", "c"], "another section"


def test_at_most_two_ideas_of_one_position_stand_at_the_head() -> None:
    lens = Lens(LEVELS, 1000)
    made = [
        msgspec.structs.replace(
            finding(name, SlipKind.TRICK, 0, 0, 0),
            worth=(0.9 - 0.01 * place,) * 3,
            slip=MoveText(san=f"{name}3", uci=f"{name}2{name}3"),
        )
        for place, name in enumerate("abcd")
    ]
    made[3] = msgspec.structs.replace(made[3], fen=made[3].fen.replace(" w ", " b "))
    assert [idea.lead.id for idea in at_the_head(by_idea(made, lens), lens)] == ["a", "d", "b"]
    seldom = msgspec.structs.replace(made[0], reach=(1.5e-4,) * 3)
    oftener = msgspec.structs.replace(made[3], reach=(3e-4,) * 3, worth=(0.75,) * 3)
    ideas = by_idea([seldom, oftener], lens)
    assert [idea.lead.id for idea in ideas] == ["a", "d"], "worth more"
    assert [idea.lead.id for idea in at_the_head(ideas, lens)] == ["d", "a"], "but seldom"
    rare = [msgspec.structs.replace(each, chance=(0.009,) * 3) for each in made]
    assert at_the_head(by_idea(rare, lens), lens) == []
    filler = [msgspec.structs.replace(each, worth=(0.69,) * 3) for each in made]
    assert at_the_head(by_idea(filler, lens), lens) == []


def test_a_slip_stands_once_at_the_head_for_positions_that_are_nearly_the_same() -> None:
    """By hand: 1.e4 e5 empties two squares and fills two; a queen's side without four men differs in more than six."""
    lens = Lens(LEVELS, 1000)
    first = msgspec.structs.replace(finding("a", SlipKind.TRICK, 0, 0, 0), worth=(0.9,) * 3)
    near = "rnbqkbnr/pppp1ppp/8/4p3/4P3/8/PPPP1PPP/RNBQKBNR w KQkq - 0 2"
    far = "4kbnr/pppp1ppp/8/4p3/4P3/8/PPPP1PPP/RNBQKBNR w KQk - 0 2"

    def shown(fen: str, slip: str = "f2f3") -> list[str]:
        again = msgspec.structs.replace(first, id="b", fen=fen, slip=MoveText(san="", uci=slip))
        whole = by_idea([first, again], lens)
        told = by_idea([*outlines([first, again])], lens)
        assert [idea.lead.id for idea in at_the_head(told, lens)] == [idea.lead.id for idea in at_the_head(whole, lens)]
        return [idea.lead.id for idea in at_the_head(whole, lens)]

    assert shown(near) == ["a"]
    assert shown(near, "g2g4") == ["a", "b"], "another slip"
    assert shown(far) == ["a", "b"], "another position"


@given(st.floats(-1e3, 1e3), st.integers(0, 6))
def test_rounding_is_to_the_nearest_and_once_is_enough(value: float, digits: int) -> None:
    """A value that has been rounded stays as it is, whatever file it went through; nothing reads as minus nothing."""
    once = rounded(value, digits)
    assert rounded(once, digits) == once and abs(once - value) <= 0.5 * 10**-digits + 1e-9
    assert f"{once:.{digits}f}".lstrip("-0.") or not f"{once:.{digits}f}".startswith("-")


@pytest.mark.parametrize("order", sorted(ORDERS))
def test_every_order_is_total_and_of_the_findings_alone(order: str) -> None:
    """Equal in all but the id: by id, whatever the order that they came in."""
    made = [finding(name, SlipKind.TRICK, 1, 1, 1) for name in "badc"]
    for lens in (Lens(LEVELS, 1000), Lens(LEVELS, 1700)):
        assert (
            [f.id for f in ranked(made, lens, order)] == [f.id for f in ranked(made[::-1], lens, order)] == list("abcd")
        )
