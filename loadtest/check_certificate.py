"""A house's TLS certificate before doors: reads the few fields that phones will judge by. Pure.

Just enough of DER (ITU-T X.690) and of certificates (RFC 5280, section 4.1): validity, names, issuer and subject as
raw bytes. Signatures are not checked here: whether phones trust the chain is asked of TLS itself, over ``--url``.
"""

from __future__ import annotations

import base64
import binascii
import datetime
import ipaddress
import itertools
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from loadtest.check_line import Line, fails, look, ok

BLOCK = re.compile(r"-----BEGIN CERTIFICATE-----(.+?)-----END CERTIFICATE-----", re.DOTALL)
SOON_S = 3 * 86_400.0  # an evening, its rehearsals and a weekend in between
ALT_NAME = bytes.fromhex("551d11")  # subjectAltName, 2.5.29.17
DNS, ADDRESS = 0x82, 0x87  # GeneralName: dNSName [2], iPAddress [7]
SEQUENCE, OID, OCTETS, UTC_TIME, TIME, VERSION, EXTENSIONS = 0x30, 0x06, 0x04, 0x17, 0x18, 0xA0, 0xA3
NAME = "certificate"
RENEW = "renew it, and load the new one where TLS ends (the proxy)"


class CertificateError(ValueError):
    """Bytes that are no certificate; says at which field."""


@dataclass(frozen=True, slots=True)
class Certificate:
    """What phones judge by: Unix seconds, names and addresses it covers, issuer and subject as DER."""

    begins_s: float
    ends_s: float
    names: tuple[str, ...]
    issuer: bytes
    subject: bytes


def read_pem(text: str) -> list[Certificate]:
    """All certificates of a PEM file, in order. Raises CertificateError."""
    made = []
    for block in BLOCK.findall(text):
        try:
            made.append(read(base64.b64decode("".join(block.split()), validate=True)))
        except binascii.Error as error:
            raise CertificateError(f"its base 64 is damaged ({error})") from error
    if not made:
        raise CertificateError("it holds no BEGIN CERTIFICATE block (PEM)")
    return made


def read(der: bytes) -> Certificate:
    """One certificate. Raises CertificateError."""
    try:
        (_, body), *_ = _items(der)
        (_, signed), *_ = _items(body)
        fields = [f for f in _items(signed) if f[0] != VERSION]
        _, _, (_, issuer), (_, validity), (_, subject), _, *rest = fields
        begins, ends = (_seconds(kind, raw) for kind, raw in _items(validity))
        return Certificate(begins, ends, tuple(_alternatives(rest)), issuer, subject)
    except (ValueError, IndexError) as error:
        raise CertificateError(f"it cannot be read as a certificate ({error})") from error


def _items(raw: bytes) -> list[tuple[int, bytes]]:
    """The elements of a DER value as (tag, contents)."""
    made, at = [], 0
    while at < len(raw):
        tag, size, at = raw[at], raw[at + 1], at + 2
        if size & 0x80:
            count = size & 0x7F
            size, at = int.from_bytes(raw[at : at + count], "big"), at + count
        if at + size > len(raw):
            raise ValueError("it is cut off")
        made.append((tag, raw[at : at + size]))
        at += size
    return made


def _seconds(kind: int, raw: bytes) -> float:
    """UTCTime or GeneralizedTime; two-digit years below 50 are this century's (RFC 5280)."""
    text = raw.decode("ascii")
    if kind == UTC_TIME:
        text = ("20" if text < "50" else "19") + text
    elif kind != TIME:
        raise ValueError("its dates are no dates")
    return datetime.datetime.strptime(text, "%Y%m%d%H%M%SZ").replace(tzinfo=datetime.UTC).timestamp()


def _alternatives(fields: Sequence[tuple[int, bytes]]) -> Iterator[str]:
    """DNS names and addresses of subjectAltName: the only names that browsers look at."""
    for tag, wrapped in fields:
        for _, extension in _items(_items(wrapped)[0][1]) if tag == EXTENSIONS else ():
            (_, kind), *_, (_, value) = _items(extension)
            if kind == ALT_NAME:
                for name_tag, name in _items(_items(value)[0][1]):
                    if name_tag == DNS:
                        yield name.decode("ascii").lower()
                    elif name_tag == ADDRESS:
                        yield str(ipaddress.ip_address(name))


