"""A house behind bad air: phones and relay in two network namespaces, between them a link that loses, delays, reorders
and cuts. Run by hand, as root on Linux (it makes two namespaces of its own and removes them)::

    python -m tests.air                          40 phones, 2 % lost, 40 ms +- 30 ms, cuts of 3 and 30 s
    python -m tests.air --phones 200 --loss 0.05

The link is a pair of TUN devices whose packets this process carries, so it needs nothing from the kernel's traffic
control. Exit code 0: after the 3 s cut nobody was lost, after the 30 s cut everybody came back, and every packet was
acknowledged or given up by its phone in words (skip).
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import csv
import ctypes
import fcntl
import heapq
import json
import os
import random
import select
import struct
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

PHONES, HOUSE = f"ripieno-phones-{os.getpid()}", f"ripieno-house-{os.getpid()}"
PHONES_ADDRESS, HOUSE_ADDRESS, PORT, PAGE = "10.77.0.1", "10.77.0.2", 9401, 8080
CLONE_NEWNET = 0x40000000  # sched.h
TUNSETIFF, IFF_TUN, IFF_NO_PI = 0x400454CA, 0x0001, 0x1000  # if_tun.h
SETTLED_S = 25.0  # a provisional baseline takes 20 s
LOST = 6


@dataclass
class Air:
    """Carries packets between two TUN devices, each with its own fate."""

    ends: tuple[int, int]
    loss: float
    delay_s: float
    jitter_s: float
    dice: random.Random
    cut: bool = False
    carried: int = 0
    dropped: int = 0
    stopping: bool = False
    _on_the_way: list[tuple[float, int, int, bytes]] = field(default_factory=list)

    def run(self) -> None:
        """Until ``stopping``; jitter greater than the gap between packets reorders them."""
        number = 0
        while not self.stopping:
            wait_s = max(0.0, self._on_the_way[0][0] - time.monotonic()) if self._on_the_way else 0.05
            for end in select.select(self.ends, [], [], min(wait_s, 0.05))[0]:
                raw = os.read(end, 65536)
                if self.cut or self.dice.random() < self.loss:
                    self.dropped += 1
                    continue
                number += 1
                at_s = time.monotonic() + self.delay_s + self.dice.uniform(-self.jitter_s, self.jitter_s)
                heapq.heappush(self._on_the_way, (at_s, number, self.ends[self.ends[0] == end], raw))
            while self._on_the_way and self._on_the_way[0][0] <= time.monotonic():
                _, _, to, raw = heapq.heappop(self._on_the_way)
                with contextlib.suppress(OSError):
                    os.write(to, raw)
                self.carried += 1


def ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True)


def tun_in(namespace: str, address: str, peer: str) -> int:
    """A TUN device in a namespace; its descriptor, usable from here."""
    made: list[int] = []

    def enter() -> None:
        with open(f"/var/run/netns/{namespace}") as inside:
            if ctypes.CDLL(None, use_errno=True).setns(inside.fileno(), CLONE_NEWNET):
                return
        end = os.open("/dev/net/tun", os.O_RDWR)
        fcntl.ioctl(end, TUNSETIFF, struct.pack("16sH", b"air", IFF_TUN | IFF_NO_PI))
        made.append(end)

    thread = threading.Thread(target=enter)  # the namespace is the thread's own and ends with it
    thread.start()
    thread.join()
    if not made:
        raise SystemExit("no TUN device: run as root on Linux")
    ip("netns", "exec", namespace, "ip", "address", "add", address, "peer", peer, "dev", "air")
    for device in ("lo", "air"):
        ip("netns", "exec", namespace, "ip", "link", "set", device, "up")
    return made[0]


@contextlib.contextmanager
def namespaces() -> Iterator[tuple[int, int]]:
    made: list[str] = []
    try:
        for name in (PHONES, HOUSE):
            ip("netns", "add", name)
            made.append(name)
        ends = tun_in(PHONES, PHONES_ADDRESS, HOUSE_ADDRESS), tun_in(HOUSE, HOUSE_ADDRESS, PHONES_ADDRESS)
        yield ends
    finally:
        for name in made:
            subprocess.run(["ip", "netns", "del", name], capture_output=True)


def inside(namespace: str, *words: str, folder: Path, **how: object) -> subprocess.Popen[str]:
    return subprocess.Popen(  # type: ignore[call-overload,no-any-return]
        ["ip", "netns", "exec", namespace, sys.executable, *words], cwd=folder, text=True, **how
    )


def states() -> list[int]:
    """Seats by state on the page, read from inside the house's namespace."""
    with inside(HOUSE, "-m", "tests.air", "--page", folder=Path.cwd(), stdout=subprocess.PIPE) as process:
        out, _ = process.communicate(timeout=20)
    made: list[int] = json.loads(out)["states"]
    return made


