"""One generator process: phones on their schedule, reporting once a second to the conductor. Shell.

``python -m loadtest.generator HOST PORT KEY`` connects to a conductor (this machine's or another's), is told its share
of the phones, and runs. The line protocol is JSON both ways, one object a line. The generator measures itself: how
late it was against its own schedule, and the CPU it used.
"""

from __future__ import annotations

import argparse
import contextlib
import gc
import os
import resource
import select
import socket
import ssl
import sys
import time
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
import orjson

from loadtest import schedule
from loadtest.bank import Bank
from loadtest.clocks import PhoneClocks
from loadtest.histogram import Histogram
from loadtest.phones import Phones
from loadtest.reading import read
from loadtest.scenario import Scenario
from loadtest.schedule import SLOTS, Act, Acts
from loadtest.standing import Standing, Target
from loadtest.vandals import Mob

REPORT_EVERY_S = 1.0
SHORTEST_GRACE_S = 1.0  # the house's metrics are asked for once a second: its last count must include the end
FOLLOWED_S = 2.5  # a phone is being served while its last packet acknowledged is at most this old
LONGEST_WAIT_S = 0.01


class Link:
    """JSON lines to and from the conductor."""

    def __init__(self, sock: socket.socket) -> None:
        self._sock, self._rest = sock, b""

    def say(self, body: dict[str, Any]) -> None:
        """Send one object; waits if the conductor is behind (a report a second, so it is not)."""
        self._sock.sendall(orjson.dumps(body, option=orjson.OPT_SERIALIZE_NUMPY) + b"\n")

    def wait(self) -> dict[str, Any]:
        """The next object. Raises ConnectionError at the end."""
        while b"\n" not in self._rest:
            data = self._sock.recv(1 << 20)
            if not data:
                raise ConnectionError("the conductor is gone")
            self._rest += data
        line, _, self._rest = self._rest.partition(b"\n")
        body: dict[str, Any] = orjson.loads(line)
        return body

    def heard(self) -> dict[str, Any] | None:
        """The next object if there is one."""
        if b"\n" in self._rest or select.select([self._sock], [], [], 0)[0]:
            return self.wait()
        return None


