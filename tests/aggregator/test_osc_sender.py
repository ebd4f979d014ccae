"""The sender over real sockets on loopback: independent decoders, dead receivers, several targets."""

from __future__ import annotations

import errno
import selectors
import shutil
import socket
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import pytest
from pythonosc.osc_bundle import OscBundle

from aggregator.outputs import osc_sender
from aggregator.outputs.osc import OscSettings, ServiceState
from aggregator.outputs.osc_sender import OscSender, OscTargetError, Target, parse_target
from relay.seat_plan import generated
from tests.aggregator.helper_outputs import snapshot

PLAN = generated(600)


@contextmanager
def receiver(timeout_s: float = 5.0) -> Iterator[tuple[socket.socket, Target]]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as here:
        here.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 20)
        here.bind(("127.0.0.1", 0))
        here.settimeout(timeout_s)
        yield here, Target("127.0.0.1", here.getsockname()[1])


def received(here: socket.socket, count: int) -> list[bytes]:
    return [here.recv(65_536) for _ in range(count)]


def socket_of(sender: OscSender) -> socket.socket:
    found = sender._links[0]._socket
    assert found is not None
    return found


def status(datagram: bytes) -> list[Any]:
    return next(list(m.params) for m in OscBundle(datagram) if m.address == "/service/status")


def test_what_is_received_is_what_was_encoded() -> None:
    with receiver() as (here, target):
        sender = OscSender(PLAN, OscSettings(), [target])
        shot = snapshot(PLAN)
        count = sender.send(shot, 0.0)
        got = received(here, count)
        expected = [bytes(d) for d in sender.layout.datagrams()]
        assert count == len(expected)
        assert got == expected
        (numbers,) = sender.statistics(0.5)
        assert (numbers.sent, numbers.sent_bytes) == (count, sum(map(len, got)))
        assert numbers.age_s == 0.5
        sender.close()


def test_datagram_by_datagram_sends_the_same() -> None:
    with receiver() as (here, target):
        sender = OscSender(PLAN, OscSettings(), [target])
        sender._links[0]._counts.segmented = False
        count = sender.send(snapshot(PLAN), 0.0)
        assert received(here, count) == [bytes(d) for d in sender.layout.datagrams()]
        sender.close()


@pytest.mark.parametrize("code", ["EIO", "EINVAL", "EMSGSIZE"])
def test_a_kernel_that_does_not_cut_is_asked_once(code: str) -> None:
    class Uncut:
        """The real socket, but for ``sendmsg``, which fails as kernels and drivers without the offload do."""

        def __init__(self, real: socket.socket) -> None:
            self.real, self.asked = real, 0

        def send(self, data: memoryview) -> int:
            return self.real.send(data)

        def sendmsg(self, *_: Any) -> int:
            self.asked += 1
            raise OSError(getattr(errno, code), code)

        def close(self) -> None:
            self.real.close()

    with receiver() as (here, target):
        sender = OscSender(PLAN, OscSettings(), [target])
        uncut = Uncut(socket_of(sender))
        sender._links[0]._socket = uncut  # type: ignore[assignment]
        for k in (1, 2):
            count = sender.send(snapshot(PLAN, k, seed=k), float(k))
            assert received(here, count) == [bytes(d) for d in sender.layout.datagrams()]
        assert uncut.asked == 1
        (numbers,) = sender.statistics(2.0)
        assert (numbers.dropped, numbers.unreachable, numbers.segmented) == (0, 0, False)
        sender.close()


def test_several_targets_get_the_same_and_a_dead_one_costs_a_counter() -> None:
    with receiver() as (one, first), receiver() as (two, second):
        with receiver() as (_, nobody):
            pass  # closed again: nobody listens there any more
        sender = OscSender(PLAN, OscSettings(), [first, nobody, second])
        for k in range(1, 6):
            sender.send(snapshot(PLAN, k, seed=k), k / 20)
        a, b, c = sender.statistics(1.0)
        assert (a.refused, c.refused) == (0, 0)
        assert b.refused >= 4  # the first send learns of it only afterwards
        assert b.last_error == "nobody listens on this port"
        assert a.age_s is not None
        assert b.age_s is None or b.age_s > a.age_s  # what was refused has not arrived
        assert a.sent == c.sent > 0
        assert received(one, a.sent) == received(two, c.sent)
        sender.close()


