"""Cheap seeded signals for a concert: enough for every kernel to run, no model of physiology. Pure.

Packet n of a phone covers the n-th span of its stream; whatever is asked is made from (seed, time) alone.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from relay.entries import Channel
from relay.wire import Block, Packet, encode

PULSE_HZ, SKIN_HZ, TEMPERATURE_HZ = 25, 4, 1
KINDS = ("full", "skin", "pulse")


class Signals:
    """One person's sensor. ``kind``: ``full`` pulse, skin and temperature; ``skin`` without pulse; ``pulse`` alone."""

    def __init__(self, seed: int, kind: str, span_s: float, length_s: float) -> None:
        dice = np.random.default_rng(seed)
        self.kind, self.span_s = kind, span_s
        at = np.arange(int((length_s + 2) * PULSE_HZ)) / PULSE_HZ
        felt = 0.5 + 0.5 * np.sin(2 * np.pi * at / dice.uniform(20, 60) + dice.uniform(0, 6))
        rate_hz = dice.uniform(0.9, 1.5) + 0.25 * felt
        beats = np.cumsum(rate_hz) / PULSE_HZ
        noise = dice.normal(0, 20, len(at))
        wave = 900 * np.cos(2 * np.pi * beats) + 300 * np.cos(4 * np.pi * beats + 1) + noise
        self._pulse = (wave + dice.uniform(-500, 500)).astype(np.int16)
        slow = felt[:: PULSE_HZ // SKIN_HZ]  # close enough: a level that wanders
        level = dice.uniform(2000, 8000) * (1 + 0.4 * slow) + dice.normal(0, 4, len(slow))
        self._skin = level.astype(np.int16)
        self._warm = (3300 - 40 * felt[::PULSE_HZ]).astype(np.int16)

    @property
    def channels(self) -> tuple[Channel, ...]:
        """As the hello names them."""
        pulse = Channel("pulse", float(PULSE_HZ), "raw")
        skin = Channel("skin", float(SKIN_HZ), "uS", 0.001)
        warm = Channel("temperature", float(TEMPERATURE_HZ), "C", 0.01)
        return {"full": (skin, pulse, warm), "skin": (skin, warm), "pulse": (pulse,)}[self.kind]

    def packet(self, sequence: int, at_s: float, time_us: int) -> bytes:
        """The packet that starts at ``at_s`` of the person's evening, with that number and phone time."""
        parts = {
            "pulse": self._slice(self._pulse, PULSE_HZ, at_s),
            "skin": self._slice(self._skin, SKIN_HZ, at_s),
            "temperature": self._slice(self._warm, TEMPERATURE_HZ, at_s),
        }
        blocks = tuple(
            Block(place, offset, samples)
            for place, (offset, samples) in enumerate(parts[channel.name] for channel in self.channels)
            if len(samples)
        )
        return encode(Packet(sequence, time_us, blocks))

    def first_offset_us(self, at_s: float) -> int:
        """From the packet's phone time to the first sample of its first channel."""
        rate_hz = round(self.channels[0].rate_hz)
        return round((int(np.ceil(round(at_s * rate_hz, 6))) / rate_hz - at_s) * 1e6)

    def _slice(self, wave: NDArray[np.int16], rate_hz: int, at_s: float) -> tuple[int, NDArray[np.int16]]:
        first = int(np.ceil(round(at_s * rate_hz, 6)))
        last = int(np.ceil(round((at_s + self.span_s) * rate_hz, 6)))
        wrapped = np.arange(first, last) % len(wave)
        return round((first / rate_hz - at_s) * 1e6), wave[wrapped]
