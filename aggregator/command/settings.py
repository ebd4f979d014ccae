"""The settings of one performance: evening.toml, overridden by the environment and by options.

Unknown keys and unknown ``RIPIENO_…`` variables are errors; all errors are reported at once, each with its key, the
value found and what is allowed.
"""

from __future__ import annotations

import os
import tomllib
import types
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from datetime import datetime
from pathlib import Path
from typing import Any, Union, get_args, get_origin, get_type_hints

from aggregator.command.admission import are_retired, is_moment, moment_s
from relay.bus import SHARDS
from relay.hello import MAX_LABEL_LETTERS
from relay.seat_plan import MAX_SEATS

ENVIRONMENT_PREFIX = "RIPIENO_"
#: Variables of that prefix which are not settings.
ENVIRONMENT_OTHER = frozenset({"RIPIENO_VENV"})


class SettingsError(ValueError):
    """Everything that is wrong with the settings, one line each in ``problems``."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


def _setting(default: Any, help_text: str, allowed: str = "", check: Callable[[Any], bool] | None = None) -> Any:
    return field(default=default, metadata={"help": help_text, "allowed": allowed, "check": check})


def _port(value: int) -> bool:
    return 0 <= value <= 65535


@dataclass(frozen=True, slots=True)
class EveningSettings:
    """``[evening]``: which performance this is."""

    id: str = _setting(
        "evening", "name of this performance; seat tokens and pseudonyms are valid for it alone",
        "1..64 characters", lambda v: 0 < len(v) <= 64,
    )  # fmt: skip
    seats: int = _setting(
        200, "seats, when no plan file is given (an even hall)", f"1..{MAX_SEATS}", lambda v: 0 < v <= MAX_SEATS
    )
    plan: str = _setting("", "seat plan file (TOML); empty: an even hall of `seats` seats")
    keyring: str = _setting("keyring.json", "file with the secrets behind seat tokens; made when missing")
    opens: str = _setting(
        "", "seat tokens let in from then on; empty: at once. `ripieno check` needs it open",
        "2027-03-05T18:00:00+01:00", is_moment,
    )  # fmt: skip
    closes: str = _setting(
        "", "and until then; empty: no end", "2027-03-05T23:30:00+01:00, after evening.opens", is_moment
    )
    revoked: tuple[str, ...] = _setting(
        (), "cards retired: this printing of that seat's card and all before it, whatever its role; "
        "`ripieno seats --generation G` prints the next one",
        "SEAT:GENERATION, as \"117:0\"", are_retired,
    )  # fmt: skip
    consent_text: str = _setting(
        "1", "version of the text that listeners say yes to; with another one everybody is asked again",
        f"1..{MAX_LABEL_LETTERS} printable characters", lambda v: 0 < len(v) <= MAX_LABEL_LETTERS and v.isprintable(),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class RelaySection:
    """``[relay]``: the door for phones."""

    listen: str = _setting("127.0.0.1", "address that phones reach; 127.0.0.1 is this machine only")
    port: int = _setting(9401, "TCP port for phones", "0..65535 (0: any free)", _port)
    workers: int = _setting(1, "relay processes that share the port", "1..64", lambda v: 1 <= v <= 64)
    tls_certificate: str = _setting(
        "", "PEM file with certificate and chain: phones connect by wss://, encrypted. Empty: a proxy in front does, "
        "or nobody. A new file is read at the next start",
    )  # fmt: skip
    tls_key: str = _setting("", "PEM file with the certificate's key, not encrypted; goes with relay.tls_certificate")


@dataclass(frozen=True, slots=True)
class BusSection:
    """``[bus]``: what carries entries from relay to aggregator."""

    url: str = _setting(
        "memory", "memory (one process) or redis://, redis+sentinel://, redis+cluster:// for scale-out",
        "memory, redis://…, rediss://…, redis+sentinel://…, redis+cluster://…",
        lambda v: v == "memory" or v.split("://")[0] in {"redis", "rediss", "redis+sentinel", "redis+cluster"},
    )  # fmt: skip
    accepted: str = _setting(
        "process", "what an acknowledgement promises: process (survives a process kill) or replica (a lost primary)",
        "process or replica", lambda v: v in {"process", "replica"},
    )  # fmt: skip
    password_file: str = _setting("", "file whose first line is the bus's password")


@dataclass(frozen=True, slots=True)
class EngineSection:
    """``[engine]``: ticks and the resting baseline."""

    tick_hz: float = _setting(20.0, "snapshots a second", "1..44", lambda v: 1 <= v <= 44)
    rest_s: float = _setting(
        120.0, "length of the resting baseline; under 120 s its confidence is lower", "10..600",
        lambda v: 10 <= v <= 600,
    )  # fmt: skip
    skin_response_minimum_us: float = _setting(
        0.05, "smallest skin response counted, microsiemens", "0.01..1", lambda v: 0.01 <= v <= 1
    )
    owners: int = _setting(
        1, "portions that `ripieno aggregate` shares a house's computing by; 1: every aggregator computes all of it",
        f"1..{SHARDS}", lambda v: 1 <= v <= SHARDS,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class OutputsSection:
    """``[outputs]``: what the show engine receives."""

    osc: tuple[str, ...] = _setting((), "Open Sound Control targets, HOST:PORT")
    osc_prefix: str = _setting("", "put before every address, e.g. /hall")
    osc_max_datagram_bytes: int = _setting(1472, "largest datagram", "576..65000", lambda v: 576 <= v <= 65000)
    osc_seat_confidence: bool = _setting(False, "also send each seat's confidence, /seats/confidence")
    osc_seat_messages: bool = _setting(False, "also send /seat/NNNN/… one by one (many datagrams)")
    feed_token_file: str = _setting("", "file with the token that readers of the websocket feed show; empty: no feed")
    interface: str = _setting("", "local address that outputs leave by; empty: the system chooses")


@dataclass(frozen=True, slots=True)
class MonitorSection:
    """``[monitor]``: the technician's page."""

    listen: str = _setting("127.0.0.1", "address of the page; 127.0.0.1 is this machine only")
    port: int = _setting(8080, "TCP port of the page", "0..65535 (0: any free)", _port)
    token_file: str = _setting("", "file with the operator's token; empty: made at start and printed")
    names: tuple[str, ...] = _setting(
        (),
        "names that the page answers to, beside addresses; empty: any (on 127.0.0.1 always this machine's own alone)",
    )


