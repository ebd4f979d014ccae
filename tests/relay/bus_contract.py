"""The bus contract, one suite for every back end: subclass with a ``bus`` fixture."""

from __future__ import annotations

import asyncio

import pytest

from relay.bus import Bus
from relay.entries import FIRST, Entry, Stamp


async def all_of(bus: Bus, stream: int, after: Stamp = FIRST) -> list[Entry]:
    """Everything after a position, however many reads it takes."""
    made: list[Entry] = []
    while found := await bus.read({stream: after}):
        made += found
        after = found[-1].stamp
    return made


class BusContract:
    """Tests that need a fixture ``bus``: a fresh, empty bus."""

    async def test_what_is_written_is_read_in_order(self, bus: Bus) -> None:
        written = [b"\x01%d" % n for n in range(50)]
        stamps = await bus.append(3, written[:20])
        stamps += await bus.append(3, written[20:])
        entries = await all_of(bus, 3)
        assert [entry.payload for entry in entries] == written
        assert [entry.stamp for entry in entries] == stamps
        assert {entry.stream for entry in entries} == {3}

    async def test_stamps_rise_within_a_stream(self, bus: Bus) -> None:
        stamps = [stamp for _ in range(20) for stamp in await bus.append(0, [b"a", b"b", b"c"])]
        assert stamps == sorted(set(stamps))
        assert stamps[0] > FIRST

    async def test_streams_are_apart_and_the_house_has_its_own(self, bus: Bus) -> None:
        for stream in range(bus.shards + 1):
            await bus.append(stream, [b"%d" % stream])
        for stream in range(bus.shards + 1):
            assert [entry.payload for entry in await all_of(bus, stream)] == [b"%d" % stream]
        entries = await bus.read(dict.fromkeys(range(bus.shards + 1), FIRST))
        assert sorted(entry.stream for entry in entries) == list(range(bus.shards + 1))

    async def test_reading_goes_on_from_a_position(self, bus: Bus) -> None:
        stamps = await bus.append(1, [b"%d" % n for n in range(10)])
        entries = await all_of(bus, 1, stamps[6])
        assert [entry.payload for entry in entries] == [b"7", b"8", b"9"]
        assert await bus.read({1: stamps[-1]}) == []

    async def test_the_limit_gives_the_oldest(self, bus: Bus) -> None:
        await bus.append(1, [b"%d" % n for n in range(10)])
        entries = await bus.read({1: FIRST}, limit=4)
        assert [entry.payload for entry in entries] == [b"0", b"1", b"2", b"3"]

    async def test_a_waiting_reader_gets_what_is_written_meanwhile(self, bus: Bus) -> None:
        reading = asyncio.create_task(bus.read({0: FIRST, 2: FIRST}, wait_s=10.0))
        await asyncio.sleep(0)
        await bus.append(2, [b"x"])
        assert [entry.payload for entry in await reading] == [b"x"]

    async def test_waiting_for_nothing_ends(self, bus: Bus) -> None:
        assert await bus.read({0: FIRST}, wait_s=0.02) == []

    async def test_no_entry_is_stamped_before_a_time_already_told(self, bus: Bus) -> None:
        for _ in range(50):
            now = await bus.now_ms()
            (stamp,) = await bus.append(0, [b"x"])
            assert stamp.ms >= now

    async def test_trimming_drops_only_what_is_older(self, bus: Bus) -> None:
        stamps = await bus.append(0, [b"%d" % n for n in range(10)])
        assert await bus.trim(0, stamps[4]) == 4
        assert [entry.payload for entry in await all_of(bus, 0)] == [b"%d" % n for n in range(4, 10)]
        assert await bus.trim(0, stamps[4]) == 0

    async def test_empty_append(self, bus: Bus) -> None:
        assert await bus.append(0, []) == []

    async def test_payloads_are_any_bytes(self, bus: Bus) -> None:
        payloads = [b"", bytes(range(256)), b"\r\n$-1\r\n", bytes(100_000)]
        await bus.append(0, payloads)
        assert [entry.payload for entry in await all_of(bus, 0)] == payloads

    async def test_the_replication_id_stays(self, bus: Bus) -> None:
        first = await bus.replication_id()
        await bus.append(0, [b"x"])
        assert first
        assert await bus.replication_id() == first

    async def test_statistics_count(self, bus: Bus) -> None:
        await bus.append(0, [b"abc", b"def"])
        assert bus.statistics().written == 2

    @pytest.mark.parametrize("stream", [-1, 99])
    async def test_a_stream_that_is_not_there(self, bus: Bus, stream: int) -> None:
        with pytest.raises(ValueError, match="stream"):
            await bus.append(stream, [b"x"])

    async def test_closing_twice(self, bus: Bus) -> None:
        await bus.close()
        await bus.close()
