"""Certificates made by OpenSSL (an independent implementation): dates, names, chain, and handshakes with faults."""

from __future__ import annotations

import asyncio
import calendar
import os
import shutil
import ssl
import subprocess
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from loadtest import check_packet
from loadtest.check_certificate import (
    Certificate,
    CertificateError,
    HandshakeFacts,
    covers,
    handshake,
    judge,
    read,
    read_pem,
    without,
)  # fmt: skip
from loadtest.check_line import State

pytestmark = pytest.mark.skipif(not shutil.which("openssl"), reason="openssl is not installed")
HOST = "house.example"
PATH = {"PATH": os.environ["PATH"]}
NAMES = f"DNS:{HOST},DNS:*.hall.example,IP:127.0.0.1"
DAY_S = 86_400.0


def openssl(*words: str | Path) -> str:
    done = subprocess.run(
        ["openssl", *map(str, words)],
        check=True,
        capture_output=True,
        timeout=30,
        text=True,
        env={"LC_ALL": "C"} | PATH,
    )
    return done.stdout


def certificate(folder: Path, name: str, *, names: str = NAMES, issuer: str = "") -> Path:
    """``name``.pem and ``name``.key, signed by ``issuer`` or by itself."""
    made, key = folder / f"{name}.pem", folder / f"{name}.key"
    signer = ("-CA", folder / f"{issuer}.pem", "-CAkey", folder / f"{issuer}.key") if issuer else ()
    extensions = ("-addext", f"subjectAltName={names}") if names else ("-addext", "basicConstraints=critical,CA:TRUE")
    openssl(
        "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-keyout", key,
        "-out", made, "-subj", f"/CN={name}", *signer, *extensions, "-days", "30",
    )  # fmt: skip
    return made


@pytest.fixture
def chain(tmp_path: Path) -> list[Certificate]:
    root = certificate(tmp_path, "root", names="")
    leaf = certificate(tmp_path, "leaf", issuer="root")
    return read_pem(leaf.read_text() + root.read_text())


def test_reads_what_openssl_wrote(chain: list[Certificate], tmp_path: Path) -> None:
    leaf, root = chain
    told = openssl("x509", "-in", tmp_path / "leaf.pem", "-noout", "-startdate", "-enddate").split("\n")
    dates = [time.strptime(line.partition("=")[2], "%b %d %H:%M:%S %Y GMT") for line in told if line]
    assert [leaf.begins_s, leaf.ends_s] == [calendar.timegm(d) for d in dates]
    assert leaf.names == (HOST, "*.hall.example", "127.0.0.1")
    assert leaf.issuer == root.subject == root.issuer
    assert root.names == ()


def test_good(chain: list[Certificate]) -> None:
    assert judge(chain, HOST, _soon()).state is State.OK
    assert judge(chain, "", _soon()).state is State.OK


@pytest.mark.parametrize(
    ("host", "shift_s", "word"),
    [
        (HOST, 31 * DAY_S, "it ended on"),
        (HOST, -DAY_S, "not valid before"),
        ("other.example", 0.0, "not for other.example"),
    ],
)
def test_unfit(chain: list[Certificate], host: str, shift_s: float, word: str) -> None:
    line = judge(chain, host, _soon() + shift_s)
    assert line.state is State.FAILS
    assert word in line.found


def test_ends_soon(chain: list[Certificate]) -> None:
    assert judge(chain, HOST, chain[0].ends_s - DAY_S).state is State.LOOK


def test_signed_itself(tmp_path: Path) -> None:
    line = judge(read_pem(certificate(tmp_path, "alone").read_text()), HOST, _soon())
    assert line.state is State.FAILS
    assert "signed itself" in line.found


def test_without_its_issuer(chain: list[Certificate]) -> None:
    line = judge(chain[:1], HOST, _soon())
    assert line.state is State.LOOK
    assert "intermediate" in line.do


@pytest.mark.parametrize(
    ("name", "host", "fits"),
    [
        ("house.example", "HOUSE.example.", True),
        ("*.example", "house.example", True),
        ("*.example", "example", False),
        ("*.example", "a.house.example", False),
        ("house.example", "house.example.org", False),
    ],
)
def test_covers(name: str, host: str, fits: bool) -> None:
    assert covers([name], host) is fits


@pytest.mark.parametrize("block", ["", "%%", "MAA="])
def test_no_certificate(block: str) -> None:
    with pytest.raises(CertificateError):
        read_pem(f"-----BEGIN CERTIFICATE-----\n{block}\n-----END CERTIFICATE-----")


def test_damaged_bytes_raise_nothing_else(tmp_path: Path) -> None:
    der = ssl.PEM_cert_to_DER_cert(certificate(tmp_path, "x").read_text())
    for cut in range(len(der)):
        with pytest.raises(CertificateError):
            read(der[:cut])
    for at in range(0, len(der), 3):
        try:
            read(der[:at] + bytes([der[at] ^ 0x5A]) + der[at + 1 :])
        except CertificateError:
            continue


@asynccontextmanager
async def tls_server(folder: Path, name: str) -> AsyncIterator[int]:
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(folder / f"{name}.pem", folder / f"{name}.key")

    async def hold(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read()
        writer.close()

    server = await asyncio.start_server(hold, "127.0.0.1", 0, ssl=context)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()


async def test_handshake_with_an_authority_that_nobody_knows(tmp_path: Path) -> None:
    certificate(tmp_path, "root", names="")
    certificate(tmp_path, "leaf", issuer="root")
    async with tls_server(tmp_path, "leaf") as port:
        facts = await check_packet.tls(f"wss://127.0.0.1:{port}/phone")
    assert facts.certificate is not None
    assert facts.certificate.names[0] == HOST
    line = handshake(facts, _soon())
    assert line.state is State.FAILS
    assert "a phone would refuse it" in line.found


async def test_handshake_with_a_known_authority(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SSL_CERT_FILE", str(certificate(tmp_path, "root", names="")))
    certificate(tmp_path, "leaf", issuer="root")
    async with tls_server(tmp_path, "leaf") as port:
        facts = await check_packet.tls(f"wss://127.0.0.1:{port}/phone")
    assert handshake(facts, _soon()).state is State.OK


async def test_no_tls_at_all() -> None:
    async def shut(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"HTTP/1.1 400 Bad Request\r\n\r\n")
        writer.close()

    server = await asyncio.start_server(shut, "127.0.0.1", 0)
    try:
        facts = await check_packet.tls(f"wss://127.0.0.1:{server.sockets[0].getsockname()[1]}/phone")
    finally:
        server.close()
    line = handshake(facts, _soon())
    assert line.state is State.FAILS
    assert "no TLS" in line.found


def test_a_handshake_that_is_for_another_name(chain: list[Certificate]) -> None:
    line = handshake(HandshakeFacts("other.example", 443, chain[0]), _soon())
    assert line.state is State.FAILS
    assert "not for other.example" in line.found


def test_none_given() -> None:
    assert without(True).state is State.OK
    assert without(False).state is State.LOOK


def _soon() -> float:
    """Now: certificates made with ``-days`` begin at OpenSSL's own clock."""
    return time.time() + 60
