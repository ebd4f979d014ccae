"""glibc's allocator told to keep freed memory: arrays of a tick are made and dropped twenty times a second.

By default each large array is mapped, page-faulted and unmapped again at every tick. Measured on the resampler with
2,000 active rows: 90 ns a sample before, 37 after (``python -m tests.benchmarks.bench_skin``). Other C libraries are
left alone.
"""

from __future__ import annotations

import ctypes
import sys

M_TRIM_THRESHOLD, M_TOP_PAD, M_MMAP_THRESHOLD = -1, -2, -3  # malloc.h of glibc
KEEP_BYTES = 1 << 30  # never give memory back below this …
TOP_PAD_BYTES = 64 << 20  # … and grow in steps of this


def tune() -> bool:
    """Tune it; False where there is no glibc. Call before the first large array."""
    if not sys.platform.startswith("linux"):
        return False
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (OSError, AttributeError):
        return False
    settings = ((M_MMAP_THRESHOLD, KEEP_BYTES), (M_TRIM_THRESHOLD, KEEP_BYTES), (M_TOP_PAD, TOP_PAD_BYTES))
    done = [mallopt(which, value) for which, value in settings]  # all of them, even if one is refused
    return all(done)
