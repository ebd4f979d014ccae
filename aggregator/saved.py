"""What a restart goes on from: the engine's checkpoint and the published values beside it, as one file. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from numpy.typing import NDArray

from aggregator import checkpoint, engine_image
from aggregator.checkpoint import CheckpointError, Piece
from aggregator.engine import Engine, EngineSettings
from aggregator.engine_image import Buffers
from aggregator.merger import Merger
from relay.seat_plan import SeatPlan

_PUBLISHED = "published/"


def pack(engine: Engine, merger: Merger, bus_id: str = "", evening: str = "") -> bytes:
    """Both, with their own checksums and one over all. ``bus_id``: the replication id under which the engine's
    positions were read; ``evening``: the performance's name, where a file may be another's."""
    return b"".join(freeze(engine, merger, bus_id, evening)())


def freeze(
    engine: Engine, merger: Merger, bus_id: str = "", evening: str = "", buffers: Buffers | None = None
) -> Callable[[], list[Piece]]:
    """Both copied as they are now; what is returned makes the file's pieces of them, which takes longer and may be done
    in another thread while ticks go on. Pieces share the memory of ``buffers``: written before the next freeze."""
    meta, arrays = engine_image.frozen(engine, buffers)
    published = {_PUBLISHED + name: a.copy() for name, a in merger.arrays().items()}
    about = {
        "k": engine.k, "epoch": merger.epoch, "seats": engine.plan.seats, "t0_ms": engine.t0_ms, "bus": bus_id,
        "evening": evening,
        "versions": checkpoint.versions(),
    }  # fmt: skip
    return lambda: checkpoint.pieces(about, {"engine": checkpoint.pieces(meta, arrays), **published})


@dataclass(frozen=True, slots=True)
class Saved:
    """A checkpoint file taken apart: ``k`` its last tick, ``epoch`` that of who wrote it, ``t0_ms`` the evening's first
    tick, ``bus`` the replication id that its positions belong to (empty: not known), ``versions`` of who wrote it,
    ``evening`` its performance (empty: not said)."""

    k: int
    epoch: int
    image: bytes
    published: dict[str, NDArray[Any]]
    t0_ms: int = 0
    bus: str = ""
    versions: dict[str, str] = field(default_factory=dict)
    evening: str = ""

    def other_versions(self) -> str:
        """What is not as it was when this was written, in words; empty when equal bits may be expected (contract 1)."""
        here = checkpoint.versions()
        return ", ".join(
            f"{name} {self.versions[name]} then, {here[name]} now"
            for name in here
            if self.versions.get(name, here[name]) != here[name]
        )


def unpack(raw: bytes) -> Saved:
    """Raises CheckpointError."""
    opened = checkpoint.decode(raw)
    try:
        published = {n.removeprefix(_PUBLISHED): a for n, a in opened.arrays.items() if n.startswith(_PUBLISHED)}
        meta, image = opened.meta, opened.arrays["engine"].tobytes()
        return Saved(
            int(meta["k"]), int(meta["epoch"]), image, published, int(meta.get("t0_ms", 0)), str(meta.get("bus", "")),
            {str(name): str(v) for name, v in meta.get("versions", {}).items()}, str(meta.get("evening", "")),
        )  # fmt: skip
    except (KeyError, TypeError, ValueError, AttributeError) as error:
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
