"""When a search may end, and the budgets of engines that cannot be watched."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from trapscan.score import Score
from trapscan.stopping import Iteration, LossStop, Noise, StableScoreStop, steps

STOP = LossStop(best=0.5, threshold=0.1, sigmas=1.0, least=2_000, confirm=8_000, noise=Noise(0.06, 0.5))

Trail = list[tuple[int, float]]
"""Nodes so far, expected score of the side to move."""


def told(trail: Trail) -> list[Iteration]:
    """The iterations with the nearest centipawns."""
    return [Iteration(nodes, Score(True, cp=round(400 * math.log10(e / (1 - e)))), "e2e4") for nodes, e in trail]


@pytest.mark.parametrize(
    ("trail", "settled"),
    [
        ([(1_900, 0.5)], False),  # too early to say anything
        ([(2_000, 0.5)], True),  # loss 0: 0.1 under the threshold, noise 0.03
        ([(2_000, 0.58)], True),  # loss 0.08: 0.04 under 0.12, which is spared the search
        ([(2_000, 0.595)], False),  # loss 0.095
        ([(1_000, 0.5), (1_500, 0.65), (2_000, 0.55)], False),  # swings by 0.06: noise 0.09
        ([(1_000, 0.5), (6_000, 0.9)], False),  # a slip, but not confirmed
        ([(1_000, 0.9), (4_000, 0.9), (8_000, 0.9)], True),
        ([(500, 0.1), (2_000, 0.9), (4_000, 0.9), (8_000, 0.9)], True),  # only the last three count
        ([(8_000, 0.612)], False),  # loss 0.112, noise 0.015: neither clear of 0.1 nor of 0.12
        ([(8_000, 0.603)], True),  # loss 0.103: no clear slip, and none is looked for here
        ([(8_000, 0.62)], True),  # loss 0.12
    ],
)
def test_settled(trail: Trail, settled: bool) -> None:
    assert STOP.settled(told(trail)) is settled


def test_a_noisier_engine_must_be_further_away_and_search_longer() -> None:
    twice = STOP.for_noisier(2.0)
    assert (twice.noise.at_2000, twice.least, twice.confirm, twice.threshold) == (0.12, 4_000, 16_000, 0.1)
    assert STOP.settled(told([(2_000, 0.5)])) and not twice.settled(told([(2_000, 0.5)]))
    assert STOP.for_noisier(1.0) == STOP


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
    after = replace(STOP, spared=0.0, victim_moves=True)
    swinging = told([(nodes // 3, victim - 0.03), (nodes // 2, victim + 0.03), (nodes, victim)])
    assert after.settled(swinging) is settled
    assert after.is_clear(swinging) is (victim == 0.25)


def test_the_noise_falls_with_the_nodes_and_with_a_score_that_stands_still() -> None:
    noise = Noise(0.06, 0.5)
    assert [noise.after(nodes) for nodes in (2_000, 8_000, 32_000)] == pytest.approx([0.06, 0.03, 0.015])
    assert noise.of(told([(2_000, 0.6)] * 3)) == pytest.approx(0.03)
    assert noise.of(told([(1_000, 0.3), (1_500, 0.9), (2_000, 0.5)])) == pytest.approx(0.09)


STABLE = StableScoreStop.around(120_000)


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
        ([(20_000, 0.5), (40_000, 0.52), (60_000, 0.532), (80_000, 0.52)], False),  # 0.032 apart
    ],
)
def test_a_score_is_at_rest_when_its_last_iterations_agree(trail: Trail, settled: bool) -> None:
    assert STABLE.settled(told(trail)) is settled
    assert STABLE.most == 480_000


def test_a_noisier_engine_comes_to_rest_within_more() -> None:
    twice = STABLE.for_noisier(2.0)
    assert (twice.usual, twice.least, twice.within) == (240_000, 160_000, 2 * STABLE.within)
    assert twice.iterations == STABLE.iterations and STABLE.for_noisier(1.0) == STABLE


@pytest.mark.parametrize(
    ("least", "most", "budgets"),
    [(2_000, 160_000, (2_000, 8_000, 32_000, 128_000, 160_000)), (500, 500, (500,)), (500, 2_000, (500, 2_000))],
)
def test_steps(least: int, most: int, budgets: tuple[int, ...]) -> None:
    assert steps(least, most) == budgets
