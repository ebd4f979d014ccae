"""The architecture, executable: which way imports point, no cycles, and what pure modules may not reach."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ("relay", "aggregator", "loadtest")
ROOT_OF_COMPOSITION = "aggregator.command"
ALLOWED = {"relay": {"relay"}, "aggregator": {"aggregator", "relay"}, "loadtest": {"loadtest", "relay"}}
IMPURE = {
    "asyncio", "socket", "aiohttp", "websockets", "picows", "redis", "time", "logging", "prometheus_client",
    "threading", "subprocess", "uvloop", "ssl", "random", "secrets",
}  # fmt: skip
PURE = {
    "relay": {"wire", "session", "entries", "seat_card", "parts", "seat_plan", "outbox", "reread"},
    "aggregator": {
        "listeners", "intake", "clock", "states", "engine", "snapshot", "merger", "house", "synchrony", "linkage",
        "after_show", "outputs.osc", "dsp", "portions", "shards", "parts_wire", "collector",
    },
    "loadtest": {
        "physiology", "programme", "schedule", "histogram", "verdict", "training", "check_line", "check_rules",
        "check_routes", "check_tokens", "check_certificate", "check_causes",
    },
}  # fmt: skip


def is_root(name: str) -> bool:
    """The command itself, and ``python -m aggregator``, which is the same."""
    return name == "aggregator.__main__" or name == ROOT_OF_COMPOSITION or name.startswith(ROOT_OF_COMPOSITION + ".")


def modules() -> dict[str, Path]:
    found = {}
    for package in PACKAGES:
        for path in sorted((ROOT / package).rglob("*.py")):
            name = ".".join(path.relative_to(ROOT).with_suffix("").parts)
            found[name.removesuffix(".__init__")] = path
    return found


@cache
def imports(name: str) -> frozenset[str]:
    """What a module imports at run time, as full dotted names (imports under TYPE_CHECKING left out)."""
    known = modules()
    tree = ast.parse(known[name].read_text())
    typing_only = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)
        for inner in ast.walk(node)
    }
    made: set[str] = set()
    for node in ast.walk(tree):
        if id(node) in typing_only:
            continue
        if isinstance(node, ast.Import):
            made.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name}: relative import"
            assert node.module
            made.add(node.module)
            made.update(f"{node.module}.{a.name}" for a in node.names if f"{node.module}.{a.name}" in known)
    return frozenset(made)


@cache
def reached(name: str) -> frozenset[str]:
    """Top-level names a module reaches, transitively through our own modules."""
    seen, queue, outside = set(), [name], set()
    known = modules()
    while queue:
        here = queue.pop()
        if here in seen:
            continue
        seen.add(here)
        for target in imports(here):
            if target.split(".")[0] in PACKAGES:
                queue.extend([target] if target in known else [])
            else:
                outside.add(target.split(".")[0])
    return frozenset(outside)


def pure_modules() -> list[str]:
    return [
        name
        for name in modules()
        for package, rooms in PURE.items()
        if any(name == f"{package}.{room}" or name.startswith(f"{package}.{room}.") for room in rooms)
    ]


@pytest.mark.parametrize("name", modules())
def test_arrows_point_one_way(name: str) -> None:
    if is_root(name):
        return
    package = name.split(".")[0]
    ours = {t for t in imports(name) if t.split(".")[0] in PACKAGES}
    assert {t.split(".")[0] for t in ours} <= ALLOWED[package], f"{name} imports {sorted(ours)}"
    assert not any(t.startswith(ROOT_OF_COMPOSITION) for t in ours), f"{name} imports the composition root"


def test_no_cycles() -> None:
    known = modules()
    done: set[str] = set()

    def walk(name: str, path: tuple[str, ...]) -> None:
        assert name not in path, f"cycle: {' -> '.join((*path, name))}"
        if name in done:
            return
        for target in sorted(imports(name)):
            if target in known and target != name and not name.startswith(target + "."):
                walk(target, (*path, name))
        done.add(name)

    for name in known:
        walk(name, ())


@pytest.mark.parametrize("name", pure_modules())
def test_pure_modules_reach_no_shell(name: str) -> None:
    assert not reached(name) & IMPURE, f"{name} reaches {sorted(reached(name) & IMPURE)}"


def test_every_pure_room_exists() -> None:
    missing = [
        f"{package}.{room}" for package, rooms in PURE.items() for room in rooms if f"{package}.{room}" not in modules()
    ]
    assert not missing


def test_the_rule_can_fail() -> None:
    """The walk sees through our own modules: the composition root does reach a shell."""
    assert "asyncio" in reached("aggregator.service")
