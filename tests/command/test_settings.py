"""Settings: one file, the environment, options; every problem at once."""

from pathlib import Path

import pytest

from aggregator.command.settings import Settings, SettingsError, describe, load


def problems(path: Path | None, environment: dict[str, str], **options: object) -> list[str]:
    with pytest.raises(SettingsError) as caught:
        load(path, environment, {k.replace("__", "."): v for k, v in options.items()})
    return caught.value.problems


def test_defaults() -> None:
    assert load(None, {}) == Settings()


def test_file_then_environment_then_option(tmp_path: Path) -> None:
    path = tmp_path / "evening.toml"
    path.write_text('[relay]\nport = 1\nlisten = "0.0.0.0"\n[engine]\ntick_hz = 25\n[outputs]\nosc = ["a:1", "b:2"]\n')
    got = load(
        path, {"RIPIENO_RELAY_PORT": "2", "RIPIENO_ENGINE_REST_S": "60"}, {"relay.port": 3, "monitor.port": None}
    )
    assert (got.relay.port, got.relay.listen, got.engine.tick_hz, got.engine.rest_s) == (3, "0.0.0.0", 25.0, 60.0)
    assert got.outputs.osc == ("a:1", "b:2")
    assert load(path, {"RIPIENO_RELAY_PORT": "2"}).relay.port == 2


def test_every_problem_at_once(tmp_path: Path) -> None:
    path = tmp_path / "evening.toml"
    path.write_text("[relay]\nport = 70000\nprot = 1\n[engin]\n[engine]\ntick_hz = 'fast'\n")
    found = problems(path, {"RIPIENO_MONITOR_PORT": "x", "RIPIENO_RELAY_PROT": "1"})
    text = "\n".join(found)
    for piece in (
        "unknown key relay.prot", "unknown section [engin]", "relay.port: found 70000, allowed: 0..65535",
        "engine.tick_hz: found 'fast'", "RIPIENO_MONITOR_PORT: found 'x'", "unknown variable RIPIENO_RELAY_PROT",
    ):  # fmt: skip
        assert piece in text
    assert len(found) == 6


def test_unreadable_file_says_what_to_do(tmp_path: Path) -> None:
    assert "cannot be read" in problems(tmp_path / "none.toml", {})[0]
    (tmp_path / "bad.toml").write_text("a = = 1")
    assert "not TOML" in problems(tmp_path / "bad.toml", {})[0]


@pytest.mark.parametrize(("value", "good"), [("true", True), ("maybe", False)])
def test_booleans_from_the_environment(value: str, good: bool) -> None:
    if good:
        assert load(None, {"RIPIENO_OUTPUTS_OSC_SEAT_MESSAGES": value}).outputs.osc_seat_messages
    else:
        assert "true or false" in problems(None, {"RIPIENO_OUTPUTS_OSC_SEAT_MESSAGES": value})[0]


def test_every_key_is_described() -> None:
    assert all(row[3] for row in describe())
    assert len({row[0] for row in describe()}) == len(describe())
