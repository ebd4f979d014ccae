"""Nothing is left to be loaded once an evening runs: from a cold disk that would be a pause in which no tick is due."""

from __future__ import annotations

import subprocess
import sys

RUN = """
import sys
from aggregator.command import demo, main

at_start = set()
really = demo.open_house

async def open_house(*args, **named):
    at_start.update(sys.modules)
    return await really(*args, **named)

demo.open_house = open_house
code = main(["demo", "--headless", "--listeners", "20", "--seconds", "12", "--port", "0"])
print("LATER", *sorted(n for n in set(sys.modules) - at_start if n.split(".")[0] in OURS))
sys.exit(code)
"""
OURS = ("numpy", "aggregator", "relay", "loadtest")  # a resolver or a codec of Python's own is small


def test_no_module_is_loaded_in_the_middle_of_an_evening() -> None:
    """12 s: past the first pulse rates, which are the last to use something new."""
    ran = subprocess.run(
        [sys.executable, "-c", RUN.replace("OURS", repr(OURS))], capture_output=True, text=True, timeout=60, check=True
    )
    assert ran.stdout.splitlines()[-1].split() == ["LATER"]