def covers(names: Sequence[str], host: str) -> bool:
    """Whether one of the names is the host's: equal, or ``*`` for exactly its first label (RFC 6125)."""
    host = host.lower().rstrip(".")
    first, _, rest = host.partition(".")
    return any(n == host or (n.startswith("*.") and rest and first and n[2:] == rest) for n in names)


def judge(chain: Sequence[Certificate], host: str, now_s: float) -> Line:
    """The line for a certificate and what follows it in its file. ``host`` "": names are not compared."""
    leaf = chain[0]
    bad = _unfit(leaf, host, now_s)
    if bad is not None:
        return bad
    until, named = _date(leaf.ends_s), ", ".join(leaf.names)
    if not _linked(chain):
        return look(
            NAME, f"its issuer's certificate is not in the file (for {named}, until {until}): phones may refuse it",
            "append the intermediate certificate, or check with --url wss://… that the chain is whole",
        )  # fmt: skip
    if leaf.ends_s - now_s < SOON_S:
        return look(NAME, f"it ends soon, on {until}", RENEW)
    return ok(NAME, f"valid until {until}, for {named}")


def _unfit(leaf: Certificate, host: str, now_s: float) -> Line | None:
    """The line for a certificate that no phone would take: over, too early, another's, or its own authority."""
    if now_s >= leaf.ends_s:
        return fails(NAME, f"it ended on {_date(leaf.ends_s)}", RENEW)
    if now_s < leaf.begins_s:
        return fails(
            NAME, f"it is not valid before {_date(leaf.begins_s)}",
            "check this machine's clock, or get a certificate that is valid now",
        )  # fmt: skip
    named = ", ".join(leaf.names) or "no name at all"
    if host and not covers(leaf.names, host):
        return fails(
            NAME, f"it is for {named}, not for {host}", f"get one whose subjectAltName has {host}, or use its name"
        )
    if leaf.issuer == leaf.subject:
        return fails(
            NAME, f"it signed itself (for {named}): no phone trusts it", "get one from an authority that phones know"
        )
    return None


def _date(unix_s: float) -> str:
    return datetime.datetime.fromtimestamp(unix_s, datetime.UTC).strftime("%Y-%m-%d %H:%M UTC")


def _linked(chain: Sequence[Certificate]) -> bool:
    return len(chain) > 1 and all(a.issuer == b.subject for a, b in itertools.pairwise(chain))


@dataclass(frozen=True, slots=True)
class HandshakeFacts:
    """A TLS connection that was tried: ``certificate`` of the other side (None: none was shown), ``refusal``: why a
    client that checks everything refuses it, ``problem``: why there was no handshake at all."""

    host: str
    port: int
    certificate: Certificate | None = None
    refusal: str = ""
    problem: str = ""


def handshake(facts: HandshakeFacts, now_s: float) -> Line:
    """The line for a wss address: what its certificate says, and whether a client with the system's roots takes it."""
    where = f"{facts.host}:{facts.port}"
    if facts.certificate is None:
        return fails(
            NAME, f"no TLS at {where}: {facts.problem}", "start the proxy that ends TLS, check name, port and firewall"
        )
    bad = _unfit(facts.certificate, facts.host, now_s)
    if bad is not None:
        return fails(NAME, f"{where}: {bad.found}", bad.do)
    if facts.refusal:
        return fails(
            NAME, f"{where}: a phone would refuse it: {facts.refusal}",
            "load the whole chain (certificate and intermediates) where TLS ends; use an authority that phones know",
        )  # fmt: skip
    until = _date(facts.certificate.ends_s)
    if facts.certificate.ends_s - now_s < SOON_S:
        return look(NAME, f"{where}: it ends soon, on {until}", RENEW)
    return ok(NAME, f"{where}: name, dates and chain are taken; valid until {until}")


def without(listen_is_loopback: bool) -> Line:
    """The line where neither an address nor a file is given."""
    if listen_is_loopback:
        return ok(NAME, "none needed: phones are taken from this machine only")
    return look(
        NAME, "nothing to check: phones connect without encryption, unless a TLS proxy stands in front",
        "name it with --url wss://NAME/phone or --certificate FILE; a sensor page in a browser needs it",
    )  # fmt: skip
