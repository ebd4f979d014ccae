"""The endpoint with an independent client: hello to acknowledgement, resending, parts, erasure, health and metrics."""

from __future__ import annotations

import asyncio
import re
import shutil
import ssl
import subprocess
import urllib.error
import urllib.request
from collections.abc import Awaitable, Callable, Sequence
from functools import partial
from pathlib import Path

import pytest
import uvloop
import websockets
from prometheus_client.parser import text_string_to_metric_families

from relay import metrics
from relay.bus import BusStatistics, BusUnavailable
from relay.bus_memory import MemoryBus
from relay.entries import FIRST, Consent, Departure, Erase, Join, Part, Skip, Stamp, decode_control, encode_control
from relay.outbox import OutboxStatistics
from relay.server import Relay, RelayStatistics
from relay.server_core import monotonic_ms
from relay.server_counters import Counters
from relay.session_table import HELLO_WITHIN_MS
from tests.relay.house import Good, a_phone, a_relay, acknowledged, close_code, events, next_of, packets_on, until
from tests.relay.packets import simple
from tests.relay.phone import CONSENT_NO, CONSENT_YES, ERASE, GOODBYE, hello, said


async def whole_visit(gather_ms: float = 0.0) -> None:
    bus = MemoryBus()
    async with a_relay(bus, gather_ms=gather_ms) as relay, a_phone(relay) as phone:
        await phone.send(hello(seat=2, yes=False))
        welcome = await next_of(phone, "welcome")
        assert (welcome["seat"], welcome["part"], welcome["next"]) == ("A2", "set-up", 0)
        assert welcome["bus"] == await bus.replication_id()
        await phone.send(simple(0))
        assert (await next_of(phone, "error"))["code"] == "consent"
        assert await events(bus) == []
        await phone.send(CONSENT_YES)
        assert (await next_of(phone, "consent"))["answer"] == "yes"
        sent = [simple(number) for number in range(20)]
        for raw in sent:
            await phone.send(raw)
        await acknowledged(phone, 20)
        assert await packets_on(bus) == sent
        await phone.send(said(type="skip", first=20, last=29))
        await acknowledged(phone, 30)
        await phone.send(GOODBYE)
        await next_of(phone, "goodbye")
        assert await close_code(phone) == 1000
        assert [type(event) for event in await events(bus)] == [Consent, Join, Skip, Departure]


@pytest.mark.parametrize("run", [asyncio.run, uvloop.run], ids=["asyncio", "uvloop"])
def test_a_whole_visit(run: Callable[[Awaitable[None]], None]) -> None:
    run(whole_visit())
    run(whole_visit(gather_ms=1.0))


async def test_a_phone_comes_back_where_it_was() -> None:
    bus = MemoryBus()
    async with a_relay(bus) as relay:
        async with a_phone(relay) as phone:
            await phone.send(hello())
            for number in range(8):
                await phone.send(simple(number))
            await acknowledged(phone, 8)
            phone.transport.abort()
        async with a_phone(relay) as phone:
            await phone.send(hello(lowest=5))
            assert (await next_of(phone, "welcome"))["next"] == 5
            for number in (6, 7, 5):
                await phone.send(simple(number))
            await acknowledged(phone, 8)
        joins = [event for event in await events(bus) if isinstance(event, Join)]
        assert len({join.listener for join in joins}) == 1
        assert [join.lowest for join in joins] == [0, 5]


async def test_the_newest_connection_of_a_listener_counts() -> None:
    bus = MemoryBus()
    async with a_relay(bus) as relay, a_phone(relay) as first, a_phone(relay) as second:
        await first.send(hello(stream="1"))
        await next_of(first, "consent")
        await second.send(hello(stream="2"))
        assert await close_code(first) == 4005
        await second.send(simple(0))
        await acknowledged(second, 1)
        assert not any(isinstance(event, Departure) for event in await events(bus))
        assert relay.statistics().joined == 1


async def test_withdrawing() -> None:
    bus = MemoryBus()
    async with a_relay(bus) as relay, a_phone(relay) as phone:
        await phone.send(hello())
        await next_of(phone, "consent")
        await phone.send(CONSENT_NO)
        assert (await next_of(phone, "consent"))["answer"] == "no"
        await phone.send(simple(0))
        assert (await next_of(phone, "error"))["code"] == "consent"
        assert await packets_on(bus) == []


