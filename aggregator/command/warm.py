"""What is loaded before an evening's first tick, because loading it later would stop the evening. Shell.

numpy loads parts of itself at their first use: the Fourier transform with the first pulse rate, masked arrays with the
first ``np.unique``, the random numbers with the first simulated listener. From a cold disk, with bytecode still to be
compiled, that is a third of a second on one core and more on a busy machine, in which no tick is computed.
"""

from __future__ import annotations

from importlib import import_module

AT_FIRST_USE = ("numpy.fft", "numpy.ma", "numpy.random")


def load() -> None:
    """Load them now. What the house uses of them is seen by ``tests/system/test_warm.py``."""
    for name in AT_FIRST_USE:
        import_module(name)
