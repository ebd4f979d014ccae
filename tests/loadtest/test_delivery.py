from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from loadtest.delivery import Delivery


def test_sends_each_number_once_in_order() -> None:
    phone = Delivery()
    phone.make(5)
    assert list(phone.due(3)) == [0, 1, 2]
    assert list(phone.due(3)) == [3, 4]
    assert list(phone.due(3)) == []


def test_a_new_connection_sends_what_was_not_acknowledged() -> None:
    phone = Delivery()
    phone.make(10)
    phone.due(10)
    phone.acknowledge(4)
    phone.connected()
    assert list(phone.due(100)) == [4, 5, 6, 7, 8, 9]
    assert phone.resent == 6


def test_what_no_longer_fits_is_skipped_and_told() -> None:
    phone = Delivery()
    phone.make(100)
    assert phone.discard(60) == (0, 39)
    assert phone.discard(60) is None
    phone.make(103)
    assert phone.discard(60, slack=4) is None
    phone.make(105)
    assert phone.discard(60, slack=4) == (40, 44)
    assert phone.skipped == 45
    assert phone.due(1) == range(45, 46)


def test_a_lost_bus_gets_the_ring_again() -> None:
    phone = Delivery()
    phone.make(100)
    phone.due(100)
    phone.acknowledge(100)
    phone.rewind(60)
    assert phone.due(100) == range(40, 100)


def test_later_goes_back() -> None:
    phone = Delivery()
    phone.make(10)
    phone.due(10)
    phone.acknowledge(3)
    phone.back(6)
    assert phone.due(10) == range(6, 10)
    phone.back(1)
    assert phone.due(10) == range(3, 10)


steps = st.one_of(
    st.tuples(st.just("make"), st.integers(0, 200)),
    st.tuples(st.just("due"), st.integers(1, 20)),
    st.tuples(st.just("ack"), st.integers(0, 250)),
    st.tuples(st.just("connect"), st.just(0)),
    st.tuples(st.just("discard"), st.integers(1, 40)),
)


@given(st.lists(steps, max_size=60))
def test_nothing_is_lost_unsaid(actions: list[tuple[str, int]]) -> None:
    """Whatever happens: every number below ``made`` was sent, skipped, or is still due."""
    phone = Delivery()
    told: set[int] = set()
    for name, value in actions:
        if name == "make":
            phone.make(value)
        elif name == "due":
            told.update(phone.due(value))
        elif name == "ack":
            phone.acknowledge(min(value, phone.sent))
        elif name == "connect":
            phone.connected()
        elif (gone := phone.discard(value)) is not None:
            told.update(range(gone[0], gone[1] + 1))
        assert phone.lowest <= phone.sent <= phone.made
    told.update(phone.due(10**6))
    assert told >= set(range(phone.made))
