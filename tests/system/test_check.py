"""``ripieno check`` as a technician runs it: exit codes, Ctrl-C, JSON, and the page for a phone beside a real house."""

from __future__ import annotations

import json
import re
import signal
import socket
from pathlib import Path

import pytest

from loadtest.check_causes import CAUSES
from tests.system.helper_browser import CHROMIUM, browser
from tests.system.helper_receiver import free_port, log_of, ripieno, show_engine, until

SETTINGS = """\
[evening]
seats = 12
[relay]
port = {phones}
[monitor]
port = {page}
[outputs]
osc = ["127.0.0.1:{osc}"]
"""


def evening(folder: Path, osc: int) -> tuple[int, int]:
    phones, page = free_port(), free_port()
    (folder / "evening.toml").write_text(SETTINGS.format(phones=phones, page=page, osc=osc))
    with ripieno("seats", "--settings", "evening.toml", "--out", "tokens.csv", folder=folder) as process:
        process.communicate(timeout=30)
    return phones, page


def check(folder: Path, *words: str) -> tuple[int, str]:
    with ripieno(
        "check", "--settings", "evening.toml", "--tokens", "tokens.csv", *words, folder=folder
    ) as process:  # fmt: skip
        out, _ = process.communicate(timeout=60)
        assert "Traceback" not in log_of(process)
    return process.returncode, out


def test_before_and_beside_a_house(tmp_path: Path) -> None:
    with show_engine() as engine:
        phones, _ = evening(tmp_path, engine.port)
        code, out = check(tmp_path)
        assert code == 0, out
        assert "a house started for this check" in out
        assert "doors can open" in out
        with ripieno("serve", "--settings", "evening.toml", folder=tmp_path) as house:
            until(lambda: "Ctrl-C ends" in log_of(house), 30, "the house")
            until(lambda: bool(engine.of("/service/status")), 30, "its heartbeat")
            code, out = check(tmp_path, "--json")
            assert code == 0, out
            said = {line["name"]: line for line in json.loads(out)["lines"]}
            assert "ours" in said["ports"]["found"]
            assert "it runs" in said["house"]["found"]
            assert f":{phones}/phone" in said["one packet"]["found"]
            house.send_signal(signal.SIGINT)
            house.communicate(timeout=30)


def test_what_fails_is_exit_code_1(tmp_path: Path) -> None:
    with socket.socket() as taken:
        phones, _ = evening(tmp_path, free_port())
        taken.bind(("127.0.0.1", phones))
        taken.listen(1)
        (tmp_path / "tokens.csv").write_text("seat,section,label,role,token\n1,stalls,A1,audience,0000000000000000\n")
        code, out = check(tmp_path)
    assert code == 1
    failing = {name for name in ("ports", "seat tokens", "outputs") if re.search(rf"✗ fails  {name}", out)}
    assert failing == {"ports", "seat tokens", "outputs"}, out
    assert out.count("→") >= 3


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--url", "http://x"], "--url: found"),
        (["--settings", "none.toml"], "cannot be read"),
        (["--phone", "--key", "k.pem"], "--key goes with --certificate"),
        (["--phone", "--phone-page-port", "70000"], "--phone-page-port: found 70000"),
        (["--phone", "--url", "wss://nowhere.invalid/phone"], "is not known here"),
    ],
)
def test_wrong_use(tmp_path: Path, words: list[str], said: str) -> None:
    with ripieno("check", *words, folder=tmp_path) as process:
        process.communicate(timeout=30)
    assert process.returncode == 2
    assert said in log_of(process)


def test_stopped_while_it_waits(tmp_path: Path) -> None:
    """A TLS address that takes the connection and never speaks: the check says so, and ends at once on Ctrl-C."""
    with socket.socket() as mute:
        mute.bind(("127.0.0.1", 0))
        mute.listen(8)
        url = f"wss://127.0.0.1:{mute.getsockname()[1]}/phone"
        with ripieno("check", "--url", url, folder=tmp_path) as process:
            until(lambda: "certificate: still asking" in log_of(process), 30, "the progress line")
            process.send_signal(signal.SIGINT)
            out, _ = process.communicate(timeout=10)
            assert process.returncode == 130
            assert "stopped; 1 lines" in log_of(process)
            assert "Traceback" not in log_of(process)
            assert "ports" in out


@pytest.mark.needs_browser
@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium is installed (Debian: chromium)")
@pytest.mark.parametrize("running", [True, False], ids=["beside a house", "alone"])
async def test_a_phone(tmp_path: Path, running: bool) -> None:
    evening(tmp_path, free_port())
    words = ["check", "--phone", "--settings", "evening.toml", "--phone-page-port", "0"]
    with ripieno("serve", "--settings", "evening.toml", folder=tmp_path) as house:
        if running:
            until(lambda: "Ctrl-C ends" in log_of(house), 30, "the house")
        else:
            house.kill()
            house.wait(10)
        with ripieno(*words, folder=tmp_path) as process:
            until(lambda: "Ctrl-C ends" in log_of(process), 30, "the phone's page")
            found = re.search(r"http://\S+/phone-check#\S+", log_of(process))
            assert found is not None
            address = found[0].replace("/phone-check#", "/phone-check?seconds=3#")
            async with browser(tmp_path / "profile") as one:
                await one.open(address, 400, 900)
                await one.until("!document.getElementById('again').hidden")
                assert await one.text("verdict") == "This phone holds."
                await one.open(address.partition("#")[0], 400, 900)
                await one.until("location.hash === '' && document.getElementById('again')?.hidden === false")
                assert await one.text("verdict") == CAUSES["token"][0]
            assert ("one was started" in log_of(process)) is not running
            process.send_signal(signal.SIGINT)
            out, _ = process.communicate(timeout=30)
            assert process.returncode == 0, log_of(process)
            assert "! look   phone" in out
            assert "1 phones reported, 0 failed" in log_of(process)
