"""What the check before doors makes of outputs and networks: does a way lead there, and which. Pure."""

from __future__ import annotations

import ipaddress
from collections.abc import Sequence
from dataclasses import dataclass

from loadtest.check_line import Line, fails, look, ok

ANY = ("0.0.0.0", "::")
NOT_PROVED = "UDP has no answer, so this does not prove that anybody listens: see the values move at the show engine"


@dataclass(frozen=True, slots=True)
class Interface:
    """One address of this machine: the interface's ``name``, ``address`` and ``prefix`` length."""

    name: str
    address: str
    prefix: int

    @property
    def network(self) -> ipaddress.IPv4Network | ipaddress.IPv6Network:
        return ipaddress.ip_network(f"{self.address}/{self.prefix}", strict=False)


@dataclass(frozen=True, slots=True)
class OutputFacts:
    """One target: ``address`` it resolves to ("" unknown), ``source`` the local address that leads there ("" no
    route), ``refused``: the other side said that nobody listens, ``unreachable``: why nothing arrives there."""

    target: str
    address: str = ""
    source: str = ""
    refused: bool = False
    unreachable: str = ""


def outputs(facts: Sequence[OutputFacts]) -> list[Line]:
    """A line a target; one line where there is none."""
    name = "outputs"
    if not facts:
        return [look(name, "no show engine is named: nothing leaves", "set outputs.osc to its HOST:PORT")]
    return [_output(name, f) for f in facts]


def _output(name: str, f: OutputFacts) -> Line:
    if not f.address:
        return fails(
            name, f"{f.target}: this name is not known here", "check its spelling in outputs.osc, or write the address"
        )
    where = f.target if f.target.startswith(f.address) else f"{f.target} ({f.address})"
    if not f.source:
        why = f" ({f.unreachable})" if f.unreachable else ""
        return fails(
            name, f"{where}: no way leads there{why}", "check the network cable, this machine's address, and the route"
        )
    if f.refused:
        return fails(
            name, f"{where}: the machine answers that nobody listens on this port",
            "start the show engine, check its port, and that its firewall lets it in",
        )  # fmt: skip
    if f.unreachable:
        return fails(
            name, f"{where}: {f.unreachable}", "is the show engine's machine on, on this network, at this address?"
        )
    return ok(name, f"{where}: resolved, a way leads there from {f.source}, nobody refused an empty bundle", NOT_PROVED)


def apart(
    listen: str, interfaces: Sequence[Interface], facts: Sequence[OutputFacts], page: str, key: str = "relay.listen"
) -> Line:
    """Whether seat values leave by the network that phones are on.

    ``listen`` is the relay's address, ``page`` the monitor page's (seats are shown there, too).
    """
    name = "seat values"
    if is_loopback(listen):
        return ok(name, "phones are taken from this machine only, so no output can leave by their network")
    phones = phone_networks(listen, interfaces)
    ways = [(f"outputs to {f.target}", f.source) for f in facts if f.source]
    ways += [("the page", page)] if page not in ANY else [("the page", i.address) for i in interfaces]
    shared = list(dict.fromkeys(what for what, source in ways if _within(source, phones)))
    if listen in ANY and not shared:
        return look(
            name, "phones are taken on every network of this machine",
            f"set {key} to this machine's address on the phones' network",
        )  # fmt: skip
    if shared:
        return look(
            name, f"{' and '.join(shared)} use the network that phones are on ({', '.join(map(str, phones))})",
            f"give the show engine a network of its own (outputs.interface, monitor.listen), and set {key} to the "
            "phones' one",
        )  # fmt: skip
    if not facts:
        return ok(name, "there is no output yet; the page is not on the phones' network")
    return ok(name, f"outputs and page leave by other networks than the phones' ({', '.join(map(str, phones))})")


def phone_networks(listen: str, interfaces: Sequence[Interface]) -> list[ipaddress.IPv4Network | ipaddress.IPv6Network]:
    """The networks that phones come from: of the relay's address, or all where it listens on all."""
    there = [i for i in interfaces if not is_loopback(i.address)]
    mine = there if listen in ANY else [i for i in there if i.address == listen]
    return list(dict.fromkeys(i.network for i in mine))


def is_loopback(host: str) -> bool:
    """Whether an address or name is this machine only."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _within(source: str, networks: Sequence[ipaddress.IPv4Network | ipaddress.IPv6Network]) -> bool:
    try:
        address = ipaddress.ip_address(source.partition("%")[0])
    except ValueError:
        return False
    return any(address.version == n.version and address in n for n in networks)
