"""Sentences for the technician's page about the house's value, worst first. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from aggregator.dsp.columns import Ints
from aggregator.snapshot import Estimate, LeftOut, SeatState

PENALTY_TOLD = 0.25  # of the blank control: below, nobody would hear the difference in confidence
FEW_SHARE = 0.5  # of the listeners present
WIDE = 0.1  # half-width of the 95 % interval, in arousal, from which a composer should know
NOT_PRESENT = (SeatState.ABSENT, SeatState.MUTED)
OUT_SHARE = 0.2  # of a channel's sensors: one in ten is what dry or cold fingers make of any house, twice that is not
OUT_LEAST = 3  # of them: one sensor in a studio of five is a seat to look at, not the house
TOLD = ("pulse", "skin")  # temperature counts little, and fingers are cold until they have warmed: on the page only
WHY = {
    "pulse": "the pulse: faint or moving signal",
    "skin": "skin conductance: dry, loose or moving contact",
    "temperature": "temperature: cold or still settling sensor",
}


def present(states: Ints) -> Ints:
    """Listeners in their seats whom nobody muted: states int64 (..., STATES) -> (...)."""
    total: Ints = states.sum(axis=-1)
    for state in NOT_PRESENT:
        total = total - states[..., state]
    return total


def left_out_lines(left_out: LeftOut) -> dict[str, str]:
    """By channel, a line about sensors whose signal is left out; channels without such a sensor are not in it."""
    return {
        channel: f"{out} of {of} {'is' if out == 1 else 'are'} left out of {WHY.get(channel, channel)}."
        for channel, (out, of) in left_out.items()
        if out
    }


def sentences(
    house: Estimate, states: Ints, missing: Sequence[int], penalty: float, left_out: LeftOut
) -> tuple[str, ...]:
    """What the page should say about the house: shards missing, artefacts locked to the show, few or no listeners, many
    left out of a channel, a wide interval. ``states`` int64 (STATES,), ``penalty`` of the blank control, [0, 1]."""
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
    for channel, line in left_out_lines(left_out).items():
        out, of = left_out[channel]
        if channel in TOLD and out >= max(OUT_LEAST, OUT_SHARE * of):
            said.append(line)
    half = max(house.high - house.arousal, house.arousal - house.low)
    if house.counted and half > WIDE:
        said.append(f"Few listeners: the house value is known to within {half:.2f} only.")
    return tuple(said)
