# ruff: noqa: RUF009  (setting() is dataclasses.field with its limits)
"""What a load test does: a frozen scenario, read from a short TOML file. Pure but for reading the file.

Built-in scenarios lie beside this module in ``scenarios/``; a file of one's own may be named instead.
"""

from __future__ import annotations

import dataclasses
import tomllib
from dataclasses import dataclass
from pathlib import Path

from loadtest.people import Traits
from loadtest.programme import HAPPENINGS, EveningPart, Happening, Moment, Programme
from loadtest.reading import SettingsProblems, read, setting

BUILT_IN = Path(__file__).parent / "scenarios"
DISRUPTIONS = ("cut", "sleep", "die")
MAX_PHONES = 200_000


@dataclass(frozen=True, slots=True)
class Joining:
    """``[join]``: how phones arrive."""

    over_s: float = setting(10.0, "everybody joins within this time", low=0.0, high=3600.0)
    rush: float = setting(0.0, "0 even, 1 twice as many a second at the end as on average", low=0.0, high=1.0)


@dataclass(frozen=True, slots=True)
class Disruption:
    """``[[disruption]]``: some phones go. A cut one goes on measuring, a sleeping one does not, a dead one stays away.

    ``over_s`` spreads the going, ``away_s`` is the shortest and longest absence; ``back_together`` makes all return
    at the same moment (an access point that is there again) instead of each after its own time.
    """

    kind: str = setting("cut", "what happens to the phones", among=DISRUPTIONS)
    at_s: float = setting(30.0, "when it begins", low=0.0)
    share: float = setting(0.2, "share of the phones", low=0.0, high=1.0)
    over_s: float = setting(0.0, "they go within this time", low=0.0)
    away_s: tuple[float, float] = setting((3.0, 3.0), "shortest and longest absence", low=0.0)
    back_together: bool = setting(False, "all return at at_s + over_s + longest absence")


@dataclass(frozen=True, slots=True)
class MomentSetting:
    """``[[moment]]``: a musical moment that everybody feels."""

    onset_s: float = setting(30.0, "when", low=0.0)
    rise_s: float = setting(2.0, "time to rise", low=0.1)
    hold_s: float = setting(8.0, "time to hold", low=0.0)
    fall_s: float = setting(4.0, "time to fall", low=0.1)
    strength: float = setting(1.0, "how strong", low=0.0, high=1.0)


@dataclass(frozen=True, slots=True)
class HappeningSetting:
    """``[[happening]]``: something in the hall that is no feeling."""

    kind: str = setting("applause", "what", among=HAPPENINGS)
    start_s: float = setting(30.0, "from", low=0.0)
    stop_s: float = setting(45.0, "to", low=0.0)
    strength: float = setting(1.0, "how strong", low=0.0, high=10.0)
    rate_hz: float = setting(2.0, "beats a second", low=0.1, high=10.0)


@dataclass(frozen=True, slots=True)
class TraitSetting:
    """``[traits]``: what the simulated listeners are like (loadtest.people.Traits)."""

    bad_share: float = setting(0.0, "sensors that are noise, stuck or loose", low=0.0, high=1.0)
    loose_share: float = setting(0.0, "additional loose sensors", low=0.0, high=1.0)
    motion_share: float = setting(0.0, "share of time in which a listener moves", low=0.0, high=1.0)
    leak_share: float = setting(0.3, "optical sensors that see stage light", low=0.0, high=1.0)


@dataclass(frozen=True, slots=True)
class Air:
    """``[air]``: what the network between phones and relay does. TCP turns loss into lateness: a loss is a stall."""

    delay_ms: float = setting(0.0, "added to everything, each way", low=0.0, high=10_000.0)
    jitter_ms: float = setting(0.0, "up to this much more, changing", low=0.0, high=10_000.0)
    stalls_a_minute: float = setting(0.0, "a phone's lost segments that TCP had to send again", low=0.0, high=600.0)
    stall_ms: float = setting(300.0, "how long such a stall lasts (a retransmission time-out)", low=0.0, high=60_000.0)
    cuts_a_minute: float = setting(0.0, "times a phone's connection carries nothing", low=0.0, high=60.0)
    cut_s: float = setting(3.0, "for how long", low=0.0, high=60.0)
    drop_share: float = setting(0.0, "packets that vanish (a fault no healthy house has)", low=0.0, high=1.0)
    swallow_section: str = setting("", "a section whose packets vanish (a fault no healthy house has)")

    @property
    def clear(self) -> bool:
        """True when there is nothing to do to the traffic."""
        return dataclasses.replace(self, stall_ms=0.0, cut_s=0.0) == Air(stall_ms=0.0, cut_s=0.0)


@dataclass(frozen=True, slots=True)
class Clocks:
    """``[clocks]``: phones' clocks."""

    drift_ppm: float = setting(40.0, "crystals differ by up to this much, both ways", low=0.0, high=1000.0)
    jump_share: float = setting(0.0, "phones whose clock is set during the evening", low=0.0, high=1.0)
    jump_s: float = setting(5.0, "by up to this much, both ways", low=0.0, high=3600.0)


@dataclass(frozen=True, slots=True)
class Vandals:
    """``[vandals]``: clients that break the rules, each count beside the good phones."""

    garbage: int = setting(0, "send bytes that are no handshake", low=0, high=1000)
    slow: int = setting(0, "begin a handshake and never end it", low=0, high=1000)
    malformed: int = setting(0, "join with a card and send broken packets", low=0, high=1000)
    oversized: int = setting(0, "send messages of 1 MB", low=0, high=1000)
    flooding: int = setting(0, "send empty messages as fast as they can", low=0, high=1000)
    deaf: int = setting(0, "never read what they are sent", low=0, high=1000)

    @property
    def total(self) -> int:
        return sum(getattr(self, f.name) for f in dataclasses.fields(self))


