"""Virtual time: an event loop whose clock jumps to the next timer, and hosts that can be paused or killed on it.

Every callback belongs to the host whose context it was scheduled in (a context variable that tasks inherit). A paused
host's callbacks wait in order until it is woken, as a stopped process's do; a killed host's never run.
"""

from __future__ import annotations

import asyncio
import contextvars
from collections.abc import Callable, Coroutine
from typing import Any

START_S = 1_000.0  # the loop's clock at the start of a concert: not 0, so that "never" and "at the start" differ
STEP_S = 1e-6  # timers closer than this fire together

_HERE: contextvars.ContextVar[Host | None] = contextvars.ContextVar("simulated_host", default=None)


class StuckError(RuntimeError):
    """Nothing is scheduled and nothing can happen any more."""


class _Jump:
    """In the place of a selector: waiting for so long means setting the clock on by so much."""

    def __init__(self, loop: VirtualLoop) -> None:
        self._loop = loop

    def select(self, timeout: float | None = None) -> list[Any]:
        if timeout is None:
            raise StuckError("every task waits for something that nobody will do")
        if timeout > 0:
            self._loop.now_s += timeout
        return []

    def close(self) -> None:
        return


class _Guarded:
    """One scheduled callback of a host, from which its handle can be asked whether it was cancelled meanwhile."""

    __slots__ = ("args", "callback", "context", "handle", "host")

    def __init__(self, host: Host, callback: Callable[..., Any], args: Any, context: contextvars.Context) -> None:
        self.host, self.callback, self.args, self.context = host, callback, args, context
        self.handle: asyncio.Handle | None = None

    def __call__(self) -> None:
        if self.handle is not None and self.handle.cancelled():
            return
        if self.host.dead or self.host.paused:
            self.host.frozen.append(self)
        else:
            self.callback(*self.args)


class VirtualLoop(asyncio.BaseEventLoop):
    """An asyncio loop in virtual time; ``now_s`` is its clock."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = START_S
        self._selector = _Jump(self)
        self._clock_resolution = STEP_S

    def time(self) -> float:
        return self.now_s

    def call_soon(self, callback: Any, *args: Any, context: contextvars.Context | None = None) -> asyncio.Handle:  # type: ignore[override]
        made, context = self._guard(callback, args, context)
        handle = super().call_soon(made, *(() if made is not callback else args), context=context)
        if isinstance(made, _Guarded) and made.handle is None:
            made.handle = handle  # the first one is what its owner may cancel
        return handle

    def call_at(  # type: ignore[override]
        self, when: float, callback: Any, *args: Any, context: contextvars.Context | None = None
    ) -> asyncio.TimerHandle:
        made, context = self._guard(callback, args, context)
        handle = super().call_at(when, made, *(() if made is not callback else args), context=context)
        if isinstance(made, _Guarded) and made.handle is None:
            made.handle = handle  # the first one is what its owner may cancel
        return handle

    def run_in_executor(self, executor: Any, func: Any, *args: Any) -> Any:  # type: ignore[override]  # noqa: ARG002
        """A thread's work: done in virtual time, after the time that the host's disk takes."""
        host, future = _HERE.get(), self.create_future()
        after_s = host.disk_s() if host is not None else 0.0
        self.call_later(after_s, _run, future, func, args)
        return future

    def _guard(self, callback: Any, args: Any, context: contextvars.Context | None) -> Any:
        host = _HERE.get() if context is None else context.get(_HERE)
        if host is None or isinstance(callback, _Guarded):
            return callback, context
        context = context or contextvars.copy_context()
        return _Guarded(host, callback, args, context), context

    def _process_events(self, event_list: Any) -> None:  # noqa: ARG002
        return

    def _write_to_self(self) -> None:
        return


def _run(future: asyncio.Future[Any], func: Callable[..., Any], args: Any) -> None:
    if future.cancelled():
        return
    try:
        future.set_result(func(*args))
    except Exception as error:
        future.set_exception(error)


class Host:
    """One incarnation of a process: its tasks, its steady clock, whether it is stopped or gone.

    ``rate`` and ``offset_s``: its monotonic clock is ``offset_s + rate * loop time``.
    """

    def __init__(self, name: str, *, offset_s: float = 0.0, rate: float = 1.0) -> None:
        self.name, self.offset_s, self.rate = name, offset_s, rate
        self.paused = self.dead = False
        self.frozen: list[_Guarded] = []
        self.disk_s: Callable[[], float] = lambda: 0.01
        self.context = contextvars.copy_context()
        self.context.run(_HERE.set, self)

    def clock(self) -> float:
        """This host's monotonic clock, seconds."""
        return self.offset_s + self.rate * asyncio.get_running_loop().time()

    def clock_ms(self) -> float:
        """The same in milliseconds."""
        return self.clock() * 1000.0

    def start(self, work: Coroutine[Any, Any, Any]) -> asyncio.Task[Any]:
        """Run a coroutine as this host."""
        return asyncio.get_running_loop().create_task(work, context=self.context.copy())

    def pause(self) -> None:
        """Stop the process (as SIGSTOP does): nothing of it runs until :meth:`wake`."""
        self.paused = True

    def wake(self) -> None:
        """Go on: what came due meanwhile runs now, in order."""
        self.paused = False
        frozen, self.frozen = self.frozen, []
        for guarded in frozen:
            asyncio.get_running_loop().call_soon(guarded, context=guarded.context)

    def kill(self) -> None:
        """The process is gone (as by SIGKILL): nothing of it runs any more, not even its clean-up."""
        self.dead = True

    def exhume(self) -> None:
        """At the very end only: let what is left of it run, so that its tasks can be cancelled."""
        self.dead = False
        self.wake()


def world() -> contextvars.Context:
    """A context of no host: what the network and the servers do goes on whoever dies."""
    context = contextvars.copy_context()
    context.run(_HERE.set, None)
    return context