def test_a_receiver_that_starts_late_is_served() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as here:
        here.bind(("127.0.0.1", 0))
        port = here.getsockname()[1]
    sender = OscSender(PLAN, OscSettings(), [Target("127.0.0.1", port)])
    for k in range(1, 4):
        sender.send(snapshot(PLAN, k, seed=k), k / 20)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as late:
        late.bind(("127.0.0.1", port))
        late.settimeout(5.0)
        sender.send(snapshot(PLAN, 4, seed=4), 0.2)
        tick = next(iter(OscBundle(late.recv(65_536))))
        assert tick.address == "/tick"
        assert tick.params[1] == 4
    sender.close()


def test_the_news_of_an_earlier_refusal_costs_no_datagram() -> None:
    """Linux tells of a refused datagram at the next send, which does not leave; so that one is sent again."""
    with receiver() as (_, target):
        pass
    sender = OscSender(PLAN, OscSettings(), [target])
    sender.heartbeat(0.0)  # refused, known later
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as late:
        late.bind((target.host, target.port))
        late.settimeout(5.0)
        sender.heartbeat(1.0)
        assert status(late.recv(65_536))[2] == "lead"
        sender.heartbeat(2.0)
    (numbers,) = sender.statistics(2.5)
    assert (numbers.refused, numbers.age_s, numbers.last_error) == (1, 0.5, "nobody listens on this port")
    assert sender.statistics(4.5)[0].last_error == ""
    sender.close()


