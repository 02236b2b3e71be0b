"""When a search may end, and the budgets of engines that cannot be watched."""

from __future__ import annotations

import pytest

from trapscan.stopping import Calm, Until, steps

UNTIL = Until(best=0.5, threshold=0.1, clear=1.0, least=2_000, confirm=8_000, noise=0.06, fall=0.5)


@pytest.mark.parametrize(
    ("trail", "settled"),
    [
        ([(1_900, 0.5)], False),  # too early to say anything
        ([(2_000, 0.5)], True),  # loss 0: 0.1 under the threshold, noise 0.03
        ([(2_000, 0.56)], True),  # loss 0.06
        ([(2_000, 0.58)], False),  # loss 0.08
        ([(1_000, 0.5), (1_500, 0.65), (2_000, 0.55)], False),  # swings by 0.06: noise 0.09
        ([(1_000, 0.5), (6_000, 0.9)], False),  # a slip, but not confirmed
        ([(1_000, 0.9), (4_000, 0.9), (8_000, 0.9)], True),
        ([(500, 0.1), (2_000, 0.9), (4_000, 0.9), (8_000, 0.9)], True),  # only the last three count
        ([(8_000, 0.612)], False),  # loss 0.112, noise 0.015
    ],
)
def test_settled(trail: list[tuple[int, float]], settled: bool) -> None:
    assert UNTIL.settled(trail) is settled


def test_a_slip_is_settled_only_once_its_refutation_has_stood() -> None:
    slip = [(4_000, 0.9), (8_000, 0.9), (16_000, 0.9)]
    assert UNTIL.settled(slip, ["d2d4", "e2e4", "e2e4", "e2e4"])
    assert not UNTIL.settled(slip, ["e2e4", "d2d4", "e2e4", "e2e4"][1:])
    assert UNTIL.settled([(16_000, 0.5)] * 3, ["d2d4", "e2e4", "g1f3"]), "of a harmless move the reply does not matter"


def test_a_noisier_engine_must_be_further_away_and_search_longer() -> None:
    twice = UNTIL.for_noisier(2.0)
    assert (twice.noise, twice.least, twice.confirm, twice.threshold) == (0.12, 4_000, 16_000, 0.1)
    assert UNTIL.settled([(2_000, 0.5)]) and not twice.settled([(2_000, 0.5)])
    assert UNTIL.for_noisier(1.0) == UNTIL


@pytest.mark.parametrize(
    ("nodes", "victim", "settled"),
    [
        (8_000, 0.25, True),  # after the reply the victim has lost 0.25: it punishes, clear of 0.1 by more than 0.03
        (7_000, 0.25, False),  # not before `confirm` nodes
        (8_000, 0.37, False),  # 0.13: within the noise of 0.1 at these nodes (0.03 and more)
        (2_000, 0.55, True),  # it does not punish at all
        (2_000, 0.42, False),
    ],
)
def test_of_a_reply_the_victim_s_answer_tells(nodes: int, victim: float, settled: bool) -> None:
    swinging = [(nodes // 3, victim - 0.03), (nodes // 2, victim + 0.03), (nodes, victim)]
    assert UNTIL.for_victim().settled(swinging) is settled


CALM = Calm.around(120_000)


@pytest.mark.parametrize(
    ("trail", "settled"),
    [
        ([(79_000, 0.5)] * 4, False),  # two thirds of the usual nodes at least
        ([(80_000, 0.5)] * 3, False),  # four iterations at least
        ([(80_000, 0.5)] * 4, True),
        (
            [(9_000, 0.9), (20_000, 0.5), (40_000, 0.52), (60_000, 0.529), (80_000, 0.52)],
            True,
        ),  # only the last four count
        ([(20_000, 0.5), (40_000, 0.52), (60_000, 0.531), (80_000, 0.52)], False),  # 0.031 apart
    ],
)
def test_a_score_is_at_rest_when_its_last_iterations_agree(trail: list[tuple[int, float]], settled: bool) -> None:
    assert CALM.settled(trail) is settled
    assert CALM.most == 480_000


def test_a_noisier_engine_comes_to_rest_within_more() -> None:
    twice = CALM.for_noisier(2.0)
    assert (twice.usual, twice.least, twice.within, twice.looks) == (240_000, 160_000, 2 * CALM.within, CALM.looks)
    assert CALM.for_noisier(1.0) == CALM


@pytest.mark.parametrize(
    ("least", "most", "budgets"),
    [(2_000, 160_000, (2_000, 8_000, 32_000, 128_000, 160_000)), (500, 500, (500,)), (500, 2_000, (500, 2_000))],
)
def test_steps(least: int, most: int, budgets: tuple[int, ...]) -> None:
    assert steps(least, most) == budgets
