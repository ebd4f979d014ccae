"""A simulated checkpoint folder: shared by all aggregators, sometimes full, sometimes slow, sometimes damaged."""

from __future__ import annotations

import errno
import random
from dataclasses import dataclass, field
from pathlib import Path

import aggregator.checkpoint

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

    def write(self, path: Path, image: bytes) -> None:
        """In the place of aggregator.checkpoint.write: whole or not at all. Raises OSError."""
        if self.over:
            return
        if self.full:
            self.failures += 1
            raise OSError(errno.ENOSPC, "No space left on device")
        self.writes += 1
        self.files[path] = image
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
    """While entered, aggregator.checkpoint.write goes to this disk instead of the machine's."""

    def __init__(self, disk: Disk) -> None:
        self._disk = disk
        self._real = aggregator.checkpoint.write

    def __enter__(self) -> None:
        self._real = aggregator.checkpoint.write
        aggregator.checkpoint.write = self._disk.write

    def __exit__(self, *_: object) -> None:
        aggregator.checkpoint.write = self._real