def test_a_frozen_receiver_never_blocks() -> None:
    """Nobody reads: the kernel drops at the receiver, or the socket is full and it is counted; send returns."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as frozen:
        frozen.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        frozen.bind(("127.0.0.1", 0))
        sender = OscSender(PLAN, OscSettings(), [Target("127.0.0.1", frozen.getsockname()[1])])
        assert socket_of(sender).getblocking() is False
        for k in range(1, 201):
            sender.send(snapshot(PLAN, k, seed=k % 3), k / 20)
        (numbers,) = sender.statistics(10.0)
        assert numbers.sent + numbers.dropped + numbers.skipped >= 200
        sender.close()


def test_a_full_socket_and_no_way_are_counted_apart() -> None:
    class Failing:
        def __init__(self) -> None:
            self.code = errno.EAGAIN

        def send(self, _: memoryview) -> int:
            raise OSError(self.code, "as asked")

        def sendmsg(self, *_: Any) -> int:
            raise OSError(self.code, "as asked")

        def close(self) -> None:
            pass

    with receiver() as (_, target):
        sender = OscSender(PLAN, OscSettings(), [target])
        socket_of(sender).close()
        failing = Failing()
        sender._links[0]._socket = failing  # type: ignore[assignment]
        total = len(sender.layout.datagrams())
        assert sender.send(snapshot(PLAN, 1), 0.0) == 0
        (full,) = sender.statistics(0.0)
        assert full.dropped + full.skipped == total
        failing.code = errno.ENETUNREACH
        sender.resend()
        assert sender.send(snapshot(PLAN, 2), 0.05) == 0
        (away,) = sender.statistics(0.0)
        assert away.dropped == full.dropped
        assert away.unreachable + away.skipped - full.skipped == total
        assert (away.sent, away.age_s) == (0, None)


def test_heartbeat_once_a_second_and_at_each_change() -> None:
    with receiver() as (here, target):
        sender = OscSender(PLAN, OscSettings(), [target])
        assert sender.heartbeat(0.0)
        assert not sender.heartbeat(0.5)
        assert sender.heartbeat(1.0)
        assert sender.heartbeat(1.2, state=ServiceState.SAFE)
        assert not sender.heartbeat(1.4, state=ServiceState.SAFE)
        assert sender.heartbeat(1.5, role="spare", state=ServiceState.SAFE)
        said = [status(d)[2:] for d in received(here, 4)]
        assert said == [["lead", 0], ["lead", 0], ["lead", 4], ["spare", 4]]
        sender.close()


def test_heartbeat_says_holding_closed_partial() -> None:
    sender = OscSender(PLAN, OscSettings(), [])
    assert sender.state_at(0.0) is ServiceState.STARTING
    sender.send(snapshot(PLAN), 10.0)
    assert sender.state_at(10.9) is ServiceState.RUNNING
    assert sender.state_at(11.1) is ServiceState.HOLDING
    assert sender.state_at(11.1, ServiceState.STOPPING) is ServiceState.STOPPING
    sender.send(snapshot(PLAN, missing=(3,)), 12.0)
    assert sender.state_at(12.0) is ServiceState.PARTIAL
    sender.send(snapshot(PLAN, part="doors"), 13.0)
    assert sender.state_at(13.0) is ServiceState.CLOSED


def test_the_heartbeat_carries_the_last_snapshot_s_epoch_and_sequence() -> None:
    with receiver() as (here, target):
        sender = OscSender(PLAN, OscSettings(), [target])
        received(here, sender.send(snapshot(PLAN, 41, epoch=6), 0.0))
        sender.heartbeat(0.1)
        assert status(here.recv(65_536)) == [6, 41, "lead", 1]
        sender.close()


@pytest.mark.parametrize(
    ("text", "host", "port"),
    [("127.0.0.1:9000", "127.0.0.1", 9000), ("[::1]:9", "::1", 9), ("desk:65535", "desk", 65535)],
)
def test_targets(text: str, host: str, port: int) -> None:
    assert parse_target(text) == Target(host, port)
    assert str(parse_target(text)) == text


@pytest.mark.parametrize("text", ["", "desk", ":9000", "desk:", "desk:0", "desk:65536", "desk:x", "desk:-1", "desk:²"])
def test_a_target_that_is_none_is_one_sentence(text: str) -> None:
    with pytest.raises(OscTargetError, match=r"write HOST:PORT, port 1\.\.65535"):
        parse_target(text)


@pytest.mark.parametrize("host", ["x" * 300, "two words", "udp://desk", "10.0.0.300", "", "a..b"])
def test_a_host_that_can_never_be_one_is_one_sentence(host: str) -> None:
    with pytest.raises(OscTargetError, match="check its spelling"):
        OscSender(PLAN, OscSettings(), [Target(host, 9000)])


class NameServer:
    """Stands in for the look-up of names: answers with what ``says`` holds at that time, and can be held up."""

    def __init__(self) -> None:
        self.real = osc_sender._look_up
        self.says: Target | OSError = socket.gaierror(socket.EAI_AGAIN, "Temporary failure in name resolution")
        self.asked = 0
        self.answers = threading.Event()
        self.answers.set()

    def look_up(self, target: Target) -> list[Any]:
        if not target.host.endswith(".example"):
            return self.real(target)
        self.asked += 1
        self.answers.wait(30.0)
        if isinstance(self.says, OSError):
            raise self.says
        return self.real(self.says)


@pytest.fixture
def names(monkeypatch: pytest.MonkeyPatch) -> NameServer:
    made = NameServer()
    monkeypatch.setattr(osc_sender, "_look_up", made.look_up)
    return made


def asked(sender: OscSender) -> None:
    """The look-up that is under way, if any, has ended."""
    for link in sender._links:
        if link._asking is not None:
            link._asking.join(30.0)


def test_a_name_that_nobody_answers_for_is_tried_again_and_costs_the_others_nothing(
    names: NameServer, caplog: pytest.LogCaptureFixture
) -> None:
    """A cold start while the name server is away: the other target is served, and this one once its name is known."""
    with receiver() as (one, near), receiver() as (two, far):
        names.says, answer = names.says, far
        sender = OscSender(PLAN, OscSettings(), [Target("desk.example", 9000), near])
        for k in range(1, 200):
            asked(sender)
            received(one, sender.send(snapshot(PLAN, k), k / 20))
        away, fine = sender.statistics(199 / 20)
        assert (away.sent, fine.last_error) == (0, "")
        assert away.unreachable > 0
        assert "'desk.example' is not known now" in away.last_error
        assert 2 <= names.asked <= 2 + 199 / 20 / osc_sender.ASK_AGAIN_S  # with a pause
        assert len([r for r in caplog.records if "desk.example" in r.message]) == 1
        names.says = answer
        for k in range(200, 400):
            asked(sender)
            sender.send(snapshot(PLAN, k), k / 20)
        assert two.recv(65_536).startswith(b"#bundle")
        back, _ = sender.statistics(400 / 20)
        assert back.sent > 0
        assert back.last_error == ""
        assert "works again" in caplog.messages[-1]
        sender.close()


def test_a_look_up_that_hangs_holds_nothing_up(names: NameServer) -> None:
    """Sending, closing and ending go on; one thread asks, however many snapshots pass."""
    names.answers.clear()
    with receiver() as (one, near):
        sender = OscSender(PLAN, OscSettings(), [Target("desk.example", 9000), near])
        for k in range(1, 100):
            received(one, sender.send(snapshot(PLAN, k), float(k)))
        assert names.asked <= 1
        thread = sender._links[0]._asking
        assert thread is not None
        assert thread.daemon
        sender.close()
        names.answers.set()
        thread.join(30.0)


def test_an_interface_that_is_not_there_yet_is_no_error() -> None:
    with receiver() as (_, target):
        sender = OscSender(PLAN, OscSettings(), [replace(target, interface="no-such-if")])
        sender.send(snapshot(PLAN), 0.0)
        (numbers,) = sender.statistics(0.0)
        assert "no way there now" in numbers.last_error
        assert numbers.unreachable > 0
        sender.close()
        asked(sender)


def test_a_name_of_two_addresses_is_served_at_the_one_with_a_way(monkeypatch: pytest.MonkeyPatch) -> None:
    with receiver() as (here, target):
        near = socket.getaddrinfo("127.0.0.1", target.port, type=socket.SOCK_DGRAM)
        none = [(socket.AF_INET, socket.SOCK_DGRAM, 17, "", ("255.255.255.255", 9))]  # broadcast: not allowed to us
        monkeypatch.setattr(osc_sender, "_look_up", lambda _: none + near)
        sender = OscSender(PLAN, OscSettings(), [Target("desk.example", 9000)])
        asked(sender)
        received(here, sender.send(snapshot(PLAN), 0.0))
        sender.close()


def test_bound_to_an_interface_s_address() -> None:
    with receiver() as (here, target):
        sender = OscSender(PLAN, OscSettings(), [replace(target, interface="127.0.0.2")])
        sender.heartbeat(0.0)
        _, where = here.recvfrom(65_536)
        assert where[0] == "127.0.0.2"
        sender.close()


@pytest.mark.skipif(shutil.which("oscdump") is None, reason="liblo-tools is not installed (Debian: liblo-tools)")
def test_oscdump_prints_our_addresses() -> None:
    """liblo's receiver, which shares nothing with our encoder."""
    with receiver() as (_, free):
        port = free.port
    plan = generated(50)
    with subprocess.Popen(["oscdump", "-L", str(port)], stdout=subprocess.PIPE, text=True) as dump:
        sender = OscSender(plan, OscSettings(), [Target("127.0.0.1", port)])
        try:
            lines = _printed_until(dump, sender, "/house/arousal")
        finally:
            dump.terminate()
            sender.close()
    (house,) = {line for line in lines if "/house/arousal" in line}
    assert house.split()[-5:] == ["/house/arousal", "ffi", "0.500000", "0.800000", "40"]


def _printed_until(dump: subprocess.Popen[str], sender: OscSender, last: str) -> list[str]:
    """Send until the receiver, which starts in its own time, printed the wanted address; bounded by the test's time."""
    assert dump.stdout is not None
    lines: list[str] = []
    with selectors.DefaultSelector() as ready:
        ready.register(dump.stdout, selectors.EVENT_READ)
        for k in range(1, 200):
            sender.send(snapshot(generated(50), k), k / 20)
            while ready.select(timeout=0.05):
                lines.append(dump.stdout.readline().strip())
                if last in lines[-1]:
                    return lines
    raise AssertionError(f"oscdump never printed {last}: {lines[:5]}")
