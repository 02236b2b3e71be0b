"""The time left of made-up scans whose whole course is known."""

from __future__ import annotations

import random

import pytest

from trapscan.job.eta import Met, TimeLeft


def course(seed: int, known: float = 0.0) -> list[tuple[float, float]]:
    """A scan of 4,000 positions of a tree, 1,000 of them ends, and two plies beyond, what matters most first: after
    each search the share of the time that has passed, and what is said of the time left as a multiple of the truth.
    Costs vary by a factor of about ten, ends cost half of what others cost, the first ones a quarter more than the
    last; an end with White to move leads on to one or two positions, one with Black to one; they come among the rest.
    """
    chance = random.Random(seed)
    left, passed = TimeLeft(), 0.0
    said: list[tuple[float, float | None]] = []
    waiting: list[tuple[float, Met]] = []

    def meet(position: Met) -> None:
        stored = chance.random() < known
        left.found(position, known=stored)
        if stored:
            grow(position)
        else:
            waiting.append((chance.random(), position))

    def grow(position: Met) -> None:
        if position.plies:
            number = chance.choice((1, 1, 2)) if position.white else 1
            left.grown(position, number)
            for _ in range(number):
                meet(Met(True, not position.white, position.plies - 1))

    for number in range(4000):
        meet(Met(number < 1000, True, 2) if number < 1000 else Met(False, number % 2 == 0))
    all_of_them = 5000.0
    done = 0
    while waiting:
        waiting.sort(key=lambda entry: entry[0])
        some, waiting = waiting[: max(24, done // 2)], waiting[max(24, done // 2) :]
        for _, position in some:
            done += 1
            cost = (1.0 if position.end else 2.0) * chance.lognormvariate(0.0, 0.7) * (1.25 - 0.25 * done / all_of_them)
            passed += cost / 2  # two workers
            left.searched(position, cost)
            grow(position)
            said.append((passed, left.seconds(passed)))
    return [(at / passed, (guess or 0.0) / (passed - at)) for at, guess in said[1:-1]]


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("known", [0.0, 0.6])
def test_within_a_quarter_from_two_tenths_of_the_way_on(seed: int, known: float) -> None:
    """Until little is left: the very last positions are a matter of luck."""
    said = [ratio for share, ratio in course(seed, known) if 0.2 <= share <= 0.95]
    assert len(said) > 100
    assert all(0.8 <= ratio <= 1.25 for ratio in said), (min(said), max(said))


def test_nothing_is_said_of_nothing() -> None:
    left, first = TimeLeft(), Met(True, True, 2)
    left.found(first, known=False)
    assert left.seconds(10.0) is None
    assert left.to_come == 2.0, "one position more in each ply"
    left.searched(first, 2.0)
    assert left.seconds(10.0) is None, "that may have been the start of the workers"
    left.grown(first, 2)
    after = Met(True, False, 1)
    for _ in range(2):
        left.found(after, known=False)
    assert left.to_come == 2.0 and left.ahead == 8.0
    left.searched(after, 2.0)
    left.grown(after, 1)
    left.found(Met(True, True), known=False)
    assert left.to_come == 1.0
    assert left.seconds(11.0) == pytest.approx(3.0), "three more; the last one took a second"


def test_what_was_done_last_tells_most() -> None:
    """What matters most comes first and costs most."""
    left, position = TimeLeft(), Met(False, True)
    for _ in range(40):
        left.found(position, known=False)
    for number in range(30):
        left.searched(position, 4.0 if number < 15 else 1.0)
    assert left.ahead == pytest.approx(10.0)


def test_what_follows_the_last_position_counts() -> None:
    inside = Met(False, True)
    left = TimeLeft(afterwards=10)
    left.found(inside, known=False)
    left.found(inside, known=False)
    left.searched(inside, 3.0)
    assert left.ahead == pytest.approx(3.0 + 10 * 3.0), "one position more, and the worth of ten"
    known = TimeLeft(afterwards=10)
    known.found(inside, known=True)
    known.found(inside, known=False)
    known.searched(inside, 3.0)
    assert known.ahead == pytest.approx(5 * 3.0), "half of all was in the store, and half of that will be"
