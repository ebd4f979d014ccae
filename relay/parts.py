"""The parts of the evening, and what each one sets. Pure."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PartRules:
    """What a part of the evening allows.

    ``rest``: a resting baseline is taken. ``drift``: the baseline may follow slow drift. ``record``: entries may be
    kept. ``open``: outputs may leave. ``alarms``: operator alarms sound. ``phones``: the sentence that phones show.
    """

    rest: bool
    drift: bool
    record: bool
    open: bool
    alarms: bool
    phones: str


PARTS: dict[str, PartRules] = {
    "set-up": PartRules(False, False, False, False, False, "Setting up. Nothing is kept."),
    "doors": PartRules(False, True, True, False, False, "Welcome. Please put the sensor on and take your seat."),
    "rest": PartRules(True, False, True, True, True, "Please sit still and breathe as you like."),
    "piece": PartRules(False, False, True, True, True, "Enjoy the music."),
    "interval": PartRules(False, True, True, False, False, "Interval. You may take the sensor off."),
    "applause": PartRules(False, False, True, True, True, "Thank you."),
    "after": PartRules(False, False, False, False, False, "The evening is over. You may take the sensor off."),
}
FIRST_PART = "set-up"