async def test_erasure_reaches_every_relay_through_the_bus() -> None:
    bus = MemoryBus()
    async with a_relay(bus) as here, a_relay(bus) as there:
        async with a_phone(there) as elsewhere, a_phone(here) as phone:
            await elsewhere.send(hello(stream="1"))
            await next_of(elsewhere, "consent")
            await phone.send(hello(stream="2"))
            await next_of(phone, "consent")
            await phone.send(ERASE)
            await next_of(phone, "erased")
            assert await close_code(phone) == 1000
            assert await close_code(elsewhere) == 4004
        for relay in (here, there):
            async with a_phone(relay) as again:
                await again.send(hello(stream="3"))
                assert await close_code(again) == 4004
        assert sum(isinstance(event, Erase) for event in await events(bus)) == 1


async def test_an_unreadable_erasure_on_the_bus_does_not_stop_the_relay() -> None:
    bus = MemoryBus()
    async with a_relay(bus) as relay:
        await bus.append(bus.shards, [encode_control(Erase([1]))])  # type: ignore[arg-type]
        async with a_phone(relay) as phone:
            await phone.send(hello(yes=False))
            await next_of(phone, "welcome")
            await bus.append(bus.shards, [encode_control(Part("doors"))])
            assert (await next_of(phone, "part"))["part"] == "doors"  # still follows
        async with Good.at(relay) as good:
            await good.goes_on()


async def test_who_withdrew_is_not_counted_as_streaming() -> None:
    async with a_relay() as relay, a_phone(relay) as phone:
        await phone.send(hello())
        await next_of(phone, "consent")
        assert relay.core.joined == 1
        await phone.send(CONSENT_NO)
        await next_of(phone, "consent")
        assert relay.core.joined == 0
        await phone.send(CONSENT_YES)
        await next_of(phone, "consent")
        assert relay.core.joined == 1


async def test_tombstones_on_the_bus_refuse_from_the_start() -> None:
    bus = MemoryBus()
    async with a_relay(bus) as relay, a_phone(relay) as phone:
        await phone.send(hello())
        await next_of(phone, "consent")
        await phone.send(ERASE)
        await close_code(phone)
    async with a_relay(bus) as relay:
        async with Good.at(relay) as good:  # the house's stream has been read when this one is through
            await good.goes_on()
        async with a_phone(relay) as phone:
            await phone.send(hello())
            assert await close_code(phone) == 4004


async def test_parts_are_pushed() -> None:
    bus = MemoryBus()
    async with a_relay(bus) as relay, a_phone(relay) as phone:
        await phone.send(hello(yes=False))
        await next_of(phone, "welcome")
        await bus.append(bus.shards, [encode_control(Part("doors"))])
        assert (await next_of(phone, "part"))["part"] == "doors"
        await relay.set_part("piece")
        assert await next_of(phone, "part") == {"type": "part", "part": "piece", "say": "Enjoy the music."}
        with pytest.raises(KeyError):
            await relay.set_part("encore")


class Fickle(MemoryBus):
    """An in-process bus whose acceptance and identity the test decides."""

    def __init__(self) -> None:
        super().__init__()
        self.away = False
        self.name = "first"

    async def append(self, stream: int, payloads: Sequence[bytes]) -> list[Stamp]:
        if self.away:
            raise BusUnavailable("away, says the test")
        return await super().append(stream, payloads)

    async def replication_id(self) -> str:
        return self.name


async def test_nothing_is_acknowledged_while_the_bus_is_away_and_nothing_is_lost() -> None:
    bus = Fickle()
    async with a_relay(bus) as relay, Good.at(relay) as good:
        await good.goes_on()
        bus.away = True
        sent = [simple(number) for number in range(8, 16)]
        for raw in sent:
            await good.phone.send(raw)
        await until(lambda: relay.statistics().outboxes.items == 8 and not relay.statistics().bus_ok)
        status, body = await asyncio.to_thread(got, relay, "health")
        assert status == 503
        assert b'"bus":"away"' in body
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(good.phone.recv(), 0.3)
        bus.away = False
        await acknowledged(good.phone, 16)
        assert (await packets_on(bus))[8:] == sent
        assert relay.statistics().bus_ok


async def test_a_full_backlog_sends_phones_back_and_takes_what_they_send_again() -> None:
    bus = Fickle()
    async with a_relay(bus, backlog_items=10) as relay, Good.at(relay) as good:
        await good.goes_on()
        bus.away = True
        for number in range(8, 28):
            await good.phone.send(simple(number))
        later = await next_of(good.phone, "later")
        assert later["from"] == 8
        assert 1.0 <= later["retry_s"] <= 5.0
        assert relay.statistics().outboxes.items <= 11
        bus.away = False
        await acknowledged(good.phone, 16)
        for number in range(18, 26):  # what was taken meanwhile is acknowledged; from there on again
            await good.phone.send(simple(number))
        await acknowledged(good.phone, 26)
        assert relay.statistics().counters.untaken > 0


