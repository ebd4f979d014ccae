"""The bus on Redis Streams: one stream a shard and one for the house. Shell.

Works against a single server, Sentinel and Cluster through redis-py's own clients. A hash tag keeps each stream on one
node. The entry's id is the stamp, so house time is the server's clock. Every command has a time limit and none is
repeated blindly: who asked decides (contract 6).

``accepted`` says what a returned :meth:`RedisBus.append` promises (contract 7): ``process``, the server answered (with
an append-only file each second this survives a kill of its process, but for what it keeps to itself while the disk is
behind with a sync: the phones send that again), or ``replica``, at least one replica has it too
(``WAIT 1``; survives the loss of the primary while its replica stays).
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from relay.bus import SHARDS, BusStatistics, BusUnavailable
from relay.bus_begin import Tell
from relay.entries import Entry, Stamp
from relay.redis_client import COMMAND_LIMIT_S, Place
from relay.redis_compact import Compaction
from relay.redis_servers import Servers

log = logging.getLogger("ripieno.relay")

T = TypeVar("T")
FIELD = b"p"
_XADD = b"*5\r\n$4\r\nXADD\r\n$%d\r\n%b\r\n$1\r\n*\r\n$1\r\n" + FIELD + b"\r\n$%d\r\n%b\r\n"
REPLICA_LIMIT_MS = 200  # contract 7: WAIT 1 within 200 ms
_WAIT = b"*3\r\n$4\r\nWAIT\r\n$1\r\n1\r\n$3\r\n%d\r\n" % REPLICA_LIMIT_MS
BOUND_AGE_MS = 120_000  # contract 7: two minutes unread is a house without an aggregator …
BOUND_BYTES = 256 * 1024 * 1024  # … or 256 MB a stream
CHECK_EVERY_S = 5.0  # how often a stream's fill is looked at: each look is as dear as the append of a whole turn


@dataclass(slots=True)
class _Fill:
    """What was last seen of one stream's fill, when to look again, and the stamp of its last own entry."""

    last_ms: int = 0
    length: int = 0
    bytes: int = 0
    age_ms: int = 0
    due_s: float = 0.0


@dataclass(slots=True)
class _Append:
    """One append that waits for its exchange."""

    stream: int
    key: bytes
    payloads: Sequence[bytes]
    tell: Tell


def _told(one: _Append, said: list[Stamp] | BusUnavailable) -> None:
    """A fault of one listener must not keep the others of its exchange waiting for ever."""
    try:
        one.tell(said)
    except Exception:
        log.exception("what an append of stream %d led to", one.stream)