class Generator:
    """The phones of one share, from its plan (see ``conductor.share_of``)."""

    def __init__(self, plan: dict[str, Any], link: Link) -> None:
        self.link, self.empty_bytes = link, _peak_bytes()
        self.scenario = read(Scenario, plan["scenario"])
        self.span_s = 1.0 / self.scenario.packets_a_second
        self.start_s = float(plan["start_s"])
        self.grace_s = float(plan["grace_s"])
        target = Target(**{**plan["target"], "tls": _tls(plan["target"]["tls"]), "sources": tuple(plan["sources"])})
        first, tokens = int(plan["first"]), plan["tokens"]
        bank = Bank(self.scenario, keep=int(20 / self.span_s))
        self.phones = Phones(
            bank, PhoneClocks(self.scenario), target, tokens, first=first, seed=self.scenario.seed,
            span_s=self.span_s, start_s=self.start_s, probes=schedule.probes(self.scenario),
        )  # fmt: skip
        self.sections = np.asarray(plan["sections"], np.int64)
        self.acts = Acts(np.empty(0), np.empty(0, np.int64), np.empty(0, np.int8))
        if not self.scenario.limit.start:
            self.acts = schedule.acts(self.scenario).of(first, first + len(tokens))
        self.mob = Mob(self.scenario.vandals, plan["vandal_tokens"], target) if first == 0 else None
        self._late_s: list[float] = []
        self.woken: list[tuple[int, float]] = []
        self.ended = False
        self._next_slot = self._next_act = 0
        self._cpu_s, self._reported_s = time.process_time(), time.monotonic()

    def run(self) -> None:
        """Until the scenario's end and its grace, or until told to stop."""
        for span in range(2):
            self.phones.bank.prepare(span)
        gc.collect()
        gc.disable()  # no cycles are made a packet; a collection over 20,000 phones would be our own lateness
        end_s = self.start_s + self.scenario.seconds
        while not self.ended and time.monotonic() < end_s + self.grace_s and not self._settled(end_s):
            self._step(end_s)
        self._report(final=True)
        if self.mob is not None:
            self.mob.close()
        self.phones.farewell()

    def _settled(self, end_s: float) -> bool:
        """After the last packet: nobody owes anything any more, and the house had a moment to show it."""
        if time.monotonic() < end_s + SHORTEST_GRACE_S:
            return False
        p = self.phones
        return bool((p.lowest >= p.sent)[p.measures].all())

    def _step(self, end_s: float) -> None:
        now_s = time.monotonic()
        self._act(now_s)
        due_s = self._slot_due_s()
        while due_s <= now_s and due_s < end_s:
            self._slot(due_s)
            due_s = self._slot_due_s()
            now_s = time.monotonic()
        self.phones.turn(min(due_s - now_s, LONGEST_WAIT_S) if due_s < end_s else LONGEST_WAIT_S)
        if now_s - self._reported_s >= REPORT_EVERY_S:
            self.phones.expire(now_s)
            self._report()
            self._obey()

    def _slot_due_s(self) -> float:
        span, slot = divmod(self._next_slot, SLOTS)
        return self.start_s + (span + 1 + slot / SLOTS) * self.span_s

    def _slot(self, due_s: float) -> None:
        span, slot = divmod(self._next_slot, SLOTS)
        self._next_slot += 1
        self._late_s.append(time.monotonic() - due_s)
        self.phones.send_slot(slot, span, self.woken)
        if slot == SLOTS // 2:
            self.phones.bank.prepare(span + 1)  # ahead of its time, in a pause of the schedule
        if self.mob is not None and self.mob.members:
            self.mob.step()

    def _act(self, now_s: float) -> None:
        acts = self.acts
        while self._next_act < len(acts.at_s) and self.start_s + acts.at_s[self._next_act] <= now_s:
            j = self._next_act
            self._next_act += 1
            self.phones.act(int(acts.phone[j]), int(acts.act[j]), now_s, self.start_s + float(acts.at_s[j]))

    def _obey(self) -> None:
        while (order := self.link.heard()) is not None:
            if order["do"] == "stop":
                self.ended = True
            elif order["do"] == "target":
                self._aim(int(order["phones"]), float(order["over_s"]))

    def _aim(self, phones: int, over_s: float) -> None:
        """Phones below this number of the house join within ``over_s``; those above go to sleep."""
        numbers, wanted = self.phones.numbers, self.phones.wanted
        new, old = np.flatnonzero((numbers < phones) & ~wanted), np.flatnonzero((numbers >= phones) & wanted)
        at_s = time.monotonic() - self.start_s + np.arange(len(new)) / max(len(new), 1) * over_s
        now_s = time.monotonic()
        for i in old.tolist():
            self.phones.act(i, Act.SLEEP, now_s, now_s)
        self.acts = Acts(at_s, new, np.full(len(new), Act.JOIN, np.int8))
        self._next_act = 0

    def _report(self, *, final: bool = False) -> None:
        now_s, cpu_s = time.monotonic(), time.process_time()
        p = self.phones
        p.settle_acks()
        late = Histogram()
        late.record(self._late_s)
        span = int((now_s - self.start_s) / self.span_s) - 1
        streaming = (p.state == Standing.STREAMING) & p.measures
        followed = streaming & (p.lowest >= span - FOLLOWED_S / self.span_s)
        grown = p.measures & ~p.is_probe
        body = {
            "now_s": now_s - self.start_s,
            "wall_s": now_s - self._reported_s,
            "cpu_s": cpu_s - self._cpu_s,
            "counts": asdict(p.counts),
            "joins": p.joins.dump(),
            "acks": p.acks.dump(),
            "late": late.dump(),
            "woken": [[n, at_s - self.start_s] for n, at_s in self.woken],
            "wanted": int(p.wanted.sum()),
            "streaming": int(streaming.sum()),
            "followed": int(followed.sum()),
            "owed": int(np.maximum(p.sent - p.lowest, 0)[grown].sum()),
            "made": int((p.highest - p.shift)[grown].sum()),
            "sections": np.bincount(self.sections[streaming & ~p.is_probe], minlength=int(self.sections.max()) + 1),
            "memory_bytes": _peak_bytes(),
            "empty_bytes": self.empty_bytes,
            "vandals": asdict(self.mob.counts) if self.mob is not None else {},
            "final": final,
        }
        self.link.say(body)
        p.joins, p.acks, self._late_s, self.woken = Histogram(), Histogram(), [], []
        self._cpu_s, self._reported_s = cpu_s, now_s


def _peak_bytes() -> int:
    """The most memory that this process ever held."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def _tls(authority: str | None) -> ssl.SSLContext | None:
    """None for plain; ``system`` trusts the system's authorities; else a file with the house's own."""
    if authority is None:
        return None
    return ssl.create_default_context(cafile=None if authority == "system" else authority)


def main(argv: Sequence[str]) -> int:
    """Be one generator of a conductor's; returns 0 when the run is over."""
    parser = argparse.ArgumentParser(prog="loadtest.generator", description="One generator process of a load test.")
    parser.add_argument("host")
    parser.add_argument("port", type=int)
    parser.add_argument("key", help="what the conductor printed")
    args = parser.parse_args(argv)
    raise_file_limit()
    sock = socket.create_connection((args.host, args.port), timeout=10.0)
    sock.settimeout(None)
    link = Link(sock)
    link.say({"key": args.key, "cores": os.cpu_count(), "pid": os.getpid()})
    try:
        while (order := link.wait())["do"] == "echo":  # the conductor measures how far apart our clocks are
            link.say({"monotonic_s": time.monotonic()})
        Generator(order["plan"], link).run()
        with contextlib.suppress(ConnectionError):
            link.wait()  # stay until the conductor has read everything
    except (ConnectionError, KeyboardInterrupt):
        return 1
    return 0


def raise_file_limit() -> int:
    """As many open files as this user may have; a phone needs one. Returns the limit."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft < hard:
        resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
    return hard


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
