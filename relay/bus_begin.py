"""Appends that are begun and not waited for: a relay's way of writing to any bus. Shell."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from typing import Protocol, runtime_checkable

from relay.bus import Bus, BusUnavailable
from relay.entries import Stamp

Tell = Callable[[list[Stamp] | BusUnavailable], None]
"""What is called, once, with the stamps of what was accepted or with why it was not."""
Begin = Callable[[int, Sequence[bytes], Tell], None]


@runtime_checkable
class Begins(Protocol):
    """A bus that needs no task for it: a task and a future for each shard's append were a fifth of a relay's cost at
    2,000 packets a second."""

    def begin(self, stream: int, payloads: Sequence[bytes], tell: Tell) -> None:
        """As Bus.append; ``tell`` is called at once or later, from the loop."""
        ...


def beginning(bus: Bus) -> Begin:
    """The bus's own way to begin an append, or else a task for each."""
    return bus.begin if isinstance(bus, Begins) else _Tasks(bus).begin


class _Tasks:
    def __init__(self, bus: Bus) -> None:
        self._bus, self._running = bus, set[asyncio.Task[None]]()

    def begin(self, stream: int, payloads: Sequence[bytes], tell: Tell) -> None:
        task = asyncio.get_running_loop().create_task(self._append(stream, payloads, tell))
        self._running.add(task)
        task.add_done_callback(self._running.discard)

    async def _append(self, stream: int, payloads: Sequence[bytes], tell: Tell) -> None:
        try:
            stamps = await self._bus.append(stream, payloads)
        except BusUnavailable as error:
            tell(error)
        except Exception as error:  # a fault in a back end must not leave its entries in flight for ever
            tell(BusUnavailable(repr(error)))
        else:
            tell(stamps)
