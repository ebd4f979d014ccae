"""What the house costs: publish, histograms, synchrony, linkage. Processor time of this process, so that neighbours on
the machine do not count. Run: python -m tests.benchmarks.bench_house"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from aggregator import after_show, house, listener_linkage, synchrony
from aggregator.linkage import SURROGATES, SurrogateTest, linkage_test
from aggregator.merger import Merger
from relay.seat_plan import generated
from tests.aggregator.helper_parts import Audience
from tests.aggregator.helper_series import slow


def cost_us(work: Callable[[int], object], repeats: int) -> tuple[float, float]:
    """(median, 99th percentile) of processor time a call, us."""
    work(0)
    spent = []
    for i in range(1, repeats + 1):
        begun = time.process_time_ns()
        work(i)
        spent.append((time.process_time_ns() - begun) / 1000)
    return float(np.median(spent)), float(np.quantile(spent, 0.99))


def publish(seats: int, owners: int) -> tuple[float, float]:
    rng = np.random.default_rng(1)
    people = Audience(generated(seats), rng.uniform(0.2, 0.8, seats), rng.uniform(0.5, 1, seats))
    merger = Merger(people.plan, tick_hz=20.0)
    ticks = [people.parts(k, owners) for k in range(60)]
    return cost_us(lambda i: merger.publish(ticks[i % 60]), 300)


def histograms(listeners: int) -> tuple[float, float]:
    rng = np.random.default_rng(1)
    s, confidence, section = rng.uniform(-1, 1, listeners), rng.random(listeners), rng.integers(0, 3, listeners)
    return cost_us(lambda _: house.section_histograms(s, confidence, section, 3), 200)


def alike(listeners: int) -> tuple[float, float, float]:
    """us a listener-second of push and of sums at 20 ticks a second, and the longest tick's ms (sums)."""
    rng = np.random.default_rng(1)
    state = synchrony.SynchronyState.allocate(listeners)
    values, valid = rng.normal(size=(listeners, 2)), rng.random((listeners, 2)) < 0.9
    push, _ = cost_us(lambda i: synchrony.push(state, slice(None), i, values, valid), 400)
    window, rows = synchrony.SynchronyWindow(), np.arange(listeners)
    key = rng.integers(0, 1 << 63, listeners).astype(np.uint64)
    spent = []
    for k in range(200):
        if k % 5 == 0:
            synchrony.push(state, slice(None), 400 + k // 5, values, valid)
        begun = time.process_time_ns()
        window.advance(state, rows, key, 400 * 250 + 50 * k)
        spent.append((time.process_time_ns() - begun) / 1000)
    return push * 4 / listeners, sum(spent) / 10 / listeners, float(np.quantile(spent, 0.99)) / 1000


def lagged(listeners: int) -> tuple[float, float]:
    """us a listener-second of the live correlation of each listener with one performer: ring, and sums each 10 s."""
    rng = np.random.default_rng(1)
    ring = listener_linkage.ArousalRing.allocate(listeners)
    state = listener_linkage.ListenerLinkage.allocate(listeners)
    x, valid, rows = rng.random(listeners), np.ones(listeners, np.bool_), np.arange(listeners)
    pushed = cost_us(lambda i: listener_linkage.push(ring, slice(None), i, x, valid), 400)[0] * 4 / listeners
    y, h = rng.normal(size=listener_linkage.BLOCK + listener_linkage.LAGS - 1), rng.normal(size=listener_linkage.BLOCK)
    shard = rows[::16]

    def one(_: int) -> None:
        block = listener_linkage.Block.of(360 - listener_linkage.LAGS + 1, y, h, listeners)
        listener_linkage.advance(state, shard, 0, listener_linkage.taken(ring, shard, 360, 400), block)

    return pushed, cost_us(one, 40)[0] / 10 / len(shard)


def main() -> None:
    print("publish, us a tick (median, p99)")
    for seats, owners in ((500, 1), (2_000, 1), (10_000, 1), (10_000, 3), (20_000, 1)):
        median, p99 = publish(seats, owners)
        print(f"  {seats:6d} seats, {owners} owners: {median:7.0f} {p99:7.0f}")
    for listeners in (1_000, 10_000, 50_000):
        print(f"histograms, {listeners} listeners: {histograms(listeners)[0]:.0f} us a tick")
    for listeners in (1_000, 10_000):
        push, sums, longest = alike(listeners)
        print(
            f"synchrony, {listeners}: push {push:.3f} + sums {sums:.3f} us a listener-second, p99 tick {longest:.2f} ms"
        )
    for listeners in (1_000, 10_000):
        pushed, sums = lagged(listeners)
        print(f"per-listener linkage, {listeners}: ring {pushed:.3f} + {sums:.3f} us a listener-second and performer")
    rng = np.random.default_rng(1)
    a, b = slow(rng, (2400,), 5.0), slow(rng, (2400,), 5.0)
    test = SurrogateTest.begin(a, b, 1)
    begin = cost_us(lambda i: SurrogateTest.begin(a, b, i), 30)[0]
    batch = cost_us(lambda i: SurrogateTest(test.amplitude, 2400, test.observed, i).work(20), 30)[0]
    whole = cost_us(lambda i: linkage_test(a, b, i), 20)[0]
    print(f"live linkage, 600 s: begin {begin:.0f} us, 20 surrogates {batch:.0f} us, all {SURROGATES} {whole:.0f} us")
    shifts = cost_us(lambda _: after_show.shift_test(a, b), 20)[0]
    print(f"after show, 600 s: all {2400 - 2 * after_show.GUARD} shifts {shifts:.0f} us a listener")
    for state in (synchrony.SynchronyState, listener_linkage.ArousalRing, listener_linkage.ListenerLinkage):
        print(f"{state.__name__}: {sum(state.bytes_a_listener().values())} bytes a listener {state.bytes_a_listener()}")


if __name__ == "__main__":
    main()
