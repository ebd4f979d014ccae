"""The containers: every version is pinned, and each can read the secrets of its own role alone."""

from __future__ import annotations

import re
from importlib.metadata import distribution
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from aggregator.command import main

ROOT = Path(__file__).resolve().parent.parent
COMPOSE = (ROOT / "compose.yaml").read_text()
CONTAINERFILE = (ROOT / ".container" / "Containerfile").read_text()
PINS = dict(
    line.split("==")
    for line in (ROOT / ".container" / "constraints.txt").read_text().splitlines()
    if line and not line.startswith("#")
)
IMAGE = {"python_version": "3.13", "python_full_version": "3.13.7", "extra": ""}  # as the Containerfile's base


def needed(name: str, found: set[str]) -> set[str]:
    """What a package needs in the image, itself needed; extras are not."""
    for text in distribution(name).requires or []:
        asked = Requirement(text)
        other = canonicalize_name(asked.name)
        if other in found or not (asked.marker is None or asked.marker.evaluate(IMAGE)):
            continue
        found.add(other)
        needed(other, found)
    return found


def test_every_package_of_the_image_has_one_version() -> None:
    assert needed("ripieno", set()) | {"setuptools"} <= set(PINS)
    assert all(re.fullmatch(r"\d+(\.\d+)+", version) for version in PINS.values())
    installs = re.findall(r"pip install [^&]*", CONTAINERFILE)
    assert installs
    assert all("--constraint /src/constraints.txt" in words for words in installs)


def test_every_base_image_names_its_full_version() -> None:
    images = re.findall(r"^FROM (\S+)", CONTAINERFILE, re.MULTILINE) + re.findall(r"image: (\S+)", COMPOSE)
    assert len(images) >= 6
    for image in images:
        assert re.search(r":v?\d+\.\d+\.\d+", image), image


def service(name: str) -> str:
    """One block of compose.yaml: the lines below ``name:`` that are indented further."""
    found = re.search(rf"^( *){name}:(?: &\w+)?\n((?:\1 +.*\n|\n)+)", COMPOSE, re.MULTILINE)
    assert found is not None, name
    return found[2]


@pytest.mark.parametrize(
    ("block", "secrets"),
    [
        ("x-relay", {"bus", "keys"}),
        ("x-aggregator", {"bus", "operator"}),
        ("bus", {"bus"}),
        ("monitor", {"bus", "keys", "operator"}),
    ],
)
def test_a_container_can_read_the_secrets_of_its_role_alone(block: str, secrets: set[str]) -> None:
    mounts = re.findall(r"secrets[\w-]*:/[\w/:]+", service(block))
    assert sorted(mounts) == sorted(f"secrets-{name}:/secrets/{name}:ro" for name in secrets)


def test_the_secrets_are_made_where_the_containers_look(tmp_path: Path) -> None:
    assert main(["secrets", "--apart", str(tmp_path)]) == 0
    made = {f"/secrets/{path.relative_to(tmp_path)}" for path in tmp_path.rglob("*") if path.is_file()}
    named = set(re.findall(r"/secrets/\w+/[\w.]+", COMPOSE + (ROOT / ".container" / "bus.sh").read_text()))
    assert made == named
    assert all(path.stat().st_mode & 0o777 == 0o440 for path in tmp_path.rglob("*") if path.is_file())