def watch(seconds: float, until_all: int | None = None) -> int:
    """Most seats that were lost at once in this time; ends early when ``until_all`` seats follow."""
    worst, end = 0, time.monotonic() + seconds
    while time.monotonic() < end:
        found = states()
        worst = max(worst, found[LOST])
        if until_all is not None and sum(found[1:4]) >= until_all:
            return worst
        time.sleep(1.0)
    return worst


def drive(args: argparse.Namespace, air: Air, folder: Path) -> list[str]:
    """The evening; returns what went wrong."""
    wrong: list[str] = []
    words = ["-m", "tests.air", "--swarm", str(folder / "tokens.csv"), "--seconds", str(SETTLED_S + 110)]
    swarm = inside(PHONES, *words, folder=Path.cwd(), stdout=subprocess.PIPE)
    time.sleep(SETTLED_S)
    for seconds, may_lose in ((3.0, False), (30.0, True)):
        air.cut = True
        time.sleep(seconds)
        air.cut = False
        lost = watch(3.0)
        print(f"  cut of {seconds:.0f} s: {lost} of {args.phones} seats lost", flush=True)
        if (lost > 0) is not may_lose:
            wrong.append(f"after {seconds:.0f} s {lost} seats were lost")
        begun = time.monotonic()
        watch(40.0, until_all=args.phones)
        print(f"  whole again {time.monotonic() - begun + 3:.0f} s after the cut", flush=True)
        if sum(states()[1:4]) < args.phones:
            wrong.append(f"not everybody came back after {seconds:.0f} s")
    out, _ = swarm.communicate(timeout=150)
    seen = json.loads(out)
    print(f"  phones: {seen}")
    print(f"  link: {air.carried} carried, {air.dropped} dropped")
    if seen["refused"] or seen["acknowledged"] + seen["skipped"] < seen["made"] - 20 * args.phones:
        wrong.append("packets were refused or never acknowledged")
    return wrong


async def swarm_here(tokens: list[str], seconds: float) -> None:
    """Inside the phones' namespace: play, then print what the phones saw."""
    from loadtest.physiology import Audience
    from loadtest.programme import still
    from loadtest.swarm import Swarm

    swarm = Swarm(f"ws://{HOUSE_ADDRESS}:{PORT}/phone", tokens, Audience(len(tokens), 7, still(3600.0)))
    await swarm.join(timeout_s=40)
    await swarm.run(seconds)
    seen = swarm.statistics()
    await swarm.close()
    told = {
        name: getattr(seen, name) for name in ("connects", "packets", "acknowledged", "skipped", "resent", "refused")
    }
    print(json.dumps({**told, "made": sum(p.delivery.made for p in swarm.phones)}))


def main() -> int:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--phones", type=int, default=40)
    p.add_argument("--loss", type=float, default=0.02, help="share of packets lost each way (default 0.02)")
    p.add_argument("--delay-ms", type=float, default=40.0)
    p.add_argument("--jitter-ms", type=float, default=30.0)
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--page", action="store_true", help=argparse.SUPPRESS)
    p.add_argument("--swarm", help=argparse.SUPPRESS)
    p.add_argument("--seconds", type=float, default=0.0, help=argparse.SUPPRESS)
    args = p.parse_args()
    if args.page:
        with urllib.request.urlopen(f"http://127.0.0.1:{PAGE}/api/state", timeout=10) as answer:
            print(json.dumps(json.loads(answer.read())["now"]))
        return 0
    if args.swarm:
        with open(args.swarm) as file:
            tokens = [row["token"] for row in csv.DictReader(file)]
        asyncio.run(swarm_here(tokens, args.seconds))
        return 0
    with tempfile.TemporaryDirectory() as made, namespaces() as ends:
        folder = Path(made)
        (folder / "evening.toml").write_text(
            f'[evening]\nseats = {args.phones}\nkeyring = "{folder}/keyring.json"\n[checkpoint]\npath = ""\n'
            f'[relay]\nlisten = "{HOUSE_ADDRESS}"\nport = {PORT}\n[monitor]\nport = {PAGE}\n'
        )
        settings = ["--settings", str(folder / "evening.toml")]
        subprocess.run(
            [sys.executable, "-m", "aggregator", "seats", *settings, "--out", str(folder / "tokens.csv")], check=True
        )
        air = Air(ends, args.loss, args.delay_ms / 1000, args.jitter_ms / 1000, random.Random(args.seed))
        threading.Thread(target=air.run, daemon=True).start()
        house = inside(HOUSE, "-m", "aggregator", "serve", *settings, folder=Path.cwd(), stderr=subprocess.DEVNULL)
        try:
            time.sleep(5.0)
            wrong = drive(args, air, folder)
        finally:
            house.terminate()
            house.wait(20)
            air.stopping = True
    print("passed" if not wrong else "FAILED: " + "; ".join(wrong))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