@dataclass(frozen=True, slots=True)
class HouseEvents:
    """``[house]``: what happens to a self-contained house; ignored (and said so) against a running one."""

    rest_s: float = setting(20.0, "length of the resting baseline after everybody joined", low=0.0, high=600.0)
    restart_relay_at_s: float = setting(0.0, "stop the house's door and start it again; 0 never", low=0.0)
    rest_at_s: float = setting(-1.0, "when the rest begins; below 0 when everybody joined", low=-1.0)


@dataclass(frozen=True, slots=True)
class Limit:
    """``[limit]``: find the number of phones at which an objective breaks."""

    start: int = setting(0, "phones of the first step; 0: this scenario does not look for a limit", low=0)
    growth: float = setting(1.6, "each step has this many times more", low=1.05, high=4.0)
    step_s: float = setting(12.0, "length of a step's measurement", low=2.0, high=600.0)
    settle_s: float = setting(5.0, "time after a change before measuring", low=0.5, high=600.0)
    resolution: float = setting(0.08, "stop when the 90 % interval is this close around its middle", low=0.01, high=0.5)
    tries: int = setting(10, "steps near the limit, at most", low=1, high=100)


@dataclass(frozen=True, slots=True)
class Objectives:
    """``[objectives]``: what must hold. Left out means not judged; the figure is in the report either way."""

    join_p99_s: float | None = setting(None, "from wanting to join to welcome", low=0.0)
    connect_failures: float | None = setting(None, "share of connection attempts that failed", low=0.0, high=1.0)
    ack_p99_ms: float | None = setting(None, "from a packet's due time to its acknowledgement", low=0.0)
    latency_p50_ms: float | None = setting(None, "from a packet's due time to the show engine, the median", low=0.0)
    latency_p99_ms: float | None = setting(None, "from a packet's due time to the show engine", low=0.0)
    unacknowledged: float | None = setting(None, "share of packets not acknowledged at the end", low=0.0, high=1.0)
    acknowledged_lost: float | None = setting(None, "acknowledged packets the engine never took", low=0.0)
    duplicates_share: float | None = setting(None, "share of packets sent more than once", low=0.0)
    coverage: float | None = setting(None, "least published share of the phones in any section", low=0.0, high=1.0)
    house_error: float | None = setting(None, "mean distance of the house's arousal from the truth", low=0.0)
    false_rise: float | None = setting(None, "rise of the house's arousal where nobody felt anything", low=0.0)
    recovery_s: float | None = setting(None, "from a disruption's end to everybody being followed again", low=0.0)
    silence_s: float | None = setting(None, "longest time without a snapshot", low=0.0)
    step_a_second: float | None = setting(None, "largest change of the house's arousal a second", low=0.0)


@dataclass(frozen=True, slots=True)
class Scenario:
    """One load test. Times are seconds from the first join."""

    title: str = setting("Load test", "what the report is called")
    about: str = setting("", "one sentence: what this shows")
    phones: int = setting(500, "how many", low=1, high=MAX_PHONES)
    seconds: float = setting(60.0, "how long", low=1.0, high=24 * 3600.0)
    seed: int = setting(1, "everything random follows from it", low=0)
    packets_a_second: int = setting(4, "of each phone", low=1, high=10)
    probes: int = setting(24, "phones that fall silent and speak again, to time the way to the show engine", low=0)
    motion: bool = setting(False, "phones send their accelerometer too")
    bank: int = setting(128, "different simulated listeners behind the phones", low=1, high=4096)
    join: Joining = setting(Joining, "")
    disruption: tuple[Disruption, ...] = setting((), "")
    moment: tuple[MomentSetting, ...] = setting((), "")
    happening: tuple[HappeningSetting, ...] = setting((), "")
    traits: TraitSetting = setting(TraitSetting, "")
    air: Air = setting(Air, "")
    clocks: Clocks = setting(Clocks, "")
    vandals: Vandals = setting(Vandals, "")
    house: HouseEvents = setting(HouseEvents, "")
    limit: Limit = setting(Limit, "")
    objectives: Objectives = setting(Objectives, "")

    def programme(self) -> Programme:
        """The evening that the simulated listeners feel."""
        moments = tuple(Moment(m.onset_s, m.rise_s, m.hold_s, m.fall_s, m.strength, self.title) for m in self.moment)
        happenings = tuple(Happening(h.kind, h.start_s, h.stop_s, h.strength, h.rate_hz) for h in self.happening)
        return Programme(self.title, self.seconds, (EveningPart(0.0, "rest", self.title),), moments, happenings)

    def people(self) -> Traits:
        """The simulated listeners' traits."""
        return Traits(**dataclasses.asdict(self.traits))


def names() -> list[str]:
    """The built-in scenarios."""
    return sorted(path.stem for path in BUILT_IN.glob("*.toml"))


def load(name: str, **changes: object) -> Scenario:
    """A built-in scenario by name, or a file; ``changes`` replace top-level settings (None: keep).

    Raises SettingsProblems with every error of the file at once.
    """
    path = Path(name) if name.endswith(".toml") else BUILT_IN / f"{name}.toml"
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        reason = error.strerror or str(error)
        raise SettingsProblems([f"scenario {name}: {reason}; built in are {', '.join(names())}"]) from error
    return parse(text, str(name), **changes)


def parse(text: str, name: str, **changes: object) -> Scenario:
    """A scenario from TOML text. Raises SettingsProblems."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsProblems([f"scenario {name}: {error}"]) from error
    table |= {key: value for key, value in changes.items() if value is not None}
    try:
        return read(Scenario, table)
    except SettingsProblems as error:
        raise SettingsProblems([f"scenario {name}: {p}" for p in error.problems]) from error