class RedisBus:
    """Relay.bus.Bus on Redis Streams; ``evening`` keeps performances apart."""

    def __init__(
        self,
        place: Place,
        evening: str,
        *,
        shards: int = SHARDS,
        accepted: str = "process",
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        if accepted not in {"process", "replica"}:
            raise ValueError(f"accepted: found {accepted!r}, allowed process or replica")
        self.shards, self.place, self.accepted = shards, place, accepted
        self.servers = Servers(place)
        self._compaction = Compaction(self.servers)
        self._keys = [f"ripieno:{{{evening}:{stream}}}:entries".encode() for stream in range(shards + 1)]
        self._streams = {key: stream for stream, key in enumerate(self._keys)}
        self._clock = clock
        self._asked: list[_Append] = []
        self._exchanges: set[asyncio.Task[None]] = set()
        self._looking: asyncio.Task[None] | None = None
        self._fill = [_Fill() for _ in self._keys]
        self._written = self._refused = self._trimmed = 0

    async def append(self, stream: int, payloads: Sequence[bytes]) -> list[Stamp]:
        """See relay.bus.Bus.append. What is asked for in one turn of the loop shares one round trip to each node."""
        self._key(stream)
        try:
            await self._look_when_due(stream)
        except BusUnavailable:
            self._refused += len(payloads)
            raise
        answer: asyncio.Future[list[Stamp]] = asyncio.get_running_loop().create_future()

        def tell(said: list[Stamp] | BusUnavailable) -> None:
            if answer.done():
                return
            if isinstance(said, BusUnavailable):
                answer.set_exception(said)
            else:
                answer.set_result(said)

        self._ask(stream, payloads, tell)
        return await answer

    def begin(self, stream: int, payloads: Sequence[bytes], tell: Tell) -> None:
        """See relay.bus_begin.Begins: as :meth:`append` without a task and a future for each; the stream's fill is
        looked at beside it, not before it."""
        self._key(stream)
        if self._clock() >= self._fill[stream].due_s and self._looking is None:
            self._looking = asyncio.get_running_loop().create_task(self._look_beside(stream))
        self._ask(stream, payloads, tell)

    def _ask(self, stream: int, payloads: Sequence[bytes], tell: Tell) -> None:
        try:
            self._check_bound(stream)
        except BusUnavailable as error:
            self._refused += len(payloads)
            tell(error)
            return
        self._asked.append(_Append(stream, self._keys[stream], payloads, tell))
        if len(self._asked) == 1:
            asyncio.get_running_loop().call_soon(self._write_asked)

    def _write_asked(self) -> None:
        """Begin the exchange for everything asked for in this turn; writes stay in order by their one connection."""
        asked, self._asked = self._asked, []
        task = asyncio.get_running_loop().create_task(self._exchange(asked))
        self._exchanges.add(task)
        task.add_done_callback(self._exchanges.discard)

    async def _exchange(self, asked: list[_Append]) -> None:
        if self.place.kind != "cluster":
            await self._exchange_with(self.servers.client, asked)
            return
        by_node: dict[int, tuple[Any, list[_Append]]] = {}
        try:
            for one in asked:
                client = await self._limited(self.servers.of(one.key))
                by_node.setdefault(id(client), (client, []))[1].append(one)
        except BusUnavailable as error:
            self._fail(asked, error)
            return
        await asyncio.gather(*(self._exchange_with(client, some) for client, some in by_node.values()))

    async def _exchange_with(self, client: Any, asked: list[_Append]) -> None:
        """One pipeline to one node: XADD each, then its replicas' word, where asked for."""
        try:
            answers = await self._limited(self._pipeline(client, asked))
        except BusUnavailable as error:
            self._fail(asked, error)
            return
        except (Exception, asyncio.CancelledError):
            self._fail(asked, BusUnavailable("the exchange with Redis was ended"))
            raise
        marks = iter(answers)
        for one in asked:
            stamps = [_stamp(next(marks)) for _ in one.payloads]
            self._written += len(stamps)
            if stamps:
                self._fill[one.stream].last_ms = stamps[-1].ms
            _told(one, stamps)

    def _fail(self, asked: list[_Append], error: BusUnavailable) -> None:
        """None of them is accepted: whether the server has them is not known; their writers must send them again."""
        for one in asked:
            self._refused += len(one.payloads)
            _told(one, BusUnavailable(str(error)))

    async def _pipeline(self, client: Any, asked: list[_Append]) -> list[Any]:
        wait = self.accepted == "replica"
        words = [_XADD % (len(one.key), one.key, len(p), p) for one in asked for p in one.payloads]
        if wait:
            words.append(_WAIT)
        answers = await _converse(client, words)
        if wait and answers.pop() < 1:
            raise BusUnavailable("no replica answered in time")
        return answers

    def _key(self, stream: int) -> bytes:
        if not 0 <= stream <= self.shards:
            raise ValueError(f"stream {stream}: allowed 0..{self.shards}")
        return self._keys[stream]

    async def read(self, after: Mapping[int, Stamp], *, limit: int = 1000, wait_s: float = 0.0) -> list[Entry]:
        """See relay.bus.Bus.read; waits by asking again, so that a connection is never held."""
        until = self._clock() + wait_s
        while True:
            found = await self._limited(self._read_once(after, limit))
            if found or self._clock() >= until:
                return found
            await asyncio.sleep(0.005)

    async def _read_once(self, after: Mapping[int, Stamp], limit: int) -> list[Entry]:
        wanted = {self._key(stream): f"{stamp.ms}-{stamp.n}" for stream, stamp in after.items()}
        if not wanted:
            return []
        if self.place.kind == "cluster":
            answers = await self._read_nodes(wanted, limit)
        else:
            answers = await self.servers.client.xread(wanted, count=limit) or []
        return [
            Entry(_stamp(mark), self._streams[key], fields[FIELD])
            for key, rows in answers
            for mark, fields in rows
            if FIELD in fields
        ]

    async def _read_nodes(self, wanted: Mapping[bytes, str], limit: int) -> list[Any]:
        """XREAD of each stream on its own (a Cluster allows no more at once), in one pipeline a node."""
        by_node: dict[int, tuple[Any, dict[bytes, str]]] = {}
        for key, at in wanted.items():
            client = await self.servers.of(key)
            by_node.setdefault(id(client), (client, {}))[1][key] = at
        parts = [_read_node(client, some, limit) for client, some in by_node.values()]
        found = await asyncio.gather(*parts, return_exceptions=True)  # none goes on behind a failure's back
        return [row for part in found for row in _raised(part)]

    async def now_ms(self) -> int:
        """The servers' clock in whole milliseconds; in Cluster the slowest primary's, so that it holds for all."""
        return await self._limited(self._now_ms())

    async def _now_ms(self) -> int:
        asked = [client.execute_command("TIME") for client in await self.servers.primaries()]
        pairs = [_raised(pair) for pair in await asyncio.gather(*asked, return_exceptions=True)]
        return min(int(seconds) * 1000 + int(micros) // 1000 for seconds, micros in pairs)

    async def trim(self, stream: int, before: Stamp) -> int:
        """Drop entries before a durable position (exact: nothing at or after it goes)."""
        command = ("XTRIM", self._key(stream), "MINID", "=", f"{before.ms}-{before.n}")
        client = await self._limited(self.servers.of(self._key(stream)))
        dropped = int(await self._limited(client.execute_command(*command)))
        self._trimmed += dropped
        return dropped

    async def compact(self) -> bool:
        """See relay.bus.Bus.compact: every primary's and replica's append-only file (relay.redis_compact)."""
        return await self._compaction.step()

    async def replication_id(self) -> str:
        """The primaries' replication ids: another value means that accepted entries may be gone."""
        return await self._limited(self._replication_id())

    async def _replication_id(self) -> str:
        asked = [client.info("replication") for client in await self.servers.primaries()]
        found = [_raised(info) for info in await asyncio.gather(*asked, return_exceptions=True)]
        return "+".join(sorted(_text(info["master_replid"]) for info in found))

    def statistics(self) -> BusStatistics:
        """Counters, and each stream's fill as last looked at."""
        return BusStatistics(
            entries=sum(f.length for f in self._fill),
            bytes=sum(f.bytes for f in self._fill),
            bound_entries=0,
            bound_bytes=BOUND_BYTES * len(self._keys),
            written=self._written,
            refused=self._refused,
            trimmed=self._trimmed,
        )

    async def close(self) -> None:
        """Close the client's connections; idempotent."""
        if self._looking is not None:
            self._looking.cancel()
            await asyncio.wait([self._looking])
        await self.servers.close()

    def _check_bound(self, stream: int) -> None:
        """Refuse when nobody has trimmed for two minutes or 256 MB (contract 7). The house's stream is kept whole for
        whoever joins later, so that its age says nothing."""
        fill = self._fill[stream]
        old = fill.age_ms > BOUND_AGE_MS and stream != self.shards
        if old or fill.bytes > BOUND_BYTES:
            raise BusUnavailable(
                f"stream {stream} is full ({fill.age_ms / 1000:.0f} s, {fill.bytes >> 20} MB unread): "
                "is an aggregator running?"
            )

    async def _look_when_due(self, stream: int) -> None:
        fill = self._fill[stream]
        if self._clock() >= fill.due_s:
            fill.due_s = self._clock() + CHECK_EVERY_S
            await self._limited(self._look(self._keys[stream], fill))

    async def _look_beside(self, stream: int) -> None:
        """One stream at a time, so that no turn bears all of them; one that cannot be looked at counts as before."""
        try:
            with contextlib.suppress(BusUnavailable):
                await self._look_when_due(stream)
        finally:
            self._looking = None

    async def _look(self, key: bytes, fill: _Fill) -> None:
        """The first entry is left out of the age: its reader's durable position stays in the stream, and in a shard
        that was quiet it is old without being unread."""
        client = await self.servers.of(key)
        async with client.pipeline(transaction=False) as pipe:
            pipe.xrange(key, count=2)
            pipe.xlen(key)
            pipe.execute_command("MEMORY", "USAGE", key, "SAMPLES", 5)
            oldest, fill.length, size = await pipe.execute()
        fill.bytes = int(size or 0)
        fill.age_ms = max(0, fill.last_ms - _stamp(oldest[1][0]).ms) if len(oldest) > 1 else 0

    async def _limited(self, work: Awaitable[T]) -> T:
        """Run one exchange within the time limit, every failure as BusUnavailable."""
        return await self.servers.ask(work, COMMAND_LIMIT_S + REPLICA_LIMIT_MS / 1000)


async def _converse(client: Any, words: list[bytes]) -> list[Any]:
    """Send ready-made commands on one of the client's connections and read as many answers.

    The client's own pipeline packs each command in Python and sets a timer for each answer, half of a relay's cost at
    2,000 packets a second. The time limit is the caller's. Whatever goes wrong ends the connection: answers left unread
    in it must not be taken for others.
    """
    pool = client.connection_pool
    connection = await pool.get_connection()
    each_s, connection.socket_timeout = connection.socket_timeout, None  # else a task and a timer a write
    try:
        await connection.send_packed_command(words)
        return [await connection.read_response() for _ in words]
    except BaseException:
        await connection.disconnect(nowait=True)
        raise
    finally:
        connection.socket_timeout = each_s
        await pool.release(connection)


async def _read_node(client: Any, wanted: Mapping[bytes, str], limit: int) -> list[Any]:
    async with client.pipeline(transaction=False) as pipe:
        for key, at in wanted.items():
            pipe.xread({key: at}, count=limit)
        return [row for answer in await pipe.execute() for row in answer or []]


def _raised(answer: Any) -> Any:
    if isinstance(answer, BaseException):
        raise answer
    return answer


def _stamp(mark: bytes | str) -> Stamp:
    ms, _, n = _text(mark).partition("-")
    return Stamp(int(ms), int(n))


def _text(value: bytes | str) -> str:
    return value.decode() if isinstance(value, bytes) else value