async def test_no_room_even_for_a_join_sends_the_phone_away() -> None:
    bus = MemoryBus()
    async with a_relay(bus, backlog_items=0) as relay, a_phone(relay) as phone:
        await phone.send(hello())
        assert 1.0 <= (await next_of(phone, "later"))["retry_s"] <= 5.0
        assert await close_code(phone) == 1013
        assert relay.statistics().counters.closes == {1013: 1}
    assert await events(bus) == []


async def test_a_relay_that_stopped_flushing_says_so(caplog: pytest.LogCaptureFixture) -> None:
    class Broken(MemoryBus):
        async def replication_id(self) -> str:
            if self.statistics().written:
                raise RuntimeError("a fault in a back end")
            return "id"

    async with a_relay(Broken()) as relay, Good.at(relay) as good:
        await good.goes_on()
        await until(lambda: "stopped flushing" in caplog.text)
        assert (await asyncio.to_thread(got, relay, "health"))[0] == 503


async def test_a_bus_that_may_have_lost_entries_asks_for_the_ring() -> None:
    bus = Fickle()
    async with a_relay(bus) as relay, Good.at(relay) as good:
        await good.goes_on()
        bus.name = "second"
        assert await next_of(good.phone, "bus") == {"type": "bus", "bus": "second"}
        good.number = 0
        for number in range(8):  # the ring again
            await good.phone.send(simple(number))
        await acknowledged(good.phone, 8)
        assert len(await packets_on(bus)) == 16


async def test_a_backlog_holds_nothing_of_who_was_erased_elsewhere() -> None:
    """A relay that is cut off from the bus writes later what it took, but not this."""
    bus = Fickle()
    async with a_relay(bus) as relay, a_phone(relay) as phone, Good.at(relay) as good:
        await phone.send(hello())
        await phone.send(simple(0))
        await acknowledged(phone, 1)
        bus.away = True
        await phone.send(simple(1))
        await good.phone.send(simple(0))
        await until(lambda: relay.statistics().outboxes.items == 2 and not relay.statistics().bus_ok)
        listener = next(e.listener for e in await events(bus) if isinstance(e, Join) and e.seat != 500)
        await MemoryBus.append(bus, bus.shards, [encode_control(Erase(listener))])
        assert await close_code(phone) == 4004
        bus.away = False
        await acknowledged(good.phone, 1)
        await until(lambda: not any(map(len, relay.core.outboxes)))
        assert await packets_on(bus) == [simple(0), simple(0)]


def knows(relay: Relay, bus_id: str) -> bool:
    return relay.core.house.bus_id == bus_id


async def test_erasures_are_written_again_until_the_bus_has_them_and_never_pile_up() -> None:
    """A bus that may have lost them, and takes nothing while it fails over twice more."""
    bus = Fickle()
    async with a_relay(bus) as relay:
        for listener in range(500):
            relay.core.house.erase(listener)
        await until(lambda: relay.core.house.bus_id == "first")
        bus.away = True
        for name in ("second", "third", "fourth"):
            bus.name = name
            await until(partial(knows, relay, name))
            assert sum(map(len, relay.core.outboxes)) == 2 * 500
        bus.away = False
        await until(lambda: not any(map(len, relay.core.outboxes)))
        said = await bus.read(dict.fromkeys(range(bus.shards + 1), FIRST))
        heard = {(decode_control(e.payload), e.stream == bus.shards) for e in said}
        assert heard == {(Erase(listener), house) for listener in range(500) for house in (False, True)}
        assert len(said) == 2 * 500
        bus.name = "fifth"  # what was accepted may be lost again
        await until(lambda: relay.core.house.bus_id == "fifth" and not any(map(len, relay.core.outboxes)))
        assert len(await bus.read(dict.fromkeys(range(bus.shards + 1), FIRST))) == 4 * 500


async def test_a_stop_acknowledges_then_tells_phones_when_to_come_back() -> None:
    bus = MemoryBus()
    async with a_relay(bus) as relay, a_phone(relay) as phone:
        await phone.send(hello())
        await phone.send(simple(0))
        await next_of(phone, "consent")
        closing = asyncio.create_task(relay.close())
        assert (await next_of(phone, "ack"))["next"] == 1
        assert 1.0 <= (await next_of(phone, "later"))["retry_s"] <= 5.0
        assert await close_code(phone) == 1012
        await closing
    assert [type(event) for event in await events(bus)] == [Consent, Join, Departure]


