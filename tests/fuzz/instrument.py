"""Coverage for the modules under test only: instrumenting everything imported takes minutes."""

from __future__ import annotations

import inspect
import sys
from collections.abc import Callable, Iterator
from types import FunctionType, ModuleType

import aggregator.parts_wire
import relay.entries
import relay.hello
import relay.layouts
import relay.seat_card
import relay.session
import relay.wire

MODULES = (
    aggregator.parts_wire, relay.entries, relay.hello, relay.layouts, relay.seat_card, relay.session, relay.wire,
)  # fmt: skip


def functions(module: ModuleType) -> Iterator[FunctionType]:
    """A module's own functions and methods."""
    owners = [module, *(c for _, c in inspect.getmembers(module, inspect.isclass) if c.__module__ == module.__name__)]
    for owner in owners:
        for _, function in inspect.getmembers(owner, inspect.isfunction):
            if function.__module__ == module.__name__:
                yield function


def fuzz(one_input: Callable[[bytes], None]) -> None:
    """Fuzz until told to stop (libFuzzer's options on the command line)."""
    import atheris

    for module in MODULES:
        for function in functions(module):
            atheris.instrument_func(function)
    atheris.Setup(sys.argv, one_input)
    atheris.Fuzz()
