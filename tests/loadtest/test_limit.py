from __future__ import annotations

import random
from collections.abc import Callable

import pytest

from loadtest.limit import Found, search
from loadtest.scenario import Limit


def found(limit: Limit, most: int, holds: Callable[[int], bool]) -> tuple[Found, int]:
    run = search(limit, most)
    phones, steps = next(run), 1
    while True:
        assert 0 < phones <= most
        try:
            phones = run.send(holds(phones))
            steps += 1
        except StopIteration as end:
            return end.value, steps


@pytest.mark.parametrize("truth", [1, 37, 399, 401, 1234, 9999])
@pytest.mark.parametrize("growth", [1.1, 1.7, 3.0])
def test_the_planted_limit_is_found(truth: int, growth: float) -> None:
    limit = Limit(start=400, growth=growth, resolution=0.05, repeats=1)
    made, steps = found(limit, 10_000, lambda n: n <= truth)
    assert made.held <= truth < made.broke
    assert made.broke - made.held <= max(1, 0.05 * made.broke)
    assert steps < 80


def test_no_limit_below_the_most() -> None:
    made, _ = found(Limit(start=10, growth=2.0), 100, lambda _n: True)
    assert made == Found(100, 101)


def test_a_hiccup_is_tried_again() -> None:
    """A machine that stumbles in one of ten steps: with two tries the limit stays within 20 % of the planted one."""
    for seed in range(20):
        dice = random.Random(seed)
        limit = Limit(start=400, growth=1.7, resolution=0.1, repeats=3)
        made, _ = found(limit, 10_000, lambda n, dice=dice: n <= 3000 and dice.random() > 0.1)  # type: ignore[misc]
        assert 0.8 * 3000 <= made.middle <= 1.2 * 3000
