"""``ripieno aggregate`` that notes when it does what: ``python -m tests.benchmarks.cold_steps FILE WORD…``.

FILE is written with the first snapshot that is sent: JSON, names and steady clock's seconds, in the order of doing.
Nothing is imported before the command's own start but the standard library.
"""

from __future__ import annotations

import sys
import time

BEGUN_S = time.monotonic()


def main() -> int:
    """Run the command, watched."""
    import json
    from collections.abc import Callable
    from pathlib import Path
    from typing import Any

    from aggregator.command import aggregate, build_parser
    from aggregator.command import main as ripieno
    from aggregator.service import Service

    build_parser("aggregate")  # what the command imports before it does anything
    path, *words = sys.argv[1:]
    write = Path(path).write_text
    steps: dict[str, float] = {"begun": BEGUN_S, "imported": time.monotonic()}
    spent = {"reading": 0.0, "entries": 0.0, "ticks": 0.0, "computing": 0.0, "processor": 0.0}

    def noted(owner: Any, name: str, step: str) -> None:
        inner = getattr(owner, name)

        def done(*args: Any, **named: Any) -> Any:
            made = inner(*args, **named)
            steps[step] = time.monotonic()
            return made

        setattr(owner, name, done)

    async def read_on(self: Service, inner: Callable[[Service], Any] = Service._read_on) -> None:
        begun_s, before = time.monotonic(), self.counters.entries
        try:
            await inner(self)
        finally:
            spent["reading"] += time.monotonic() - begun_s
            spent["entries"] += self.counters.entries - before

    async def tick(self: Service, *about: Any, inner: Callable[..., Any] = Service._tick) -> None:
        begun_s = time.monotonic()
        await inner(self, *about)
        spent["computing"] += time.monotonic() - begun_s
        spent["ticks"] += 1
        if self.counters.sent and "sent" not in steps:
            steps["sent"] = time.monotonic()
            spent["processor"] = time.process_time()
            write(json.dumps([steps, spent]))

    noted(aggregate, "newest", "checkpoint read")
    noted(aggregate, "_engine", "engine restored")
    setattr(Service, "_read_on", read_on)  # noqa: B010  (methods, watched from outside)
    setattr(Service, "_tick", tick)  # noqa: B010
    return ripieno(words)


if __name__ == "__main__":
    sys.exit(main())
