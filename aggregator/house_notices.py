"""Sentences for the technician's page about the house's value, worst first. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from aggregator.dsp.columns import Ints
from aggregator.snapshot import Estimate, SeatState

PENALTY_TOLD = 0.25  # of the blank control: below, nobody would hear the difference in confidence
FEW_SHARE = 0.5  # of the listeners present
WIDE = 0.1  # half-width of the 95 % interval, in arousal, from which a composer should know
NOT_PRESENT = (SeatState.ABSENT, SeatState.MUTED)


def present(states: Ints) -> Ints:
    """Listeners in their seats whom nobody muted: states int64 (..., STATES) -> (...)."""
    total: Ints = states.sum(axis=-1)
    for state in NOT_PRESENT:
        total = total - states[..., state]
    return total


def sentences(house: Estimate, states: Ints, missing: Sequence[int], penalty: float) -> tuple[str, ...]:
    """What the page should say about the house: shards missing, artefacts locked to the show, few or no listeners, a
    wide interval. ``states`` int64 (STATES,), ``penalty`` of the blank control, [0, 1]."""
    said = []
    here = int(present(states))
    if missing:
        numbers = ", ".join(str(shard) for shard in missing)
        said.append(f"Partial: shards {numbers} are missing; their seats are held, then fade to the house.")
    if penalty >= PENALTY_TOLD:
        said.append(
            "Sensors without a finger move with the house: likely light, vibration or clapping (artefact), "
            f"so the house's confidence is lowered by {round(100 * penalty)} %."
        )
    if house.counted == 0:
        said.append("Nobody is measured: the house glides to rest (0.5), confidence 0.")
    elif house.counted < FEW_SHARE * here:
        said.append(f"Only {house.counted} of {here} listeners present can be measured.")
    half = max(house.high - house.arousal, house.arousal - house.low)
    if house.counted and half > WIDE:
        said.append(f"Few listeners: the house value is known to within {half:.2f} only.")
    return tuple(said)
