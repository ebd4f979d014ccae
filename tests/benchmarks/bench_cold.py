"""A cold start at 10,000 listeners: ``python -m tests.benchmarks.bench_cold [--listeners 10000] [--every 30]``.

Redis, one ``ripieno aggregate`` and a process that writes what relays would: four packets a second a phone, batches of
10 ms in 16 shards. Just before its next checkpoint is due (the worst moment: all entries since the last one are to be
computed again, and new ones keep coming) the aggregator is killed (kill -9) and started again at once. Printed: from
the kill to the first snapshot that a show engine's socket receives, and what the time went into. There is no spare:
with one, see ``python -m tests.faults``.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import subprocess
import sys
import tempfile
import time
from multiprocessing.connection import Connection
from pathlib import Path

from tests.benchmarks.bench_engine import TICK_MS, Swarm
from tests.benchmarks.servers import cpu_s, redis, resident_bytes
from tests.faults_witness import Datagrams, Sent, datagrams

EVENING = "cold"
BEFORE_S = 0.5  # so long before the next checkpoint is due
REST_S = 40.0  # until the listeners have baselines
LIMIT_S = 60.0
KEY = b"ripieno:{" + EVENING.encode() + b":%d}:entries"


def feeding(port: int, listeners: int, pipe: Connection) -> None:
    """Entry of the writing process: claims, then packets in real time, until told to stop; says how late it was."""
    from redis import Redis

    client, swarm = Redis(port=port), Swarm(listeners)
    with client.pipeline(transaction=False) as many:
        for entry in swarm.controls():
            many.xadd(KEY % entry.stream, {b"p": entry.payload})
        many.execute()
    pipe.send("joined")
    began_s, k, late_s = time.monotonic(), 0, 0.0
    while not pipe.poll():
        k += 1
        entries = swarm.entries(k)
        wait_s = began_s + k * TICK_MS / 1000 - time.monotonic()
        late_s = max(late_s, -wait_s)
        time.sleep(max(0.0, wait_s))
        with client.pipeline(transaction=False) as many:
            for entry in entries:
                many.xadd(KEY % entry.stream, {b"p": entry.payload})
            many.execute()
    pipe.send(late_s)


def settings(folder: Path, url: str, osc_port: int, chosen: argparse.Namespace) -> None:
    (folder / "evening.toml").write_text(
        f'[evening]\nid = "{EVENING}"\nseats = {chosen.listeners}\n[bus]\nurl = "{url}"\n[monitor]\nport = 0\n'
        f'[outputs]\nosc = ["127.0.0.1:{osc_port}"]\n[checkpoint]\npath = "kept"\nevery_s = {chosen.every}\n'
    )


def start(folder: Path, name: str, log: Path) -> subprocess.Popen[bytes]:
    words = ["aggregate", "--settings", "evening.toml", "--name", name]
    root = Path(__file__).resolve().parents[2]
    with log.open("wb") as out:
        return subprocess.Popen(
            [sys.executable, "-m", "tests.benchmarks.cold_steps", str(folder / f"{name}.json"), *words],
            cwd=folder, stdout=out, stderr=out, env=os.environ | {"PYTHONPATH": str(root)},
        )  # fmt: skip


def first_after(engine: Datagrams, since: int, epoch: int, process: subprocess.Popen[bytes]) -> Sent:
    """Wait for a snapshot of a newer epoch."""
    end_s = time.monotonic() + LIMIT_S
    while time.monotonic() < end_s and process.poll() is None:
        seen = len(engine.raw)
        for sent in engine.decoded(since):
            if not sent.heartbeat and sent.epoch > epoch:
                return sent
        since = seen
        time.sleep(0.005)
    raise TimeoutError(f"no snapshot: the aggregator {'runs' if process.poll() is None else 'has ended'}")


def run(chosen: argparse.Namespace) -> None:
    """Play it and print."""
    spawn = multiprocessing.get_context("spawn")
    with tempfile.TemporaryDirectory() as made, redis() as (redis_pid, url), datagrams() as engine:
        folder = Path(made)
        (folder / "kept").mkdir()
        settings(folder, url, engine.port, chosen)
        ours, theirs = spawn.Pipe()
        feeder = spawn.Process(target=feeding, args=(int(url.rsplit(":", 1)[1]), chosen.listeners, theirs))
        feeder.start()
        ours.recv()
        first = start(folder, "first", folder / "first.log")
        second: subprocess.Popen[bytes] | None = None
        try:
            epoch = first_after(engine, 0, 0, first).epoch
            kept = folder / "kept" / "first.checkpoint"
            _until_old(kept, _until_kept(kept, first, chosen.every) - BEFORE_S)
            behind_s, last_s, since = time.time() - kept.stat().st_mtime, engine.raw[-1][0], len(engine.raw)
            first.kill()
            killed_s = time.monotonic()
            second = start(folder, "second", folder / "second.log")
            sent = first_after(engine, since, epoch, second)
            time.sleep(1.0)
            print(f"checkpoint {kept.stat().st_size / 1e6:.0f} MB, {behind_s:.1f} s old; processor: ", end="")
            print(f"generator {cpu_s(feeder.pid or 0):.0f} s, Redis {cpu_s(redis_pid):.1f} s", end="; ")
            print(f"Redis holds {resident_bytes(redis_pid) / 1e6:.0f} MB; load {os.getloadavg()[0]:.1f}")
            report(killed_s, last_s, sent, json.loads((folder / "second.json").read_text()))
        except TimeoutError:
            for log in sorted(folder.glob("*.log")):
                print(log.name, *log.read_text().splitlines()[-12:], sep="\n  ", file=sys.stderr)
            raise
        finally:
            ours.send("stop")
            if ours.poll(10):
                print(f"the generator was {1e3 * ours.recv():.0f} ms late at the most")
            feeder.join(10)
            for process in (first, second):
                if process is not None:
                    process.kill()
                    process.wait(10)


def _until_old(path: Path, age_s: float) -> None:
    """The newest checkpoint is as old as it becomes; by time or by work, some come a little sooner than the others."""
    end_s = time.monotonic() + LIMIT_S
    while time.time() - path.stat().st_mtime < age_s:
        if time.monotonic() > end_s:
            raise TimeoutError(f"no checkpoint became {age_s:.1f} s old")
        time.sleep(0.02)


def _until_kept(path: Path, process: subprocess.Popen[bytes], every_s: float) -> float:
    """A second checkpoint, and 40 s: by then the listeners have baselines. Seconds between the last two."""
    seen: set[float] = set()
    end_s = time.monotonic() + 4 * every_s + LIMIT_S
    began_s = time.monotonic()
    while len(seen) < 2 or time.monotonic() - began_s < REST_S:
        if process.poll() is not None or time.monotonic() > end_s:
            raise TimeoutError("no checkpoint")
        if path.exists():
            seen.add(path.stat().st_mtime)
        time.sleep(0.05)
    return max(seen) - max(seen - {max(seen)})


def report(killed_s: float, last_s: float, sent: Sent, told: list[dict[str, float]]) -> None:
    """One line a step."""
    steps, spent = told
    rows = [
        ("process begins", steps["begun"]),
        ("imported", steps["imported"]),
        ("checkpoint read", steps["checkpoint read"]),
        ("engine restored", steps["engine restored"]),
        ("first snapshot sent", steps["sent"]),
        ("and received", sent.at_s),
    ]
    before_s = killed_s
    print("| step | after the kill, s | took, s |\n|---|---|---|")
    for name, at_s in rows:
        print(f"| {name} | {at_s - killed_s:.2f} | {at_s - before_s:.2f} |")
        before_s = at_s
    print(
        f"between restored and sent: {spent['entries']:.0f} entries read in {spent['reading']:.2f} s, "
        f"{spent['ticks']:.0f} ticks in {spent['computing']:.2f} s; "
        f"processor since the start {spent['processor']:.2f} s"
    )
    print(f"kill to first snapshot {sent.at_s - killed_s:.2f} s; silence {sent.at_s - last_s:.2f} s")


def main() -> None:
    """Parse and run."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--listeners", type=int, default=10_000)
    options.add_argument("--every", type=float, default=30.0, help="seconds between checkpoints")
    run(options.parse_args())


if __name__ == "__main__":
    main()
