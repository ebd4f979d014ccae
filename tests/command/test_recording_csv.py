"""Recorded signal files: what is read, and one clear line for each thing that can be wrong."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from aggregator.command.errors import UserError
from aggregator.command.recording_csv import Recording, read


def reading(tmp_path: Path, text: str, *, rate_hz: float | None = None, unit: str = "s") -> Recording:
    path = tmp_path / "r.csv"
    path.write_text(text)
    return read(path, ["a"], rate_hz=rate_hz, time_column=None if rate_hz else "t", time_unit=unit)


def refused(tmp_path: Path, text: str, **how: float) -> str:
    with pytest.raises(UserError) as caught:
        reading(tmp_path, text, **how)  # type: ignore[arg-type]
    assert "\n" not in str(caught.value)
    return str(caught.value)


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_delimiters_and_times(tmp_path: Path, mark: str) -> None:
    got = reading(tmp_path, "t,a\n1000,1\n1033,\n1070,3e1\n\n".replace(",", mark), unit="ms")
    assert got.time_s.tolist() == pytest.approx([1.0, 1.033, 1.07])
    assert got.columns["a"][[0, 2]].tolist() == [1.0, 30.0]
    assert np.isnan(got.columns["a"][1])
    assert got.even_hz is None


def test_even_rate(tmp_path: Path) -> None:
    got = reading(tmp_path, "a\n1\n2\n3\n", rate_hz=50)
    assert got.time_s.tolist() == pytest.approx([0, 0.02, 0.04])
    assert got.even_hz == 50


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("t,b\n1,2\n", "line 1 has no column 'a'; it has: t, b"),
        ("t,a\n1,2\n2,x\n", "line 3, column 'a': found 'x', expected a number"),
        ("t,a\n1,2\n2,inf\n", "line 3, column 'a': found 'inf', expected a finite number"),
        ("t,a\n1,2\n1,3\n", "line 3, column 't': found 1 s after 1 s"),
        ("t,a\n1,2\n,3\n", "line 3, column 't'"),
        ("t,a\n1,2\n3\n", "line 3 has 1 cells, the header names 2"),
        ("t,a\n1,2\n", "holds 1 rows"),
        ("", "line 1 has no column"),
    ],
)
def test_refusals_name_line_and_column(tmp_path: Path, text: str, said: str) -> None:
    assert said in refused(tmp_path, text)


def test_unreadable(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="cannot be read"):
        read(tmp_path / "none.csv", ["a"], rate_hz=1, time_column=None, time_unit="s")
    (tmp_path / "b.csv").write_bytes(b"a\n\xff\xfe\x00")
    with pytest.raises(UserError, match="not a text file"):
        read(tmp_path / "b.csv", ["a"], rate_hz=1, time_column=None, time_unit="s")
