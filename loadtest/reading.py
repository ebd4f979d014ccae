"""Reading a TOML table into frozen dataclasses: unknown keys are errors, and all errors come at once. Pure.

A field's metadata may hold ``low`` and ``high`` (numbers), ``among`` (names) and is described by ``help``.
"""

from __future__ import annotations

import dataclasses
import types
from collections.abc import Mapping
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

T = TypeVar("T")


class SettingsProblems(ValueError):
    """Everything wrong with a file, a line each in ``problems``: key, what was found, what is allowed."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


def setting(default: Any, help_text: str, **limits: Any) -> Any:
    """A field with a default, a sentence, and ``low``, ``high`` or ``among``."""
    metadata = {"help": help_text, **limits}
    if callable(default):
        return dataclasses.field(default_factory=default, metadata=metadata)
    return dataclasses.field(default=default, metadata=metadata)


def read(kind: type[T], table: Mapping[str, Any]) -> T:
    """The dataclass that a parsed TOML table describes. Raises SettingsProblems."""
    problems: list[str] = []
    made = _table(kind, table, "", problems)
    if problems or made is None:
        raise SettingsProblems(problems)
    return made


def _table(kind: type[T], table: Any, where: str, problems: list[str]) -> T | None:
    if not isinstance(table, Mapping):
        problems.append(f"{where.rstrip('.')}: found {table!r}, allowed a table")
        return None
    hints = get_type_hints(kind)
    known = {f.name: f for f in dataclasses.fields(kind)}  # type: ignore[arg-type]
    for key in table:
        if key not in known:
            problems.append(f"{where}{key}: unknown key, allowed {', '.join(known)}")
    before = len(problems)
    values = {
        name: _value(hints[name], table[name], f"{where}{name}", field.metadata, problems)
        for name, field in known.items()
        if name in table
    }
    if len(problems) > before:
        return None
    try:
        return kind(**values)
    except (ValueError, TypeError) as error:
        problems.append(f"{where.rstrip('.') or 'file'}: {error}")
        return None


def _value(hint: Any, found: Any, where: str, limits: Mapping[str, Any], problems: list[str]) -> Any:
    inner = _bare(hint)
    if dataclasses.is_dataclass(inner):
        return _table(inner, found, where + ".", problems)  # type: ignore[arg-type]
    if get_origin(inner) is tuple:
        return _sequence(inner, found, where, limits, problems)
    if inner is float and isinstance(found, int) and not isinstance(found, bool):
        found = float(found)
    if type(found) is not inner or not _within(found, limits):
        problems.append(f"{where}: found {found!r}, allowed {_allowed(inner, limits)}")
    return found


def _sequence(hint: Any, found: Any, where: str, limits: Mapping[str, Any], problems: list[str]) -> Any:
    if not isinstance(found, list):
        problems.append(f"{where}: found {found!r}, allowed a list")
        return ()
    inner = get_args(hint)
    if inner[-1] is not Ellipsis and len(found) != len(inner):
        problems.append(f"{where}: found {len(found)} values, allowed {len(inner)}")
        return ()
    return tuple(_value(inner[0], item, f"{where}[{place}]", limits, problems) for place, item in enumerate(found))


def _bare(hint: Any) -> Any:
    """The type in ``X | None``."""
    if get_origin(hint) in (Union, types.UnionType):
        return next(arg for arg in get_args(hint) if arg is not type(None))
    return hint


def _within(found: Any, limits: Mapping[str, Any]) -> bool:
    if "among" in limits:
        return found in limits["among"]
    if isinstance(found, (int, float)) and not isinstance(found, bool):
        return bool(limits.get("low", float("-inf")) <= found <= limits.get("high", float("inf")))
    return True


def _allowed(kind: Any, limits: Mapping[str, Any]) -> str:
    if "among" in limits:
        return ", ".join(map(str, limits["among"]))
    name = {int: "a whole number", float: "a number", bool: "true or false", str: "text"}.get(kind, str(kind))
    if "low" in limits or "high" in limits:
        return f"{name} {limits.get('low', '')}..{limits.get('high', '')}"
    return name


def describe(kind: type[Any], where: str = "") -> list[tuple[str, str, str, str]]:
    """Every key of a dataclass: (key, default, allowed, what it is), nested tables as ``table.key``."""
    rows: list[tuple[str, str, str, str]] = []
    hints = get_type_hints(kind)
    for field in dataclasses.fields(kind):
        inner = _bare(hints[field.name])
        repeated = get_origin(inner) is tuple
        item = get_args(inner)[0] if repeated else inner
        if dataclasses.is_dataclass(item):
            rows += describe(item, f"{where}[{field.name}]." if repeated else f"{where}{field.name}.")  # type: ignore[arg-type]
            continue
        default = field.default if field.default is not dataclasses.MISSING else ""
        shown = "" if default is None else str(list(default) if isinstance(default, tuple) else default)
        rows.append((where + field.name, shown, _allowed(item, field.metadata), field.metadata.get("help", "")))
    return rows
