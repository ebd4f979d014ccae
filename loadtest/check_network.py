"""Asks the network for what ``loadtest.check_routes`` judges: this machine's addresses, ways to outputs. Shell."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import ipaddress
import os
import socket
import struct

from loadtest.check_routes import Interface, OutputFacts

IP_RECVERR, IPV6_RECVERR = 11, 25  # Linux uapi in.h, in6.h: errors that ICMP reports, "no such host" among them
SIOCGIFADDR, SIOCGIFNETMASK = 0x8915, 0x891B  # Linux uapi sockios.h
EMPTY_BUNDLE = b"#bundle\0" + struct.pack(">Q", 1)  # Open Sound Control 1.0: "immediately", no element: says nothing
REFUSAL_S = 0.4  # an answer from the same hall comes within milliseconds
NEIGHBOUR_S = 3.5  # Linux asks three times, a second apart, who has an address, before it gives up


def interfaces() -> list[Interface]:
    """This machine's IPv4 addresses by interface, and IPv6 ones that Linux lists; empty where it cannot be asked."""
    return [*_ipv4(), *_ipv6()]


def _ipv4() -> list[Interface]:
    try:
        import fcntl
    except ImportError:  # not on Windows
        return []
    made = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        for _, name in socket.if_nameindex():
            asked = struct.pack("256s", name.encode()[:15])
            with contextlib.suppress(OSError):
                address = fcntl.ioctl(probe, SIOCGIFADDR, asked)[20:24]
                mask = fcntl.ioctl(probe, SIOCGIFNETMASK, asked)[20:24]
                prefix = int.from_bytes(mask, "big").bit_count()
                made.append(Interface(name, socket.inet_ntoa(address), prefix))
    return made


def _ipv6() -> list[Interface]:
    made = []
    with contextlib.suppress(OSError, ValueError), open("/proc/net/if_inet6", encoding="ascii") as file:
        for line in file:
            raw, _, prefix, _, _, name = line.split()
            made.append(Interface(name, str(ipaddress.IPv6Address(bytes.fromhex(raw))), int(prefix, 16)))
    return made


async def output(host: str, port: int, interface: str, *, patient: bool = True) -> OutputFacts:
    """Resolve a target, find the way there, send an empty bundle twice and wait for a refusal.

    ``patient``: wait until the system gives up looking for a machine on its own network.
    """
    target = f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
    loop = asyncio.get_running_loop()
    try:
        found = await loop.getaddrinfo(host, port, type=socket.SOCK_DGRAM)
    except (OSError, UnicodeError):
        return OutputFacts(target)
    family, kind, protocol, _, address = found[0]
    with socket.socket(family, kind, protocol) as link:
        try:
            link.setblocking(False)
            _prepare(link, family, interface)
            link.connect(address)
        except OSError as error:
            return OutputFacts(target, str(address[0]), unreachable=error.strerror or str(error))
        source = str(link.getsockname()[0])
        here = ipaddress.ip_address(source.partition("%")[0]).is_loopback
        error_number = await _refusal(link, REFUSAL_S if here or not patient else NEIGHBOUR_S)
    refused = error_number == errno.ECONNREFUSED
    why = "" if refused or not error_number else os.strerror(error_number)
    return OutputFacts(target, str(address[0]), source, refused, why)


def _prepare(link: socket.socket, family: int, interface: str) -> None:
    """Leave by the named interface, as the house does, and hear of every error."""
    with contextlib.suppress(OSError):
        v6 = family == socket.AF_INET6
        link.setsockopt(socket.IPPROTO_IPV6 if v6 else socket.IPPROTO_IP, IPV6_RECVERR if v6 else IP_RECVERR, 1)
    if not interface:
        return
    try:
        ipaddress.ip_address(interface)
    except ValueError:
        option = getattr(socket, "SO_BINDTODEVICE", 25)
        link.setsockopt(socket.SOL_SOCKET, option, interface.encode() + b"\0")
        return
    link.bind((interface, 0))


async def _refusal(link: socket.socket, wait_s: float) -> int:
    """Send, wait, send again: the error that comes back, 0 for none."""
    until = asyncio.get_running_loop().time() + wait_s
    for _ in range(2):
        try:
            link.send(EMPTY_BUNDLE)
        except BlockingIOError:
            pass
        except OSError as error:
            return error.errno or 0
        while asyncio.get_running_loop().time() < until:
            if number := link.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR):
                return number
            await asyncio.sleep(0.02)
        until += 0.1
    return 0
