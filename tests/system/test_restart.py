"""A house that is killed and started again goes on: same baselines, a higher epoch."""

from __future__ import annotations

import asyncio
import csv
import re
import subprocess
import sys
from pathlib import Path

import pytest

from loadtest.physiology import Audience
from loadtest.programme import still
from loadtest.swarm import Swarm
from tests.system.helper_receiver import free_port, log_of, ripieno, show_engine, until

SEATS = 20
FOLLOWING = 3
PROVISIONAL_S = 20.0  # contract 11: without a kept baseline no seat follows before this


def tokens(folder: Path) -> list[str]:
    words = [sys.executable, "-m", "aggregator", "seats", "--settings", "evening.toml", "--out", "tokens.csv"]
    subprocess.run(words, cwd=folder, check=True, capture_output=True)
    with (folder / "tokens.csv").open() as file:
        return [row["token"] for row in csv.DictReader(file)]


@pytest.mark.slow
@pytest.mark.timeout(150)
async def test_kill_and_restart_keep_the_baselines(tmp_path: Path) -> None:
    phones, page = free_port(), free_port()
    with show_engine() as engine:
        (tmp_path / "evening.toml").write_text(
            f"[evening]\nseats = {SEATS}\n[relay]\nport = {phones}\n[monitor]\nport = {page}\n"
            f'[outputs]\nosc = ["127.0.0.1:{engine.port}"]\n[checkpoint]\nevery_s = 1.0\n'
        )
        swarm = Swarm(f"ws://127.0.0.1:{phones}/phone", tokens(tmp_path), Audience(SEATS, 3, still(600.0)))
        with ripieno("serve", "--settings", "evening.toml", folder=tmp_path) as first:
            await asyncio.to_thread(until, lambda: "phones " in log_of(first), 30, "the first house")
            await open_the_outputs(page, log_of(first))
            assert await swarm.join() == SEATS
            await swarm.run(PROVISIONAL_S + 14)  # contact and a first rate come before
            followed = sum(s == FOLLOWING for s in engine.seats("/seats/state", SEATS))
            assert followed >= 0.8 * SEATS
            epoch = engine.of("/tick")[-1].arguments[0]
            first.kill()
        before = len(engine.messages)
        with ripieno("serve", "--settings", "evening.toml", folder=tmp_path) as second:
            await asyncio.to_thread(until, lambda: "phones " in log_of(second), 30, "the second house")
            assert f"epoch {epoch + 1}" in log_of(second)
            await swarm.run(12.0)  # well under the 20 s that a new baseline needs
            del engine.messages[:before]
            assert sum(s == FOLLOWING for s in engine.seats("/seats/state", SEATS)) >= 0.9 * followed
            assert engine.of("/tick")[-1].arguments[0] == epoch + 1
            second.terminate()
            assert await asyncio.to_thread(second.wait, 20) == 0
            assert "Traceback" not in log_of(second)
        await swarm.close()


async def open_the_outputs(page: int, log: str) -> None:
    """Move the evening to *piece* as the page's button does."""
    import aiohttp

    token = re.search(r"operator key for the page's buttons: (\S+)", log)
    assert token is not None
    async with aiohttp.ClientSession() as session:
        head = {"Authorization": f"Bearer {token[1]}"}
        url = f"http://127.0.0.1:{page}/api/part"
        async with session.post(url, json={"part": "piece"}, headers=head) as answer:
            assert answer.status == 200, await answer.text()


@pytest.mark.timeout(60)
def test_a_start_that_fails_leaves_the_checkpoint_alone(tmp_path: Path) -> None:
    """A typo just before doors must not replace the saved baselines."""
    file = tmp_path / "ripieno.checkpoint"
    with ripieno("serve", "--port", "0", "--phone-port", "0", folder=tmp_path) as first:
        until(lambda: "phones " in log_of(first), 30, "the house")
        first.terminate()
        assert first.wait(20) == 0
    before = file.read_bytes()
    with ripieno("serve", "--fresh", "--port", "0", "--listen", "300.1.1.1", folder=tmp_path) as wrong:
        wrong.communicate(timeout=30)
        assert wrong.returncode == 2
        assert "300.1.1.1 is no address of this machine" in log_of(wrong)
    assert file.read_bytes() == before


@pytest.mark.timeout(60)
def test_fresh_ignores_and_old_asks(tmp_path: Path) -> None:
    import os
    import time

    words = ["serve", "--port", "0", "--phone-port", "0"]
    with ripieno(*words, folder=tmp_path) as first:
        until(lambda: "phones " in log_of(first), 30, "the house")
        first.terminate()
        assert first.wait(20) == 0
    file = tmp_path / "ripieno.checkpoint"
    assert file.stat().st_mode & 0o777 == 0o600
    old = time.time() - 7 * 3600
    os.utime(file, (old, old))
    with ripieno(*words, folder=tmp_path) as asked:
        asked.communicate(timeout=30)
        assert asked.returncode == 2
        assert "--resume goes on from it, --fresh begins anew" in log_of(asked)
    with ripieno(*words, "--fresh", folder=tmp_path) as fresh:
        until(lambda: "phones " in log_of(fresh), 30, "the fresh house")
        assert "going on from" not in log_of(fresh)
        fresh.terminate()
        assert fresh.wait(20) == 0
