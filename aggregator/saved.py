"""What a restart goes on from: the engine's checkpoint and the published values beside it, as one file. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from aggregator import checkpoint
from aggregator.checkpoint import CheckpointError
from aggregator.engine import Engine, EngineSettings
from aggregator.merger import Merger
from relay.seat_plan import SeatPlan

_PUBLISHED = "published/"


def pack(engine: Engine, merger: Merger) -> bytes:
    """Both, with their own checksums and one over all."""
    arrays: dict[str, NDArray[Any]] = {"engine": np.frombuffer(engine.checkpoint(), np.uint8)}
    arrays |= {_PUBLISHED + name: a for name, a in merger.arrays().items()}
    return checkpoint.encode({"k": engine.k, "epoch": merger.epoch, "seats": engine.plan.seats}, arrays)


@dataclass(frozen=True, slots=True)
class Saved:
    """A checkpoint file taken apart: ``k`` its last tick, ``epoch`` that of who wrote it."""

    k: int
    epoch: int
    image: bytes
    published: dict[str, NDArray[Any]]


def unpack(raw: bytes) -> Saved:
    """Raises CheckpointError."""
    opened = checkpoint.decode(raw)
    try:
        published = {n.removeprefix(_PUBLISHED): a for n, a in opened.arrays.items() if n.startswith(_PUBLISHED)}
        return Saved(int(opened.meta["k"]), int(opened.meta["epoch"]), opened.arrays["engine"].tobytes(), published)
    except (KeyError, TypeError, ValueError) as error:
        raise CheckpointError(f"checkpoint is of another kind ({error}); start with --fresh") from error


def restore(saved: Saved, plan: SeatPlan, settings: EngineSettings, *, epoch: int) -> tuple[Engine, Merger]:
    """Engine and merger that go on from it under ``epoch``.

    Raises:
        CheckpointError: damaged, of another version, or of another seat plan.
    """
    engine = Engine.restore(saved.image, plan, settings, epoch=epoch)
    merger = Merger(plan, tick_hz=engine.tick_hz, epoch=epoch)
    try:
        merger.load(saved.published)
    except (KeyError, ValueError) as error:
        raise CheckpointError(f"checkpoint is of another seat plan or version ({error}); start with --fresh") from error
    merger.epoch = epoch
    return engine, merger
