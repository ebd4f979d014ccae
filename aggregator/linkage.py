"""Linkage: how alike the house and a performer move, with the performer up to 8 s ahead. Pure numpy.

The words are "alike" and "linked", never "caused by": house and performer hear the same music.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray


class LinkageTracker:
    """Series of the house and of each performer at 4 Hz over the last 600 s, and the linkage of each."""

    def push(self, cut_ms: int, house: float, performers: Mapping[str, float]) -> None:
        """Add what this tick says."""

    def linkage(self, name: str) -> tuple[float, float]:
        """(value, confidence) of a performer's linkage; (0, 0) until enough is known."""
        return (0.0, 0.0)

    def arrays(self) -> dict[str, NDArray[Any]]:
        return {"n": np.zeros(1)}

    def load(self, saved: Mapping[str, NDArray[Any]]) -> None:
        pass