async def test_a_storm_is_told_to_come_back_later() -> None:
    async with a_relay(connects_per_s=2.0) as relay, Good.at(relay) as good, a_phone(relay), a_phone(relay) as third:
        assert 1.0 <= (await next_of(third, "later"))["retry_s"] <= 11.0
        assert await close_code(third) == 1013
        await good.goes_on()
        assert relay.statistics().counters.turned_away == 1


async def test_connections_are_bounded() -> None:
    async with a_relay(connections=1) as relay, Good.at(relay) as good, a_phone(relay) as second:
        assert await close_code(second) == 1013
        await good.goes_on()


async def test_a_phone_that_says_nothing_is_closed() -> None:
    async with a_relay() as relay, a_phone(relay) as phone:
        relay.core.clock_ms = lambda: monotonic_ms() + HELLO_WITHIN_MS + 1
        assert (await next_of(phone, "error"))["code"] == "slow"
        assert await close_code(phone) == 1008


def test_the_table_of_metrics_is_what_is_exposed() -> None:
    written = set(re.findall(r"``((?:ripieno_relay)?_[a-z_]+)", metrics.__doc__ or ""))
    statistics = RelayStatistics(
        0, 0, True, Counters(closes={1000: 1}), {"json": 0}, OutboxStatistics(), BusStatistics()
    )
    families = text_string_to_metric_families(metrics.exposition(statistics).decode())
    exposed = {sample.name for family in families for sample in family.samples if not sample.name.endswith("_created")}
    shortened = {name if name.startswith("ripieno") else f"ripieno_relay{name}" for name in written} - {
        "ripieno_relay_bound"
    }
    assert {name for name in exposed if not name.endswith("_bound")} == shortened


def got(relay: Relay, page: str) -> tuple[int, bytes]:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{relay.port}/{page}") as answer:
            return answer.status, answer.read()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.read()


async def test_health_metrics_and_other_pages() -> None:
    async with a_relay() as relay, Good.at(relay) as good:
        await good.goes_on()
        status, body = await asyncio.to_thread(got, relay, "health?now")
        assert status == 200
        assert b'"ok":true' in body
        status, body = await asyncio.to_thread(got, relay, "metrics")
        families = {family.name: family for family in text_string_to_metric_families(body.decode())}
        assert families["ripieno_relay_packets"].samples[0].value == 8
        assert families["ripieno_relay_joined"].samples[0].value == 1
        assert families["ripieno_relay_packets"].type == "counter"
        labels = {key for family in families.values() for sample in family.samples for key in sample.labels}
        assert labels <= {"code"}  # never a seat, never a listener
        assert (await asyncio.to_thread(got, relay, "phone"))[0] == 426
        assert (await asyncio.to_thread(got, relay, "nothing"))[0] == 404


async def test_a_port_in_use_is_an_os_error() -> None:
    async with a_relay() as relay:
        with pytest.raises(OSError, match="in use"):
            async with a_relay(port=relay.port):
                pass


@pytest.mark.skipif(shutil.which("openssl") is None, reason="needs openssl to make a certificate")
async def test_over_tls(tmp_path: Path) -> None:
    key, certificate = tmp_path / "key", tmp_path / "certificate"
    command = [
        "openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "1",
        "-keyout", str(key), "-out", str(certificate), "-subj", "/CN=localhost",
        "-addext", "subjectAltName=DNS:localhost",
    ]  # fmt: skip
    await asyncio.to_thread(subprocess.run, command, check=True, stderr=subprocess.DEVNULL)
    ours = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    ours.load_cert_chain(certificate, key)
    async with a_relay(tls=ours) as relay:
        theirs = ssl.create_default_context(cafile=str(certificate))
        url = f"wss://localhost:{relay.port}/phone"
        async with websockets.connect(url, ssl=theirs, host="127.0.0.1", compression=None) as phone:
            await phone.send(hello())
            await phone.send(simple(0))
            await acknowledged(phone, 1)
            for _ in range(1_000):
                await phone.send(b"")
            assert await close_code(phone) == 1008


async def test_two_relays_share_a_port() -> None:
    async with (
        a_relay(reuse_port=True) as first,
        a_relay(reuse_port=True, port=first.port) as second,
        Good.at(first) as good,
    ):
        assert second.port == first.port
        await good.goes_on()
