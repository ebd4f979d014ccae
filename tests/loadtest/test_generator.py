"""Generator processes led by a conductor, against an independent websocket server around the real session table."""

from __future__ import annotations

import asyncio
import os
import signal
import ssl
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from loadtest import figures, report, verdict
from loadtest.bank import Bank
from loadtest.clocks import PhoneClocks
from loadtest.conductor import Conductor
from loadtest.house import Cards, House
from loadtest.lead import Lead
from loadtest.measures import Measures
from loadtest.run import judged
from loadtest.scenario import Scenario, parse
from loadtest.verdict import Outcome
from relay.seat_card import issue, pseudonym
from relay.wire import Packet, decode
from tests.loadtest.helper_relay import SmallRelay, small_relay

SECONDS = 2.0
GRACE_S = 2.0  # where packets are never acknowledged nothing ends a run sooner
BASE = f"phones = 40\nseconds = {SECONDS}\nprobes = 0\npackets_a_second = 4\n[join]\nover_s = 0.3\n"


@dataclass(slots=True)
class Ran:
    """A run that ended, and what the relay kept of it."""

    conductor: Conductor
    lead: Lead
    relay: SmallRelay
    cards: Cards

    @property
    def measures(self) -> Measures:
        return self.conductor.measures

    def packets(self, phone: int) -> list[Packet]:
        """One phone's packets as the relay kept them."""
        house = self.relay.house
        listener = pseudonym(house.keyring, house.evening, self.cards.tokens[phone])
        return [decode(self.relay.kept[key]) for key in sorted(self.relay.kept) if key[0] == listener]


async def ran(
    scenario: Scenario, *, workers: int = 1, holding: bool = False, interrupted: bool = False, stop_for_s: float = 0.0,
    joining: bool = False, certificate: Path | None = None,
) -> Ran:  # fmt: skip
    """Run a scenario.

    ``interrupted``: cancel once packets were sent; ``stop_for_s``: starve the generator; ``joining``: a second
    generator comes by ``--join``; ``certificate``: a file with key and certificate, for a wss house.
    """
    context = None
    if certificate is not None:
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.load_cert_chain(certificate)
    async with small_relay(tls=context) as relay:
        relay.holding = holding
        tokens = tuple(issue(relay.house.keyring, relay.house.evening, seat + 1) for seat in range(scenario.phones))
        seats = tuple(range(1, scenario.phones + 1))
        half = scenario.phones // 2
        sections = tuple(int(seat > half) for seat in seats)
        cards = Cards(seats, tokens, ("stalls", "circle"), sections)
        lead = Lead(scenario, lambda _text: None)
        house = House(phone_url=relay.url.replace("ws:", "wss:") if context else relay.url, cards=cards)
        joiners: list[subprocess.Popen[bytes]] = []

        def say(text: str) -> None:
            if "--join" in text:
                command = text.split("ripieno loadtest ")[1].replace("HOST", "127.0.0.1").split()
                joiners.append(subprocess.Popen([sys.executable, "-m", "aggregator", "loadtest", *command]))

        conductor = Conductor(scenario, house, cards, Measures(), None, workers=workers, say=say,
                              start_in_s=0.3, grace_s=GRACE_S, joiners=int(joining),
                              authority=str(certificate) if certificate else None)  # fmt: skip
        started = asyncio.Event()
        conductor.each_second = lambda measures: started.set() if measures.total("packets") else None
        task = asyncio.create_task(conductor.run(lead))
        if interrupted:
            async with asyncio.timeout(20.0):
                await started.wait()
            task.cancel()  # somebody presses Ctrl-C
        if stop_for_s:
            async with asyncio.timeout(20.0):
                await started.wait()
            os.kill(conductor.peers[0].pid, signal.SIGSTOP)
            await asyncio.sleep(stop_for_s)
            os.kill(conductor.peers[0].pid, signal.SIGCONT)
        try:
            await task
        except asyncio.CancelledError:
            conductor.cut_short = True
        for joiner in joiners:
            assert await asyncio.to_thread(joiner.wait, 20) == 0
        return Ran(conductor, lead, relay, cards)


def red(run: Ran, scenario: Scenario) -> set[str]:
    """The objectives that broke."""
    found = figures.figures(scenario, Bank(scenario, 1).audience, run.measures, None, (0.0, SECONDS))
    return {j.name for j in verdict.judge(scenario.objectives, found) if not j.passed}


@pytest.mark.parametrize("workers", [1, 2])
async def test_every_packet_arrives_once_and_is_the_banks(workers: int) -> None:
    scenario = parse(BASE, "x")
    run = await ran(scenario, workers=workers)
    assert run.relay.repeats == 0
    assert run.measures.total("packets") == len(run.relay.kept)
    assert run.measures.last("owed") == 0
    assert run.measures.joins.count == 40
    bank, clocks = Bank(scenario, 100), PhoneClocks(scenario)
    for phone in (0, 7, 39):
        packets = run.packets(phone)
        assert len(packets) >= 6
        for packet in packets:
            truth = {c: samples[phone % len(bank)] for c, _, samples in bank.prepare(packet.sequence)}
            for block in packet.blocks:
                np.testing.assert_array_equal(block.samples, truth[block.channel])
            assert packet.time_us == clocks.at(np.array([phone]), packet.sequence * 0.25)[0]


