"""State of many listeners as columns: one array a quantity, axis 0 the listener.

A kernel declares its state as a dataclass whose every field is made by :func:`column`::

    @dataclass(slots=True)
    class SkinState(Columns):
        level: Floats = column(doc="tonic level, microsiemens", fill=np.nan)
        ring: Floats = column(tail=(32,), doc="last 4 s of samples at 8 Hz")

The engine allocates one object a kernel (``SkinState.allocate(capacity)``), grows it, clears a listener's row when
they leave or withdraw, and writes it into checkpoints. No kernel stores anything outside its columns.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field, fields
from typing import Any, Self

import numpy as np
from numpy.typing import DTypeLike, NDArray

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Rows = NDArray[np.intp]


def column(*, doc: str, tail: tuple[int, ...] = (), dtype: DTypeLike = np.float64, fill: float | int | bool = 0) -> Any:
    """One array of shape ``(listeners, *tail)``, each new or cleared row set to ``fill``."""
    return field(metadata={"doc": doc, "tail": tail, "dtype": np.dtype(dtype), "fill": fill})


class Columns:
    """Base of every state dataclass: allocation, growth, clearing and (de)serialisation by declared columns."""

    __slots__ = ()

    @classmethod
    def allocate(cls, listeners: int) -> Self:
        """Fresh columns for ``listeners`` rows, C-contiguous, every row at its declared fill."""
        made = {}
        for f in fields(cls):  # type: ignore[arg-type]
            m = f.metadata
            made[f.name] = np.full((listeners, *m["tail"]), m["fill"], dtype=m["dtype"])
        return cls(**made)

    def grow(self, listeners: int) -> None:
        """Lengthen every column to ``listeners`` rows; existing rows keep their bits."""
        fresh = type(self).allocate(listeners)
        for f in fields(self):  # type: ignore[arg-type]
            old = getattr(self, f.name)
            new = getattr(fresh, f.name)
            new[: len(old)] = old
            setattr(self, f.name, new)

    def clear(self, rows: Rows) -> None:
        """Set the given rows of every column back to their fill: nothing of the listener remains."""
        for f in fields(self):  # type: ignore[arg-type]
            getattr(self, f.name)[rows] = f.metadata["fill"]

    def arrays(self) -> dict[str, NDArray[Any]]:
        """The columns by name, without copying (for checkpoints and comparison)."""
        return {f.name: getattr(self, f.name) for f in fields(self)}  # type: ignore[arg-type]

    def load(self, arrays: Mapping[str, NDArray[Any]], rows: Rows) -> None:
        """Put saved columns into ``rows``; a column that the save lacks keeps its fill.

        Raises:
            ValueError: a saved column has another shape or dtype than this version declares.
        """
        for f in fields(self):  # type: ignore[arg-type]
            saved = arrays.get(f.name)
            if saved is None:
                continue
            here = getattr(self, f.name)
            if saved.shape[1:] != here.shape[1:] or saved.dtype != here.dtype:
                raise ValueError(
                    f"column {type(self).__name__}.{f.name}: saved {saved.dtype}{saved.shape[1:]}, "
                    f"expected {here.dtype}{here.shape[1:]}"
                )
            here[rows] = saved

    @classmethod
    def bytes_a_listener(cls) -> dict[str, int]:
        """Bytes a listener costs, by column."""
        return {
            f.name: int(f.metadata["dtype"].itemsize * np.prod(f.metadata["tail"], dtype=np.int64))
            for f in fields(cls)  # type: ignore[arg-type]
        }