@dataclass(frozen=True, slots=True)
class CheckpointSection:
    """``[checkpoint]``: what a restart goes on from."""

    path: str = _setting("ripieno.checkpoint", "checkpoint file; empty: none is written")
    every_s: float = _setting(10.0, "seconds between checkpoints", "1..600", lambda v: 1 <= v <= 600)


@dataclass(frozen=True, slots=True)
class Settings:
    """All sections of evening.toml."""

    evening: EveningSettings = EveningSettings()
    relay: RelaySection = RelaySection()
    bus: BusSection = BusSection()
    engine: EngineSection = EngineSection()
    outputs: OutputsSection = OutputsSection()
    monitor: MonitorSection = MonitorSection()
    checkpoint: CheckpointSection = CheckpointSection()


def load(
    path: Path | None, environment: Mapping[str, str] | None = None, options: Mapping[str, Any] | None = None
) -> Settings:
    """Settings from a file (None: defaults), the environment and options (``"relay.port": 9401``; None is unset).

    Raises:
        SettingsError: with every problem found.
    """
    problems: list[str] = []
    found = _flatten(_read(path, problems), problems, str(path))
    found |= _from_environment(os.environ if environment is None else environment, problems)
    found |= {k: (v, f"option for {k}") for k, v in (options or {}).items() if v is not None}
    made = {}
    for section in fields(Settings):
        kind = get_type_hints(Settings)[section.name]
        made[section.name] = kind(**_section(kind, section.name, found, problems))
    settings = Settings(**made)
    problems += _together(settings)
    if problems:
        raise SettingsError(problems)
    return settings


def describe() -> list[tuple[str, str, str, str]]:
    """The settings table: (key, default, allowed, what it is), in the file's order."""
    rows = []
    for section in fields(Settings):
        for f in fields(get_type_hints(Settings)[section.name]):
            rows.append((f"{section.name}.{f.name}", _shown(f.default), f.metadata["allowed"], f.metadata["help"]))
    return rows


