from __future__ import annotations

import random

from hypothesis import given
from hypothesis import strategies as st

from relay.returns import FIRST_S, LONGEST_S, RETURNS_PER_S, SPREAD_S, Returns


def test_a_few_come_back_within_seconds() -> None:
    returns = Returns()
    found = [returns.next_s(1e6, chance) for chance in (0.0, 0.5, 1.0)]
    assert min(found) >= FIRST_S
    assert max(found) <= FIRST_S + SPREAD_S + 3 / RETURNS_PER_S


def test_thousands_come_back_at_the_rate_that_the_relay_can_take() -> None:
    """All sent away in one second: what returns in any second is a seventh of the 2,000 that a relay can let in."""
    returns, chance = Returns(), random.Random(4)
    moments = sorted(i / 10_000 + returns.next_s(i / 10, chance.random()) for i in range(10_000))
    busiest = max(sum(at <= other < at + 1.0 for other in moments) for at in range(1, 40))
    assert busiest <= 1.15 * RETURNS_PER_S
    assert max(moments) >= 10_000 / RETURNS_PER_S


@given(st.lists(st.tuples(st.floats(0, 1e4), st.floats(0, 1)), max_size=50), st.integers(0, 30_000))
def test_never_sooner_than_a_second_nor_later_than_a_minute(steps: list[tuple[float, float]], before: int) -> None:
    returns, now_ms = Returns(), 0.0
    for _ in range(before):
        returns.next_s(now_ms, 1.0)
    for step_ms, chance in steps:
        now_ms += step_ms
        assert FIRST_S <= returns.next_s(now_ms, chance) <= LONGEST_S


def test_the_queue_is_forgotten_once_it_is_through() -> None:
    returns = Returns()
    for _ in range(100_000):
        returns.next_s(0.0, 0.0)
    assert returns.next_s(61_000.0, 0.0) == FIRST_S
