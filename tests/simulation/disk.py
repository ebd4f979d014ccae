"""A simulated checkpoint folder: shared by all aggregators, sometimes full, sometimes slow, sometimes damaged."""

from __future__ import annotations

import errno
import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import aggregator.checkpoint
from aggregator.checkpoint import Piece

FOLDER = Path("simulated")


@dataclass
class Disk:
    """Files by path. ``full``: writes fail. ``slow_s``: what a write takes. ``damaged``: paths spoilt since written."""

    dice: random.Random
    files: dict[Path, bytes] = field(default_factory=dict)
    full: bool = False
    slow_s: float = 0.02
    over: bool = False
    writes: int = 0
    failures: int = 0
    damaged: set[Path] = field(default_factory=set)
    times: dict[Path, float] = field(default_factory=dict)
    removed: int = 0

    def write(self, path: Path, image: Sequence[Piece]) -> None:
        """In the place of aggregator.checkpoint.write: whole or not at all. Raises OSError."""
        if self.over:
            return
        if self.full:
            self.failures += 1
            raise OSError(errno.ENOSPC, "No space left on device")
        self.writes += 1
        self.files[path] = b"".join(image)
        self.times[path] = float(self.writes)
        self.damaged.discard(path)

    def read(self, path: Path) -> bytes:
        """As aggregator.checkpoint.read."""
        if path not in self.files:
            raise FileNotFoundError(errno.ENOENT, "No such file", str(path))
        return self.files[path]

    def beside(self, path: Path) -> list[Path]:
        """As aggregator.checkpoint.beside."""
        return sorted(other for other in self.files if other != path)

    def seen_at(self, path: Path) -> float:
        """As aggregator.checkpoint.seen_at: the number of the write is as good as a time."""
        return self.times.get(path, 0.0)

    def remove(self, path: Path) -> None:
        """As aggregator.checkpoint.remove."""
        if not self.over and self.files.pop(path, None) is not None:
            self.removed += 1
            self.damaged.discard(path)

    def damage(self, path: Path) -> None:
        """A power cut's work: the file is torn or a bit of it flips."""
        image = self.files.get(path)
        if not image:
            return
        self.damaged.add(path)
        at = self.dice.randrange(len(image))
        if self.dice.random() < 0.5:
            self.files[path] = image[:at]
        else:
            self.files[path] = image[:at] + bytes((image[at] ^ 1 << self.dice.randrange(8),)) + image[at + 1 :]

    def write_s(self) -> float:
        """How long the next write takes."""
        return self.slow_s * self.dice.uniform(0.5, 2.0)


class Mounted:
    """While entered, aggregator.checkpoint's files are this disk's instead of the machine's."""

    def __init__(self, disk: Disk) -> None:
        self._disk = disk
        self._real: dict[str, Any] = {}

    def __enter__(self) -> None:
        for name in ("write", "read", "beside", "seen_at", "remove"):
            self._real[name] = getattr(aggregator.checkpoint, name)
            setattr(aggregator.checkpoint, name, getattr(self._disk, name))

    def __exit__(self, *_: object) -> None:
        for name, real in self._real.items():
            setattr(aggregator.checkpoint, name, real)