def _together(settings: Settings) -> list[str]:
    """What is wrong between settings that are each allowed."""
    e, r = settings.evening, settings.relay
    problems = []
    if e.opens and e.closes and moment_s(e.closes) <= moment_s(e.opens):
        problems.append(f"evening.closes: found {e.closes!r}, allowed: after evening.opens, {e.opens!r}")
    if bool(r.tls_certificate) != bool(r.tls_key):
        there, missing = ("certificate", "key") if r.tls_certificate else ("key", "certificate")
        problems.append(f"relay.tls_{missing}: found nothing, needed with relay.tls_{there}")
    return problems


def _read(path: Path | None, problems: list[str]) -> dict[str, Any]:
    if path is None:
        return {}
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        problems.append(f"{path}: cannot be read ({error.strerror}); give another file with --settings")
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        problems.append(f"{path}: not TOML: {error}")
    return {}


def _flatten(tree: Mapping[str, Any], problems: list[str], where: str) -> dict[str, tuple[Any, str]]:
    known = {key for key, *_ in describe()}
    sections = {f.name for f in fields(Settings)}
    made: dict[str, tuple[Any, str]] = {}
    for section, body in tree.items():
        if section not in sections or not isinstance(body, dict):
            problems.append(f"{where}: unknown section [{section}]; allowed: {', '.join(sorted(sections))}")
            continue
        for key, value in body.items():
            if f"{section}.{key}" in known:
                made[f"{section}.{key}"] = (value, f"{where}: {section}.{key}")
            else:
                allowed = ", ".join(sorted(k.split(".")[1] for k in known if k.startswith(section + ".")))
                problems.append(f"{where}: unknown key {section}.{key}; allowed: {allowed}")
    return made


def _from_environment(environment: Mapping[str, str], problems: list[str]) -> dict[str, tuple[Any, str]]:
    names = {ENVIRONMENT_PREFIX + key.replace(".", "_").upper(): key for key, *_ in describe()}
    made: dict[str, tuple[Any, str]] = {}
    for name, value in environment.items():
        if name in names:
            made[names[name]] = (value, f"environment: {name}")
        elif name.startswith(ENVIRONMENT_PREFIX) and name not in ENVIRONMENT_OTHER:
            problems.append(f"environment: unknown variable {name}; see `ripieno settings` for the names")
    return made


def _section(kind: type[Any], name: str, found: Mapping[str, tuple[Any, str]], problems: list[str]) -> dict[str, Any]:
    made = {}
    hints = get_type_hints(kind)
    for f in fields(kind):
        if f"{name}.{f.name}" not in found:
            continue
        value, where = found[f"{name}.{f.name}"]
        allowed = f.metadata["allowed"]
        try:
            converted = _convert(value, hints[f.name])
        except (TypeError, ValueError):
            problems.append(f"{where}: found {value!r}, allowed: {allowed or _kind_name(hints[f.name])}")
            continue
        if f.metadata["check"] is not None and not f.metadata["check"](converted):
            problems.append(f"{where}: found {value!r}, allowed: {allowed}")
            continue
        made[f.name] = converted
    return made


def _convert(value: Any, kind: Any) -> Any:
    """The value as its declared type; a string (from the environment) is read as that type."""
    if get_origin(kind) is tuple:
        parts = [p.strip() for p in value.split(",") if p.strip()] if isinstance(value, str) else value
        if not isinstance(parts, (list, tuple)) or not all(isinstance(p, str) for p in parts):
            raise TypeError
        return tuple(parts)
    if kind is bool:
        if isinstance(value, str) and value.lower() in {"true", "false", "1", "0", "yes", "no"}:
            return value.lower() in {"true", "1", "yes"}
        if not isinstance(value, bool):
            raise TypeError
        return value
    if kind is str and isinstance(value, datetime):  # TOML has moments of its own
        return value.isoformat()
    if isinstance(value, bool) or (kind is str and not isinstance(value, str)):
        raise TypeError
    if kind is int and isinstance(value, float) and not value.is_integer():
        raise TypeError
    return kind(value)


def _kind_name(kind: Any) -> str:
    if get_origin(kind) is tuple:
        return "a list of strings"
    if get_origin(kind) in (Union, types.UnionType):
        return " or ".join(_kind_name(k) for k in get_args(kind))
    return {str: "a string", int: "a whole number", float: "a number", bool: "true or false"}.get(kind, str(kind))


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return "[]" if not value else "[" + ", ".join(f'"{v}"' for v in value) + "]"
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"
