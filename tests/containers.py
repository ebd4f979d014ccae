"""The whole compose.yaml, built and run: phones through both relays, then a container of each role killed in turn.

Run by hand, as root, on a machine with a container engine; it takes some minutes, and ports 8080, 9401 and 9402 must be
free::

    python -m tests.containers                                       docker
    python -m tests.containers --compose podman-compose --engine podman

The base images that .container/Containerfile names must be there or be pulled. Where a process may not open 65,536
files, RIPIENO_RELAY_FILES names fewer.

Exit code 0: after each kill the house came back by itself and no phone was refused.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import shlex
import signal
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

from loadtest.physiology import Audience
from loadtest.programme import still
from loadtest.swarm import Swarm

ROOT = Path(__file__).resolve().parent.parent
PAGE = "http://127.0.0.1:8080"
PHONES = 40
BACK_WITHIN_S = 45.0  # unheard for 10 s, a pause of up to 5, a restart, a lease, Redis loading its file
FRESH_MS = 1000
ROLES = ("relay-a", "aggregator-a", "aggregator-b", "bus", "monitor", "relay-b")


def run(words: list[str], *, check: bool = True) -> str:
    """What a command prints. Into files, not pipes: an engine's helpers outlive the command and must not meet a closed
    pipe when they have something to say (one that does never restarts its container)."""
    with tempfile.TemporaryFile("w+") as out, tempfile.TemporaryFile("w+") as errors:
        done = subprocess.run(words, cwd=ROOT, stdout=out, stderr=errors, stdin=subprocess.DEVNULL, timeout=900)
        out.seek(0)
        errors.seek(0)
        if check and done.returncode:
            raise SystemExit(f"{shlex.join(words)}\n{out.read()[-2000:]}{errors.read()[-2000:]}")
        return out.read()


def crash(engine: str, container: str) -> None:
    """Kill the container's process from outside: an engine's own ``kill`` counts as a wish and is not restarted."""
    pid = int(run([*shlex.split(engine), "inspect", "--format", "{{.State.Pid}}", container]))
    if pid <= 1:
        raise SystemExit(f"FAILED: {container} is not running")
    os.kill(pid, signal.SIGKILL)


def state() -> dict[str, object]:
    """What the page says; empty while it does not answer."""
    try:
        with urllib.request.urlopen(f"{PAGE}/api/state", timeout=2) as answer:
            made = json.loads(answer.read())
            now: dict[str, object] = made["now"]
            return now
    except (OSError, ValueError, KeyError):
        return {}


def fresh(said: dict[str, object]) -> bool:
    """A snapshot of the last second is on the page."""
    age = said.get("age_ms")
    return isinstance(age, (int, float)) and age < FRESH_MS


async def until(what: str, ready: object, limit_s: float) -> float:
    """Seconds until it was so. Exits with what did not come."""
    assert callable(ready)
    begun = time.monotonic()
    while not await asyncio.to_thread(ready):
        if time.monotonic() - begun > limit_s:
            raise SystemExit(f"FAILED: {what} not within {limit_s:.0f} s; the page says {json.dumps(state())[:600]}")
        await asyncio.sleep(0.25)
    return time.monotonic() - begun


async def phones(tokens: list[str], port: int) -> Swarm:
    swarm = Swarm(f"ws://127.0.0.1:{port}/phone", tokens, Audience(len(tokens), port, still(3600.0)), seed=port)
    joined = await swarm.join(timeout_s=60)
    print(f"  {joined} of {len(tokens)} phones joined through port {port}", flush=True)
    if joined < len(tokens):
        raise SystemExit("FAILED: phones did not join")
    return swarm


async def play(args: argparse.Namespace) -> None:
    words = [*shlex.split(args.engine), "exec", "ripieno_monitor_1", "/opt/ripieno/bin/ripieno", "seats"]
    rows = run(words).splitlines()[1:]
    tokens = [row.split(",")[4] for row in rows[:PHONES]]
    swarms = [await phones(tokens[: PHONES // 2], 9401), await phones(tokens[PHONES // 2 :], 9402)]
    playing = [asyncio.create_task(swarm.run(3600.0)) for swarm in swarms]
    await asyncio.sleep(10)
    for role in ROLES:
        crash(args.engine, f"ripieno_{role}_1")
        print(f"  crashed {role}", end="", flush=True)
        await asyncio.sleep(1.0)
        took = await until(
            f"house after {role}", lambda: fresh(state()) and all(whole(s) for s in swarms), BACK_WITHIN_S
        )
        print(f": whole again after {1 + took:.1f} s", flush=True)
        await asyncio.sleep(5)
    for swarm, task in zip(swarms, playing, strict=True):
        task.cancel()
        seen = swarm.statistics()
        print(f"  phones: {seen.packets} packets, {seen.acknowledged} acknowledged, {seen.skipped} given up, "
              f"{seen.resent} sent again, refused {seen.refused}")  # fmt: skip
        await swarm.close()
        told = seen.acknowledged + seen.skipped  # given up: said by the phone when its ring of 15 s was full
        if seen.refused or told < seen.packets - seen.resent - 16 * len(swarm.phones):
            raise SystemExit("FAILED: packets were refused or never acknowledged")


def whole(swarm: Swarm) -> bool:
    """Every phone is connected and welcomed."""
    seen = swarm.statistics()
    return seen.welcomed == seen.phones


def main() -> int:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--compose", default="docker compose", help="the compose command (default: docker compose)")
    p.add_argument("--engine", default="docker", help="the engine's command (default: docker)")
    p.add_argument("--keep", action="store_true", help="leave the containers running")
    args = p.parse_args()
    compose = shlex.split(args.compose)
    print("building and starting (some minutes the first time)", flush=True)
    try:
        run([*compose, "up", "--build", "-d"])
        asyncio.run(until("a snapshot on the page", lambda: fresh(state()), 90.0))
        asyncio.run(play(args))
    finally:
        if not args.keep:
            run([*compose, "down", "-v"], check=False)
    print("passed: the house came back by itself after each kill")
    return 0


if __name__ == "__main__":
    sys.exit(main())
