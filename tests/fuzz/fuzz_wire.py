"""Coverage-guided fuzzing of the packet: ``python -m tests.fuzz.fuzz_wire tests/fuzz/corpus/wire -max_total_time=60``.

Inputs are mutations of valid packets (the corpus). Held: ``check`` raises nothing but WireError; ``decode`` and
``decode_batch`` agree with it and with each other; the remembered layouts agree; the bus entry's reader raises nothing
but EntryError.
"""

from __future__ import annotations

from contextlib import suppress

import numpy as np

from relay.entries import EntryError, decode_control, decode_packets
from relay.layouts import Layouts
from relay.wire import MISSING_INT16, WireError, check, decode, decode_batch
from tests.fuzz.instrument import fuzz

LAYOUTS = Layouts()


def one_input(data: bytes) -> None:
    """Everything that must hold for any bytes."""
    try:
        sequence: int | None = check(data)
    except WireError:
        sequence = None
    try:
        remembered: int | None = LAYOUTS.check(data, 16)
    except WireError:
        remembered = None
    assert remembered == sequence, "remembered layouts"
    batch = decode_batch(b"\x55" + data, np.array([1]), np.array([len(data)]))
    assert bool(batch.ok[0]) == (sequence is not None), "check and decode_batch"
    if sequence is not None:
        values = [block.samples for block in decode(data).blocks]
        missing = [v == MISSING_INT16 if v.dtype == np.int16 else ~np.isfinite(v) for v in values]
        expected = np.concatenate([np.where(m, np.nan, v) for v, m in zip(values, missing, strict=True)])
        np.testing.assert_array_equal(batch.raw, expected)
    for read in (decode_packets, decode_control):
        with suppress(EntryError):
            read(data)


if __name__ == "__main__":
    fuzz(one_input)
