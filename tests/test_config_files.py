"""Where the paths in the file lead, and the part of it that opening the relays needs."""

from pathlib import Path

import pytest

from controller.config import TwoRelays, load, load_wiring
from controller.errors import ConfigError
from tests.paper import complaints, dish


def test_paths_are_taken_from_the_folder_of_the_file(tmp_path: Path) -> None:
    broker = {"host": "b", "user": "u", "password_file": "secret", "tls": True, "ca_file": "/ca"}
    assert complaints(tmp_path, dish(broker=broker) | {"state_dir": "../state"}) == []
    settings = load(tmp_path / "dish.yaml")
    assert settings.broker.password_file == tmp_path / "secret"
    assert settings.broker.ca_file == Path("/ca")
    assert settings.state_dir == tmp_path / "../state"


def test_leading_tilde_is_the_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    assert complaints(tmp_path, dish() | {"state_dir": "~/state"}) == []
    assert load(tmp_path / "dish.yaml").state_dir == tmp_path / "home/state"
    assert load_wiring(tmp_path / "dish.yaml").state_dir == tmp_path / "home/state"


def test_name_that_no_file_can_have_is_refused(tmp_path: Path) -> None:
    table = dish() | {"satellites": "a\0b", "state_dir": "a\0b"}
    assert complaints(tmp_path, table) == [
        f"satellites: '{tmp_path}/a\\x00b': no file can have this name",
        "state_dir: must be a name that a file can have",
    ]


def test_wiring_is_read_whatever_is_wrong_elsewhere(tmp_path: Path) -> None:
    table = dish(motion={"max_run_s": 9e9}, hub={"nonsense": 1}) | {"state_dir": "state"}
    assert len(complaints(tmp_path, table)) == 2
    wiring = load_wiring(tmp_path / "dish.yaml")
    assert wiring.pins.drive == TwoRelays(kind="two-relays", east_pin=5, west_pin=6)
    assert wiring.state_dir == tmp_path / "state"


def test_wiring_that_is_wrong_itself_is_refused(tmp_path: Path) -> None:
    (tmp_path / "dish.yaml").write_text("pins: {drive: {kind: two-relays, east_pin: 5}}")
    with pytest.raises(ConfigError, match=r"pins\.drive\.west_pin: is missing"):
        load_wiring(tmp_path / "dish.yaml")
