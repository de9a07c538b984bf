import json
import re
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from controller.bench.scenario import SCENARIOS, scenario
from controller.cli.demoyaml import demo_yaml
from controller.cli.group import COMMANDS, main
from controller.config import load, priors
from controller.geometry.fit import fit

ROOT = Path(__file__).resolve().parents[2]
TUSSOCK = ROOT / "config/tussock-downs.yaml"


def call(*words: str, **options: object) -> Result:
    return CliRunner().invoke(main, list(words), **options)  # type: ignore[arg-type]


@pytest.fixture
def lonely(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A dish without a daemon, and a folder of its own for everything it remembers."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.delenv("ARCKEEPER_CONFIG", raising=False)
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    path = tmp_path / "demo.yaml"
    text = demo_yaml(scenario("tussock-downs"), broker_port=9, state_dir=tmp_path / "dish")
    path.write_text(text)
    return path


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_teaches_with_an_example(name: str) -> None:
    command = main.get_command(click.Context(main), name)
    assert command is not None
    assert command.name == name
    assert re.search(rf"\n +arckeeper {name}", command.help or "")
    shown = call(name, "--help")
    assert shown.exit_code == 0
    assert max(len(line) for line in shown.output.splitlines()) <= 80


READING = ("check", "status", "sats", "look", "history")


@pytest.mark.parametrize("name", READING)
def test_every_command_that_reads_can_write_json(name: str) -> None:
    assert "--json" in call(name, "--help").output


def test_help_lists_every_command_once() -> None:
    words = [line.split()[0] for line in call("--help").output.splitlines() if line.startswith("  ")
             and len(line.split()) > 1]  # fmt: skip
    assert [words.count(name) for name in COMMANDS] == [1] * len(COMMANDS)


def test_a_slip_is_answered_with_the_nearest_command() -> None:
    result = call("gto", "Heron")
    assert result.exit_code == 2
    assert "did you mean goto?" in result.output


@pytest.mark.parametrize(
    "words",
    [
        ("status",),
        ("goto", "Heron", "--yes"),
        ("nudge", "+3", "--yes"),
        ("park", "--yes"),
        ("halt",),
        ("hold", "grease"),
        ("release",),
        ("limits", "--yes"),
        ("reference", "Heron"),
        ("settle", "Heron"),
        ("clear",),
    ],
    ids=lambda words: words[0],
)
def test_without_a_daemon_the_exit_code_says_so(lonely: Path, words: tuple[str, ...]) -> None:
    result = call(*words, "--config", str(lonely))
    assert result.exit_code == 3, result.output
    assert "127.0.0.1:9" in result.stderr
    assert "Traceback" not in result.output


@pytest.mark.parametrize("words", [("goto", "count:x"), ("nudge", "1.5"), ("nudge", "far")])
def test_a_target_that_is_none_is_a_slip_of_the_command_line(
    lonely: Path, words: tuple[str, ...]
) -> None:
    assert call(*words, "--config", str(lonely)).exit_code == 2


def test_the_first_move_is_refused_where_nobody_can_agree_to_the_cautions(lonely: Path) -> None:
    result = call("goto", "Heron", "--config", str(lonely))
    assert result.exit_code == 1
    assert "Nobody stands in its swing" in result.stderr
    assert "a script does so with --yes" in result.stderr


def test_the_cautions_are_shown_once(lonely: Path) -> None:
    first = call("goto", "Heron", "--yes", "--config", str(lonely))
    again = call("goto", "Heron", "--config", str(lonely))
    assert "Nobody stands in its swing" in first.stderr
    assert "Nobody stands in its swing" not in again.stderr
    assert again.exit_code == 3


def test_limits_shows_the_cautions_every_time(lonely: Path) -> None:
    call("goto", "Heron", "--yes", "--config", str(lonely))
    assert call("limits", "--config", str(lonely)).exit_code == 3  # nobody answers: no need yet


def test_check_tells_every_mistake_with_line_and_column(tmp_path: Path) -> None:
    path = tmp_path / "hill.yaml"
    path.write_text(
        TUSSOCK.read_text()
        .replace("diameter_m: 3.0", "diameter_m: 300")
        .replace("stall_s: 2.0", "stall_s: soon")
    )
    result = call("check", str(path))
    assert result.exit_code == 1
    told = result.stderr.splitlines()
    lines = path.read_text().splitlines()
    for option, text in zip(("diameter_m", "stall_s"), told, strict=False):
        line = next(n for n, each in enumerate(lines, 1) if f"{option}: " in each
                    and not each.lstrip().startswith("#"))  # fmt: skip
        assert text.startswith(f"{path}:{line}:3: ")
        assert option in text
    assert told[2:] == ["2 mistakes"]


def test_check_sums_up_what_is_sound() -> None:
    result = call("check", str(TUSSOCK))
    assert result.exit_code == 0
    assert "is sound" in result.output
    # 600 mm x 1.9 pulses/mm
    assert "travel as taped 1140 pulses" in result.output
    assert "out of reach as taped: Dotterel, Bittern" in result.output  # as the file says


@pytest.mark.parametrize("content", [b"", b"\xff\xfe", b"a: [", b"[1, 2]", b"\x00", b"\xe4"])
def test_garbage_is_refused_in_words(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "bad.yaml"
    path.write_bytes(content)
    for words in (("check",), ("status",), ("safe",), ("look",), ("goto", "Heron", "--yes")):
        result = call(*words, "--config", str(path))
        assert result.exit_code == 1, (words, result.output)
        assert str(path) in result.stderr
        assert isinstance(result.exception, SystemExit)


def test_look_shows_every_visible_satellite_from_east_to_west(lonely: Path) -> None:
    rows = json.loads(call("look", "--json", "--config", str(lonely)).output)
    hour_angles = [row["hour_angle_deg"] for row in rows]
    assert hour_angles == sorted(hour_angles)
    assert {row["name"] for row in rows if not row["reachable"]} == {"Dotterel", "Bittern"}
    heron = next(row for row in rows if row["name"] == "Heron")
    # By hand on a sphere: cos c = cos 45.1 cos 21.8, elevation = atan((cos c - 0.1513) / sin c).
    assert heron["elevation_deg"] == pytest.approx(33.7, abs=0.3)
    assert heron["azimuth_deg"] == pytest.approx(330.6, abs=0.3)


def test_look_leaves_out_what_stands_too_low(lonely: Path) -> None:
    result = call("look", "--min-elevation", "14", "--config", str(lonely))
    assert "below 14 deg: Bittern" in result.output
    assert "Dotterel" in result.output
    assert max(len(line) for line in result.output.splitlines()) <= 80


def test_sats_lists_the_catalogue() -> None:
    listed = json.loads(call("sats", "--json", "--config", str(TUSSOCK)).output)
    assert [row["name"] for row in listed][:2] == ["Heron", "Dotterel"]
    assert listed[0]["slot_deg"] == 147.6


@pytest.mark.parametrize("name", sorted(SCENARIOS))
def test_the_configuration_of_the_demo_is_sound(tmp_path: Path, name: str) -> None:
    path = tmp_path / "demo.yaml"
    path.write_text(demo_yaml(scenario(name), broker_port=1883, state_dir=tmp_path))
    settings = load(path)
    assert settings.dish.name == name
    assert fit(priors(settings), (), west_limit_pulses=None).travel_pulses > 500


def test_status_loads_neither_mathematics_nor_terminal_library() -> None:
    code = (
        "import sys\n"
        "from controller.cli.group import main\n"
        "main(['status', '--config', sys.argv[1]], standalone_mode=False)\n"
    )
    probe = "try:\n    exec(sys.argv[2])\nexcept SystemExit:\n    pass\n"
    ran = subprocess.run(
        [sys.executable, "-c", f"import sys\n{probe}print(sorted(sys.modules))",
         str(TUSSOCK), code],
        capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    assert "controller.edge.caller" in ran.stdout
    for heavy in ("numpy", "rich", "gpiozero", "controller.daemon", "sqlite3"):
        assert f"'{heavy}'" not in ran.stdout, heavy
