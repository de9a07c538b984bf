import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from controller.bench.scenario import scenario
from controller.cli.demostage import Stage, end_daemon, staged, start_daemon, wait_until_ready
from controller.cli.demostory import Landing, all_on_the_pulse, chosen_satellites
from controller.cli.demoyaml import demo_yaml
from controller.cli.learned import Learned, learned_from
from controller.config import load

LIMIT_S = 240  # of the patience of this test, on a machine that does much else


def arckeeper(*words: str, timeout_s: float = 60) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "controller.cli", *words],
        capture_output=True, text=True, check=False, timeout=timeout_s,
    )  # fmt: skip


def json_of(text: str) -> dict[str, Any]:
    read = json.loads(text)
    assert isinstance(read, dict)
    return read


def wait_for_motion(stage: Stage, *, moving: bool = True) -> None:
    until_s = time.monotonic() + 20
    while stage.yard.truth().moving is not moving:
        assert time.monotonic() < until_s, f"moving is not {moving} within 20 s"
        time.sleep(0.02)


def kill_daemon(stage: Stage) -> None:
    os.kill(json_of((stage.state_dir / "running.json").read_text())["pid"], signal.SIGKILL)
    time.sleep(0.5)


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("ARCKEEPER_CONFIG", raising=False)
    monkeypatch.setenv("COLUMNS", "80")
    return tmp_path


def test_the_first_evening_lands_every_stop_within_one_pulse(home: Path) -> None:
    told = arckeeper("demo", "--once", "--state-dir", str(home / "demo"), timeout_s=LIMIT_S)
    assert told.returncode == 0, told.stdout + told.stderr
    rows = re.findall(
        r"^(\w+) +(\d+) +(\d+) +([\d.]+) +([-+][\d.]+) .*(peaked by hand|found by the model) *$",
        told.stdout,
        re.MULTILINE,
    )
    assert [row[-1] for row in rows] == ["peaked by hand"] * 3 + ["found by the model"] * 2
    for _, sent_to, landed, peak, _, _ in rows:
        assert abs(int(landed) - int(sent_to)) <= 1
        # 12 (x / 1.75 deg) ** 2 dB: three pulses, a quarter of a degree, are 0.25 dB.
        assert abs(int(landed) + 0.5 - float(peak)) <= 3
    assert max(len(line) for line in told.stdout.splitlines() if "starting" not in line) <= 100
    config = str(home / "demo" / "demo.yaml")
    assert arckeeper("status", "--config", config).returncode == 3
    history = arckeeper("history", "--config", config).stdout
    assert history.count("reference") >= 3
    assert "counts by ends 0 and" in arckeeper("look", "--config", config).stdout


def test_a_dish_whose_daemon_was_killed_in_mid_move_stands_after_safe_and_is_found_again(
    home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = scenario("tussock-downs", speed_mm_per_s=50, start_mm=100)
    with staged(home / "stage", plan) as stage:
        monkeypatch.setenv("ARCKEEPER_YARD", stage.yard.environment["ARCKEEPER_YARD"])
        config = str(stage.config)
        assert arckeeper("limits", "--yes", "--config", config, timeout_s=LIMIT_S).returncode == 0
        away = arckeeper("goto", "count:200", "--yes", "--no-wait", "--config", config)
        assert away.returncode == 0, away.stderr
        wait_for_motion(stage)
        kill_daemon(stage)
        assert stage.yard.truth().moving  # nobody has opened a relay
        safe = arckeeper("safe", "--config", config)
        assert safe.returncode == 0, safe.stdout + safe.stderr
        assert "the time was noted beside the count" in safe.stdout
        wait_for_motion(stage, moving=False)
        daemon = start_daemon(stage)
        try:
            wait_until_ready(daemon, stage)
            status = arckeeper("status", "--json", "--config", config)
            assert status.returncode == 0, status.stderr
            known = json_of(status.stdout)
            off_pulses = abs(stage.yard.truth().count_pulses - known["count_pulses"])
            assert off_pulses <= known["doubt_pulses"]
            assert known["doubt_pulses"] < 300
        finally:
            end_daemon(daemon)


def landing(*, target_pulses: int, landed_pulses: int) -> Landing:
    return Landing(
        name="Heron",
        role="",
        target_pulses=target_pulses,
        landed_pulses=landed_pulses,
        peak_pulses=0.0,
        off_pulses=0.0,
        off_deg=0.0,
        loss_db=0.0,
    )


@pytest.mark.parametrize(
    ("landed", "good"), [(98, False), (99, True), (100, True), (101, True), (102, False)]
)
def test_one_pulse_is_allowed_and_two_are_not(landed: int, good: bool) -> None:
    fine = landing(target_pulses=5, landed_pulses=5)
    assert all_on_the_pulse([fine, landing(target_pulses=100, landed_pulses=landed)]) is good


@pytest.mark.parametrize("name", ["tussock-downs", "alder-fen"])
def test_the_satellites_of_the_story_are_five_and_within_reach(tmp_path: Path, name: str) -> None:
    path = tmp_path / "demo.yaml"
    path.write_text(demo_yaml(scenario(name), broker_port=1883, state_dir=tmp_path))
    references, targets = chosen_satellites(load(path), 1135 if name == "tussock-downs" else 860)
    assert (len(references), len(targets)) == (3, 2)
    assert len({*references, *targets}) == 5
    assert not {*references, *targets} & {"Dotterel", "Bittern", "Wagtail"}


def test_the_newest_reference_of_a_satellite_holds() -> None:
    row = {"slot_deg": 147.6, "sigma_pulses": 1.0, "dropped": 0}
    rows = [
        {"name": "Heron", "count_pulses": 700.0, **row},
        {"name": "Petrel", "count_pulses": 600.0, **row, "dropped": 1},
        {"name": "Heron", "count_pulses": 731.0, **row},
    ]
    limits = [{"west_limit_pulses": 1100}, {"west_limit_pulses": 1135}]
    learned = learned_from({"reference": rows, "limits": limits})
    assert [(r.name, r.count_pulses) for r in learned.references] == [("Heron", 731.0)]
    assert learned.west_limit_pulses == 1135
    assert "references: Heron" in learned.words()
    assert "tape measure alone" in Learned((), None).words()
