"""The time left of made-up scans whose whole course is known."""

from __future__ import annotations

import random

import pytest

from trapscan.job.left import TimeLeft


def course(seed: int, known: float = 0.0) -> list[tuple[float, float]]:
    """A scan of 4,000 positions of a tree, 1,000 of them ends, and two waves beyond: after each search the share of the
    time that has passed, and what is said of the time left as a multiple of the truth. Costs vary by a factor of about
    ten, ends cost half of what others cost; an end with White to move leads on to one or two positions, one with Black
    to one."""
    chance = random.Random(seed)
    left, passed = TimeLeft(waves=2), 0.0
    said: list[tuple[float, float | None]] = []
    ends, inside = 1000, 3000
    for wave in range(3):
        left.wave({wave % 2 == 0: ends})
        tasks = [True] * ends + [False] * inside
        chance.shuffle(tasks)
        stored = [chance.random() < known for _ in tasks]
        children = 0

        def grow(end: bool, wave: int = wave) -> int:
            if not end or wave == 2:
                return 0
            number = 1 if wave else chance.choice((1, 1, 2))  # our move; theirs
            left.grown(wave % 2 == 0, number)
            return number

        children += sum(grow(end) for end, it in zip(tasks, stored, strict=True) if it)
        waiting = [end for end, it in zip(tasks, stored, strict=True) if not it]
        left.looked_up(sum(stored), {kind: waiting.count(kind) for kind in (False, True)})
        for end in waiting:
            cost = (1.0 if end else 2.0) * chance.lognormvariate(0.0, 0.7)
            passed += cost / 2  # two workers
            left.searched(end, cost)
            children += grow(end)
            said.append((passed, left.seconds(passed)))
        ends, inside = children, 0
    return [(at / passed, (guess or 0.0) / (passed - at)) for at, guess in said[1:-1]]


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("known", [0.0, 0.6])
def test_within_a_fifth_from_a_tenth_of_the_way_on(seed: int, known: float) -> None:
    """Until little is left: the very last positions are a matter of luck."""
    said = [ratio for share, ratio in course(seed, known) if 0.1 <= share <= 0.95]
    assert len(said) > 100
    assert all(0.8 <= ratio <= 1.2 for ratio in said), (min(said), max(said))


def test_nothing_is_said_of_nothing() -> None:
    left = TimeLeft(waves=2)
    left.wave({True: 1})
    left.looked_up(0, {True: 1})
    assert left.seconds(10.0) is None
    left.searched(True, 2.0)
    assert left.to_come == 2.0 and left.ahead == 4.0, "one position more in each wave"
    assert left.seconds(10.0) is None, "that may have been the start of the workers"
    left.grown(True, 2)
    left.wave({False: 2})
    left.looked_up(0, {True: 2})
    assert left.to_come == 2.0 and left.ahead == 8.0
    left.searched(True, 2.0)
    assert left.seconds(11.0) == pytest.approx(3.0), "three more; the last one took a second"
    left.grown(False, 1)
    left.wave({True: 2})
    assert left.to_come == 0.0


def test_what_follows_the_last_wave_counts() -> None:
    left = TimeLeft(afterwards=10)
    left.wave({})
    left.looked_up(0, {False: 2})
    left.searched(False, 3.0)
    assert left.ahead == pytest.approx(3.0 + 10 * 3.0), "one position more, and the worth of ten"
    known = TimeLeft(afterwards=10)
    known.wave({})
    known.looked_up(1, {False: 1})
    known.searched(False, 3.0)
    assert known.ahead == pytest.approx(5 * 3.0), "half of all was in the store, and half of that will be"
