"""The shell around the engine: reads the bus, runs each tick when its cut has passed, hands snapshots on.

One loop, no threads but for the checkpoint's file write. Outputs never wait for anything here and nothing here waits
for an output: a sink's ``send`` must return at once.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections import deque
from collections.abc import Callable, Coroutine, Sequence

from aggregator import checkpoint, saved
from aggregator.engine import Engine
from aggregator.engine_image import Buffers
from aggregator.erasure import Traces, removals
from aggregator.failover import Failovers
from aggregator.fair_share import FairShare
from aggregator.leadership import Alone, Leadership
from aggregator.merger import Merger
from aggregator.part_change import PartWriter
from aggregator.performer_series import SeriesWriter
from aggregator.reader import Reader
from aggregator.service_settings import ServiceCounters, ServiceSettings, Sink
from aggregator.snapshot import PartSnapshot, Snapshot
from relay.bus import Bus, BusUnavailable
from relay.entries import Baseline, Control, Entry, HousePrior, Marker, Origin, Stamp, encode_control

__all__ = ["Service", "ServiceCounters", "ServiceSettings", "Sink"]

log = logging.getLogger(__name__)

AHEAD_MS = 12.0  # before a cut that uses entries: what is there by then is read and told, the last few remain
LATE_LIMIT_MS = 1000  # contract 4: a tick that is later than this is computed and not sent
PRIOR_EVERY_S = 10.0  # the house's scale changes slowly; each one costs an entry a shard
BEAT_EVERY_S = 0.25  # sinks decide when their own heartbeat is due (1 s); a change of state shows within this
FOLLOWERS_MS = 30_000  # stays on a shared bus behind a checkpoint: a follower that stood still may be so far behind
ERASED_EVERY_S = 1.0  # many erasures share checkpoints: each costs the loop its packing
LAST_TICKS = 2  # entries are used at every second tick: two past the end use whatever the bus holds
TICKS_A_TURN = 50  # after a pause as many are computed on one reading: 2.5 s of the evening, then the clock again
AGAIN_MS, LEAST_S = 1_500.0, 5.0  # a cold start computes no more again: a checkpoint sooner, but not every moment
BUS_RETRY_S = 0.2  # pause before the bus is asked again
DURATIONS_KEPT = 2048  # ticks whose cost the page's percentiles are taken from (100 s at 20 Hz)


class Service:
    """One aggregator: ``run()`` until ``stop()``. Who wants to follow puts a callback into one of the ``on_`` lists."""

    def __init__(
        self,
        bus: Bus,
        engine: Engine,
        merger: Merger,
        sinks: Sequence[Sink],
        settings: ServiceSettings | None = None,
        *,
        first_tick: int = 0,
        leadership: Leadership | None = None,
        bus_id: str = "",
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """``bus_id``: the replication id under which the engine's positions were read, where it was restored."""
        self.bus, self.engine, self.merger, self.sinks = bus, engine, merger, tuple(sinks)
        self.watchers: tuple[Sink, ...] = ()  # sinks that a spare feeds too: its own page
        self.settings = settings or ServiceSettings()
        self.leadership: Leadership = leadership or Alone(engine.epoch)
        self.counters = ServiceCounters()
        self.tick_ms: deque[float] = deque(maxlen=DURATIONS_KEPT)
        self.last: Snapshot | None = None
        self.last_s = clock()  # when it was computed
        self._sent_s: float | None = None  # when one was last handed to the outputs
        self.on_snapshot: list[Callable[[Snapshot], None]] = []
        self.on_part_snapshot: list[Callable[[PartSnapshot], None]] = []
        self.on_entries: list[Callable[[Sequence[Entry]], None]] = []
        self._clock, self._k = clock, first_tick
        self._ahead_k = first_tick - 1  # the newest tick before which was read ahead
        self._failovers = Failovers(bus, bus_id)
        self._reader = Reader(bus, engine, self._failovers, self.counters, self.on_entries, self._guarded)
        self.beside: list[Callable[[], Coroutine[object, object, None]]] = []  # more that runs as long as the loop does
        self._stopping = asyncio.Event()
        self._due_checkpoint_s = clock() + self.settings.checkpoint_every_s
        self._again_ms = 0.0  # computed since the last one
        self._due_prior_s = clock() + PRIOR_EVERY_S
        self._series = SeriesWriter(bus.shards)
        keep_ms = 0 if self.settings.trim_without_checkpoint else FOLLOWERS_MS
        self.traces = Traces(engine, bus, keep_ms, clock)
        self.parts = PartWriter(bus, engine, clock)
        self._compacting: asyncio.Task[None] | None = None
        self._removals_kept = removals(self.engine)  # erasures and withdrawals that the newest checkpoint knows of
        self._erased_due_s = clock()
        self._writing: asyncio.Task[None] | None = None
        self._buffers = Buffers()
        self._share_of_time = FairShare(clock)
        self._bus_away = self._led = self._given_up = False

    async def run(self) -> None:
        """Tick until :meth:`stop`; then one last checkpoint."""
        works = (self._watch, self.leadership.run, self._failovers.watch, *self.beside)
        beside = [asyncio.create_task(work()) for work in works]
        try:
            while not self._stopping.is_set():
                _raise_faults(beside)
                try:
                    await self._turn()
                    self._bus_back()
                except BusUnavailable as error:
                    self._bus_lost(error)
                    await self._pause(BUS_RETRY_S)
        finally:
            for task in beside:
                task.cancel()
            await asyncio.wait(beside)
            await self.parts.end()
            if self._compacting is not None:
                self._compacting.cancel()
                await asyncio.wait([self._compacting])
            if not self._given_up:
                await self._use_up()
                if await self._up_to_date():
                    await self._checkpoint(final=True)
                self.traces.end()
            _raise_faults(beside)

    async def _use_up(self) -> None:
        """The last ticks of a bus that ends with this process: what it has accepted is used, not thrown away. On a bus
        that others read, what is left stays for them, and no tick is computed before its time."""
        if not self.settings.trim_without_checkpoint:
            return
        with contextlib.suppress(BusUnavailable):
            now = await self.bus.now_ms()
            await self._read_on()
            while self.engine.cut_ms(self._k - LAST_TICKS) <= now:
                self.last = self.merger.publish([self.engine.tick(self._k)])
                self._k += 1

    def sent_age_s(self) -> float | None:
        """Seconds since a snapshot was handed to the outputs, None before the first (a spare sends none)."""
        return None if self._sent_s is None else self._clock() - self._sent_s

    def last_age_s(self) -> float:
        """Seconds since a snapshot was computed, or since the beginning."""
        return self._clock() - self.last_s

    async def _up_to_date(self) -> bool:
        """A spare that is behind may not have read of an erasure yet: it leaves no file. The lead's is the newest."""
        if self.settings.trim_without_checkpoint or self._led:
            return True
        with contextlib.suppress(BusUnavailable):
            return await self.bus.now_ms() - self.engine.cut <= LATE_LIMIT_MS
        return False

    def stop(self) -> None:
        """End :meth:`run` after the tick under way."""
        self._stopping.set()

    def give_up(self) -> None:
        """End :meth:`run` without a last checkpoint: a start that failed must not replace a good one."""
        self._given_up = True
        self._stopping.set()

    async def set_part(self, name: str) -> None:
        """Move the evening to a part, as :meth:`aggregator.part_change.PartWriter.set` does."""
        await self.parts.set(name)

    async def mark(self, label: str, age_ms: int = 0) -> None:
        """Name a moment, ``age_ms`` ago."""
        await self._write_all(Marker(label, age_ms))

    async def undo_rest(self) -> None:
        """Go back to the resting baseline before the last one."""
        await self._write_all(Baseline("undo"))

    async def _write_all(self, event: Control, streams: Sequence[int] | None = None) -> None:
        payload = [encode_control(event)]
        for stream in range(self.bus.shards + 1) if streams is None else streams:
            await self.bus.append(stream, payload)

    async def _turn(self) -> None:
        """Wait until tick k's cut has passed on the bus's clock, read on, compute and send what is due.

        After a pause several ticks are: one look at the clock and one reading do for all of them, so that who was held
        up catches up at the cost of computing alone. Between ticks at which entries are used nothing is read.
        """
        now, asked_s = await self.bus.now_ms(), self._clock()
        due = self._due(now)
        if not due:
            await self._wait(self.engine.cut_ms(self._k) - now)
            return
        self._reader.again(now)
        if self.engine.used_at(due[-1]) > self.engine.k:
            await self._read_on()
        for k in due:
            if self._stopping.is_set():
                return
            await self._tick(k, now + (self._clock() - asked_s) * 1000)

    async def _wait(self, left_ms: int) -> None:
        """For the next cut; where entries are used, part of the way only, and what is there is read meanwhile."""
        if left_ms <= AHEAD_MS or self.engine.used_at(self._k) <= self._ahead_k:
            await self._pause(left_ms / 1000)
            return
        self._ahead_k = self._k
        await self._pause((left_ms - AHEAD_MS) / 1000)
        if not self._stopping.is_set():
            await self._read_on()

    def _due(self, now_ms: int) -> range:
        """Ticks whose cut has passed."""
        k = self._k
        while k - self._k < TICKS_A_TURN and self.engine.cut_ms(k) <= now_ms:
            k += 1
        return range(self._k, k)

    async def _tick(self, k: int, now_ms: float) -> None:
        begun = self._clock()
        part = self.engine.tick(k)
        self.merger.epoch = self.leadership.epoch
        snapshot = self.merger.publish([part])
        self._k += 1
        self.counters.ticks += 1
        for listen in self.on_part_snapshot:
            self._guarded(listen, part)
        self.last, self.last_s = snapshot, self._clock()
        leads = self.leadership.leads()
        if leads:
            self._send(snapshot, late_ms=now_ms - snapshot.cut_ms)
        else:
            self._show(snapshot)
        if leads and not self._led:
            origin = Origin(self.engine.t0_ms, self.engine.tick_hz, self.leadership.epoch)
            await self._write_all(origin, streams=[self.bus.shards])
        self._led = leads
        self.tick_ms.append((self._clock() - begun) * 1000)
        self._again_ms += self.tick_ms[-1]
        await self._housekeeping(now_ms - snapshot.cut_ms)

    async def _read_on(self) -> None:
        """Everything that the bus holds now: entries stamped at or after the cut wait inside the engine."""
        await self._reader.on()

    def _send(self, snapshot: Snapshot, late_ms: float) -> None:
        if late_ms > LATE_LIMIT_MS:
            self.counters.late_not_sent += 1
            return
        now_s = self._clock()
        for sink in self.sinks:
            self._guarded(sink.send, snapshot, now_s)
        self.counters.sent += 1
        self._sent_s = now_s
        for listen in self.on_snapshot:
            self._guarded(listen, snapshot)

    def _show(self, snapshot: Snapshot) -> None:
        """A spare computes the same and sends nothing; its own page may show it."""
        for sink in self.watchers:
            self._guarded(sink.send, snapshot, self._clock())

    def _guarded(self, tell: Callable[..., None], *what: object) -> None:
        """One broken output must not stop the others, nor the ticks: the first failure is logged whole, the rest
        counted."""
        try:
            tell(*what)
        except Exception:
            if self.counters.sink_failures == 0:
                of = getattr(tell, "__self__", tell)
                log.exception("output %s failed; the others go on", getattr(of, "__name__", type(of).__name__))
            self.counters.sink_failures += 1

    async def _housekeeping(self, behind_ms: float = 0.0) -> None:
        now = self._clock()
        if now >= self._due_prior_s and self.leadership.leads():
            self._due_prior_s = now + PRIOR_EVERY_S
            prior = self.engine.prior_summary()
            if prior is not None:
                await self._write_all(HousePrior(*prior), streams=range(self.bus.shards))
        self.traces.notice()
        if self.last is not None and self.leadership.leads():
            for stream, series in self._series.due(self.merger.linkage, self.last.house.counted):
                await self._write_all(series, streams=[stream])
        if self.settings.checkpoint_path is None:
            if self.settings.trim_without_checkpoint:
                await self._trim(self.engine.positions())
            elif self._traces_due():
                await self._clear(self.engine.positions(), self.engine.cut)
        elif self._checkpoint_due(now):
            self._due_checkpoint_s, self._again_ms = now + self.settings.checkpoint_every_s, 0.0
            self._erased_due_s = now + ERASED_EVERY_S
            self._writing = asyncio.create_task(self._checkpoint())
        await self._share_of_time.give(self.tick_ms[-1] if self.tick_ms else 0.0, behind_ms)

    def _checkpoint_due(self, now: float) -> bool:
        """By time where this one leads, and by work where the bus outlives it; after an erasure at once, and at a spare
        too: no file may keep who left."""
        if self._writing is not None and not self._writing.done():
            return False
        if removals(self.engine) > self._removals_kept and now >= self._erased_due_s:
            return True
        since_s = now - self._due_checkpoint_s + self.settings.checkpoint_every_s
        again_ms = 0.0 if self.settings.trim_without_checkpoint else self._again_ms  # that bus ends with the process
        much = again_ms > AGAIN_MS and since_s >= LEAST_S
        due = much or now >= self._due_checkpoint_s or (now >= self._erased_due_s and self._traces_due())
        return self.leadership.leads() and due

    def _traces_due(self) -> bool:
        """Whether the bus can be cleared of who was erased, by this one and now."""
        busy = self._compacting is not None and not self._compacting.done()
        return not busy and self.leadership.leads() and self.traces.due(self.engine.cut)

    async def _checkpoint(self, *, final: bool = False) -> None:
        path = self.settings.checkpoint_path
        if path is None:
            return
        if final and self._writing is not None:
            await asyncio.wait([self._writing])
        positions, cut = self.engine.positions(), self.engine.cut
        removed, clears = removals(self.engine), self._traces_due()
        pack = saved.freeze(self.engine, self.merger, self._failovers.known, self.settings.evening, self._buffers)
        try:
            await asyncio.to_thread(lambda: checkpoint.write(path, pack()))
            self.counters.checkpoints += 1
            self._removals_kept = removed
        except OSError as error:
            if self.counters.checkpoint_failures == 0:
                log.error("checkpoint %s cannot be written (%s); the evening goes on without", path, error.strerror)
            self.counters.checkpoint_failures += 1
            if not self.settings.trim_without_checkpoint:
                return  # on a bus that others read nothing is dropped that no file keeps (contract 7)
        if final or not self.leadership.leads():
            return
        if not self.settings.trim_without_checkpoint:
            await asyncio.to_thread(self.traces.sweep, path)
        if clears:
            await self._clear(positions, cut)
        else:
            await self._trim(positions)

    async def _clear(self, positions: dict[int, Stamp], cut_ms: int) -> None:
        """Drop what the bus holds up to these positions, the entries there with it, and have its files written anew."""
        covered_ms = self.traces.covered_ms(cut_ms)
        if await self._trim({stream: Stamp(at.ms, at.n + 1) for stream, at in positions.items()}):
            self._compacting = asyncio.create_task(self.traces.compact(covered_ms, self.leadership.leads))

    async def _trim(self, positions: dict[int, Stamp]) -> bool:
        """Up to a durable position; the house's stream is kept whole: whoever joins later reads the evening from it.
        False where the bus did not answer for one."""
        done = True
        for stream, stamp in positions.items():
            if stream == self.bus.shards:
                continue
            if not self.settings.trim_without_checkpoint:
                stamp = min(stamp, Stamp(max(0, self.engine.cut - FOLLOWERS_MS), 0))
            try:
                await self.bus.trim(stream, stamp)
            except BusUnavailable:
                done = False
        return done

    async def _watch(self) -> None:
        """The outputs' heartbeat, whatever the loop is waiting for."""
        while True:
            role = "lead" if self.leadership.leads() else "spare"
            for sink in self.sinks:
                self._guarded(sink.beat, self._clock(), role)
            await asyncio.sleep(BEAT_EVERY_S)

    async def _pause(self, seconds: float) -> None:
        with contextlib.suppress(asyncio.TimeoutError, TimeoutError):
            await asyncio.wait_for(self._stopping.wait(), max(seconds, 0.0005))

    def _bus_lost(self, error: BusUnavailable) -> None:
        self.counters.bus_failures += 1
        if not self._bus_away:
            log.warning("bus away (%s): holding the last values", error)
        self._bus_away = True

    def _bus_back(self) -> None:
        if self._bus_away:
            log.warning("bus back after %d failures", self.counters.bus_failures)
        self._bus_away = False


def _raise_faults(tasks: list[asyncio.Task[None]]) -> None:
    """A fault of a task ends the service in the open: unseen, its lease would never be renewed again."""
    for task in tasks:
        if task.done() and not task.cancelled():
            task.result()