async def test_a_second_generator_joins_from_elsewhere() -> None:
    run = await ran(parse(BASE, "x"), joining=True)
    assert len(run.conductor.peers) == 2
    assert all(abs(peer.ahead_s) < 0.1 for peer in run.conductor.peers)  # one machine, one monotonic clock
    assert run.relay.repeats == 0
    assert all(run.packets(phone) for phone in range(40))


async def test_a_house_behind_tls(tmp_path: Path) -> None:
    """A certificate made by openssl; the generator trusts that one alone."""
    both = tmp_path / "both.pem"
    command = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=127.0.0.1",
               "-addext", "subjectAltName=IP:127.0.0.1", "-keyout", str(both),
               "-out", str(tmp_path / "cert.pem")]  # fmt: skip
    made = await asyncio.create_subprocess_exec(*command, stderr=subprocess.DEVNULL)
    if await made.wait():
        pytest.skip("openssl is not here to make a certificate")
    both.write_bytes(both.read_bytes() + (tmp_path / "cert.pem").read_bytes())
    run = await ran(parse(BASE, "x"), certificate=both)
    assert run.measures.joins.count == 40
    assert run.measures.last("owed") == 0


async def test_cut_phones_return_and_owe_nothing() -> None:
    text = BASE + '[[disruption]]\nkind = "cut"\nat_s = 0.7\nshare = 0.5\naway_s = [0.4, 0.4]\nback_together = true\n'
    run = await ran(parse(text, "x"))
    assert run.measures.total("connects") == 60
    assert run.measures.last("owed") == 0
    for phone in range(40):
        numbers = [p.sequence for p in run.packets(phone)]
        assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))


async def test_a_share_of_lost_packets_turns_its_objective_red() -> None:
    # Of the 320 packets and more of this run 5 % is never none (0.95^320 = 7e-8; of 1 % it is, one run in 25).
    scenario = parse(BASE + "[air]\ndrop_share = 0.05\n[objectives]\nunacknowledged = 0.0\njoin_p99_s = 2.0\n", "x")
    assert red(await ran(scenario), scenario) == {"unacknowledged"}


async def test_a_swallowed_section_turns_its_objective_red() -> None:
    text = BASE + '[air]\nswallow_section = "circle"\n[objectives]\nunacknowledged = 0.0\njoin_p99_s = 2.0\n'
    scenario = parse(text, "x")
    run = await ran(scenario)
    assert red(run, scenario) == {"unacknowledged"}
    assert run.packets(0)
    assert not run.packets(39)


async def test_delay_turns_the_right_objective_red() -> None:
    goal = "[objectives]\njoin_p99_s = 0.15\nunacknowledged = 0.0\n"
    healthy, slow = parse(BASE + goal, "x"), parse(BASE + "[air]\ndelay_ms = 100.0\n" + goal, "x")
    runs = await asyncio.gather(ran(healthy), ran(slow))
    assert red(runs[0], healthy) == set()
    assert red(runs[1], slow) == {"join_p99_s"}


async def test_a_house_that_never_acknowledges_is_red() -> None:
    scenario = parse(BASE + "[objectives]\nack_p99_ms = 2000.0\nunacknowledged = 0.0\n", "x")
    assert red(await ran(scenario, holding=True), scenario) == {"ack_p99_ms", "unacknowledged"}


async def test_a_starved_generator_makes_the_run_void() -> None:
    scenario = parse(BASE, "x")
    run = await ran(scenario, stop_for_s=0.5)
    finding = judged(scenario, run.conductor, run.lead)
    assert finding.outcome is Outcome.VOID
    assert "late" in finding.void[0]
    assert run.measures.last("owed") == 0  # late, but nothing was left out


async def test_cut_short_still_reports_what_was_measured() -> None:
    scenario = parse(BASE.replace("seconds = 2.0", "seconds = 60.0"), "x")
    run = await ran(scenario, interrupted=True)
    finding = judged(scenario, run.conductor, run.lead)
    assert finding.cut_short
    assert finding.outcome is Outcome.VOID
    assert run.measures.total("packets") > 0
    assert "cut short" in report.as_html(finding)


async def test_a_stranger_does_not_become_a_generator() -> None:
    scenario = parse(BASE, "x")
    conductor = Conductor(scenario, House("ws://127.0.0.1:1/phone", Cards((), (), (), ())), Cards((), (), (), ()),
                          Measures(), None)  # fmt: skip
    server = await asyncio.start_server(lambda r, w: conductor._welcome(r, w, "right"), "127.0.0.1", 0)
    async with server:
        reader, writer = await asyncio.open_connection(*server.sockets[0].getsockname())
        writer.write(b'{"key":"wrong","pid":1}\n')
        assert await reader.read() == b""
        writer.close()
    assert conductor.peers == []
