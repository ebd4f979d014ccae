"""The engine's state to and from a checkpoint: listeners with consent only, nothing that names a row. Pure."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np
import orjson
from numpy.typing import NDArray

from aggregator import checkpoint
from aggregator.checkpoint import CheckpointError, Image
from aggregator.dsp.columns import Columns, Rows
from aggregator.intake_wait import Held, Waiting
from relay.entries import Stamp

if TYPE_CHECKING:
    from aggregator.engine import Engine, EngineSettings
    from relay.seat_plan import SeatPlan


def encode(engine: Engine) -> bytes:
    """The checkpoint's bytes."""
    return checkpoint.encode(*frozen(engine))


class Buffers:
    """Memory for copies of rows, used again and again: to get it anew from the machine takes longer than the copying,
    and ticks wait. Grows with the house; whoever holds copies in it must be done with them before the next ones. What
    it held of listeners who have left is overwritten by the next copies."""

    def __init__(self) -> None:
        self._kept: dict[str, NDArray[Any]] = {}
        self._held: dict[str, int] = {}

    def take(self, name: str, array: NDArray[Any], rows: Rows) -> NDArray[Any]:
        """``array[rows]``, under this name."""
        kept, count = self._kept.get(name), len(rows)
        if kept is None or kept.dtype != array.dtype or kept.shape[1:] != array.shape[1:] or len(kept) < count:
            kept = self._kept[name] = np.empty((count + count // 8, *array.shape[1:]), array.dtype)
        kept[count : self._held.get(name, 0)] = np.zeros((), array.dtype)
        self._held[name] = count
        return array.take(rows, axis=0, out=kept[:count], mode="clip")  # "raise" would copy twice


def frozen(engine: Engine, buffers: Buffers | None = None) -> tuple[dict[str, Any], dict[str, NDArray[Any]]]:
    """What :func:`encode` makes bytes of, copied: ticks that follow do not change it, the next copy into the same
    ``buffers`` does. Entries read and not used yet are not in it: they are read again after ``positions``."""
    take = (buffers or Buffers()).take
    table = engine.listeners.table
    rows = np.flatnonzero(table.used & table.consent)
    rows = rows[np.argsort(table.listener[rows])]
    slots = np.unique(table.slot[rows])
    slots = slots[slots >= 0]
    arrays: dict[str, NDArray[Any]] = {}
    for name, columns in listener_columns(engine).items():
        if engine.linked.places or not name.startswith("linked."):  # empty until a performer is heard
            arrays |= {(n := f"{name}/{key}"): take(n, a, rows) for key, a in columns.arrays().items()}
    for name, columns in engine.chains.small_columns().items():
        arrays |= {f"small/{name}/{key}": a[slots] for key, a in columns.arrays().items()}
    arrays |= {f"window/{key}": array.copy() for key, array in engine.alike.arrays().items()}
    waiting, raw = _waiting(engine, {int(r): i for i, r in enumerate(rows)})
    arrays["waiting"] = np.frombuffer(raw, np.uint8)
    arrays["tombstones"] = np.array(sorted(engine.listeners.tombstones), np.uint64)
    return orjson.loads(orjson.dumps(_meta(engine, slots, waiting))), arrays


def listener_columns(engine: Engine) -> dict[str, Columns]:
    """Every set of columns with one row a listener, by name."""
    return {
        "listeners": engine.listeners.table,
        "states": engine.states,
        "intake": engine.intake.state,
        "clock": engine.intake.clock,
        "alike": engine.alike.state,
        "linked.ring": engine.linked.ring,
        "linked.sums": engine.linked.sums,
        **engine.chains.columns(),
    }


def _meta(engine: Engine, slots: Rows, waiting: list[Any]) -> dict[str, Any]:
    held = engine.shards_state
    return {
        "versions": checkpoint.versions(),
        "k": engine.k,
        "cut_ms": engine.cut,
        "epoch": engine.epoch,
        "t0_ms": engine.t0_ms,
        "tick_hz": engine.tick_hz,
        "shards": engine.shards,
        "owned": engine.owned,
        "positions": {str(stream): list(stamp) for stream, stamp in engine.positions().items()},
        "controls_used": engine.controls_used(),
        "part": held.part,
        "part_stamp": [list(stamp) for stamp in held.part_stamp],
        "prior": held.prior,
        "left_out": engine.left_out.now,
        "linked": engine.linked.saved(),
        "muted": [sorted(engine.muted.seats), engine.muted.all],
        "slots": [
            [int(s), engine.listeners.names[s], engine.listeners.scalar_names.get(s, "")] for s in slots.tolist()
        ],
        "early": [[str(listener), yes] for listener, yes in engine.listeners.early.items() if yes],
        "counters": [engine.own_counters, engine.intake.counters],
        "waiting": waiting,
    }


def _waiting(engine: Engine, place: dict[int, int]) -> tuple[list[Any], bytes]:
    """Packets that wait: for each row its place in the checkpoint, known losses, packets; and their bytes."""
    made, raw = [], bytearray()
    for row, waiting in sorted(engine.intake.waiting.items()):
        if row not in place:
            continue
        packets = []
        for held, in_order in [*((h, 0) for h in waiting.ahead.values()), *((h, 1) for h in waiting.backlog)]:
            packets.append([in_order, held.sequence, held.time_us, held.arrival_ms, held.stamp_ms, len(held.raw)])
            raw += held.raw
        made.append([place[row], waiting.skips, packets])
    return made, bytes(raw)


def decode(
    kind: type[Engine], raw: bytes, plan: SeatPlan, settings: EngineSettings | None, owned: Iterable[int] | None,
    epoch: int,
) -> Engine:  # fmt: skip
    """See Engine.restore."""
    image = checkpoint.decode(raw)
    try:
        return _restore(kind, image, plan, settings, owned, epoch)
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise CheckpointError(f"checkpoint does not fit this version ({error}); start with --fresh") from error


def _restore(
    kind: type[Engine], image: Image, plan: SeatPlan, settings: EngineSettings | None, owned: Iterable[int] | None,
    epoch: int,
) -> Engine:  # fmt: skip
    meta, arrays = image.meta, image.arrays
    engine = kind(
        plan, settings, owned=meta["owned"] if owned is None else owned, shards=meta["shards"], epoch=epoch,
        t0_ms=meta["t0_ms"], tick_hz=meta["tick_hz"],
    )  # fmt: skip
    if set(engine.owned) - set(meta["owned"]):
        raise CheckpointError(f"checkpoint is of shards {meta['owned']}, asked for {list(engine.owned)}")
    keep = np.isin(arrays["listeners/shard"], [*engine.owned, engine.shards])
    rows = engine.listeners.enter_rows(int(x) for x in arrays["listeners/listener"][keep])
    for name, columns in listener_columns(engine).items():
        columns.load(_under(arrays, f"{name}/", keep), rows)
    for row in rows.tolist():
        engine.listeners.set_make(row)
    for slot, name, scalars in meta["slots"]:
        engine.listeners.names[slot] = name
        if scalars:
            engine.listeners.scalar_names[slot] = scalars
    slots = np.array([s for s, _, _ in meta["slots"]], np.intp)
    for name, columns in engine.chains.small_columns().items():
        columns.load(_under(arrays, f"small/{name}/", np.ones(len(slots), np.bool_)), slots)
    engine.chains.resume()
    engine.alike.load(_under(arrays, "window/", None))
    _resume(engine, meta)
    _wait(engine, meta["waiting"], arrays["waiting"].tobytes(), keep, rows)
    engine.listeners.tombstones = {int(x) for x in arrays["tombstones"]}
    return engine


def _under(arrays: dict[str, NDArray[Any]], prefix: str, keep: NDArray[np.bool_] | None) -> dict[str, NDArray[Any]]:
    """Arrays by their prefix, only the rows to keep (None: all)."""
    made = {key.removeprefix(prefix): a for key, a in arrays.items() if key.startswith(prefix)}
    return made if keep is None else {key: a[keep] for key, a in made.items()}


def _resume(engine: Engine, meta: dict[str, Any]) -> None:
    held = engine.shards_state
    engine.k, engine.cut = meta["k"], meta["cut_ms"]
    held.part = list(meta["part"])
    held.part_stamp = [Stamp(*stamp) for stamp in meta["part_stamp"]]
    held.prior = [dict(p) for p in meta["prior"]]
    engine.muted.seats, engine.muted.all = set(meta["muted"][0]), meta["muted"][1]
    engine.linked.resume(meta["linked"], engine.owned)
    engine.left_out.now = {channel: (out, of) for channel, (out, of) in meta["left_out"].items()}
    engine.listeners.early = {int(listener): yes for listener, yes in meta["early"]}
    engine.resume_positions({int(stream): Stamp(*stamp) for stream, stamp in meta["positions"].items()})
    engine.resume_controls(meta["controls_used"])
    engine.own_counters.update(meta["counters"][0])
    engine.intake.counters.update(meta["counters"][1])
    engine.seats_changed()


def _wait(engine: Engine, saved: list[Any], raw: bytes, keep: NDArray[np.bool_], rows: Rows) -> None:
    place = np.cumsum(keep) - 1
    at = 0
    for i, skips, packets in saved:
        waiting = Waiting(skips=[(int(a), int(b)) for a, b in skips], backlog=deque())
        for in_order, sequence, time_us, arrival_ms, stamp_ms, size in packets:
            held = Held(sequence, time_us, arrival_ms, stamp_ms, raw[at : at + size])
            at += size
            if in_order:
                waiting.backlog.append(held)
            else:
                waiting.ahead[sequence] = held
        if keep[i]:
            engine.intake.waiting[int(rows[place[i]])] = waiting
