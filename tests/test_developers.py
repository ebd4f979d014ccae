"""The documents tell the truth: names in DEVELOPERS.md exist, links in the documents lead somewhere."""

from __future__ import annotations

import re
from functools import reduce
from importlib import import_module
from pathlib import Path

import pytest

from aggregator.command import build_parser
from aggregator.command.settings import describe

ROOT = Path(__file__).resolve().parent.parent
DOCUMENTS = sorted(p for p in ROOT.rglob("*.md") if not any(part.startswith(".") for part in p.relative_to(ROOT).parts))
NAME = re.compile(r"`((?:relay|aggregator|loadtest)(?:\.\w+)+)`")


def names() -> list[str]:
    return sorted(set(NAME.findall((ROOT / "DEVELOPERS.md").read_text())))


@pytest.mark.parametrize("name", names())
def test_every_name_in_developers_exists(name: str) -> None:
    pieces = name.split(".")
    for cut in range(len(pieces), 0, -1):
        try:
            module = import_module(".".join(pieces[:cut]))
        except ModuleNotFoundError:
            continue
        reduce(getattr, pieces[cut:], module)
        return
    raise AssertionError(f"{name}: no such module")


def test_one_packets_way_is_told() -> None:
    assert len(names()) >= 17


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda p: str(p.relative_to(ROOT)))
def test_links_lead_somewhere(path: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)", path.read_text()):
        if "://" not in target:
            assert (path.parent / target).exists(), f"{path.name}: {target}"


def test_rooms_exist() -> None:
    table = (ROOT / "DEVELOPERS.md").read_text().split("## The rooms")[1].split("## Kernels")[0]
    for row in re.findall(r"^\| (.+?) \|", table, re.MULTILINE):
        folder = ""
        for found in re.findall(r"`([^`]+)`", row):
            folder = str(Path(found).parent) if "/" in found else folder
            pattern = found if "/" in found else f"{folder}/{found}"
            assert list(ROOT.glob(pattern.rstrip("/"))), f"no {pattern}"


def test_commands_in_readme_exist() -> None:
    text = (ROOT / "README.md").read_text()
    parser = build_parser()
    known = next(a.choices for a in parser._actions if a.choices and "demo" in a.choices)
    assert known is not None
    used = set(re.findall(r"ripieno ((?:[a-z]+))(?= |`|\n)", text)) - {"is", "can", "on", "takes"}
    used = {u for u in used if f"`ripieno {u}" in text or f"bin/ripieno {u}" in text}
    assert used
    assert used <= set(known), used - set(known)


def test_every_command_has_help(capsys: pytest.CaptureFixture[str]) -> None:
    parser = build_parser()
    known = next(a.choices for a in parser._actions if a.choices and "demo" in a.choices)
    assert known is not None
    for name in known:
        with pytest.raises(SystemExit) as caught:
            parser.parse_args([name, "--help"])
        assert caught.value.code == 0
        assert len(capsys.readouterr().out) > 200
    assert describe()
