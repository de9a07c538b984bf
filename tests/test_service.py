import re
import shutil
import subprocess
from pathlib import Path

import click
import pytest

from controller.cli import main

UNIT = Path(__file__).resolve().parent.parent / "config/systemd/arckeeper@.service"
PROGRAM = "/opt/arckeeper/venv/bin/arckeeper"
ANALYZE = shutil.which("systemd-analyze") or "systemd-analyze is missing: tests/run installs it"
EXPOSURE_MAX = "20"  # tenths; systemd calls 0 to 2 safe, 9.6 is a unit without any precaution


def analyze(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [ANALYZE, *arguments], capture_output=True, text=True, check=False, timeout=60
    )


def exposure(unit: Path) -> subprocess.CompletedProcess[str]:
    return analyze(
        "security", "--offline=true", "--no-pager", f"--threshold={EXPOSURE_MAX}", str(unit)
    )


def settings(name: str) -> list[str]:
    return re.findall(rf"^{name}=(.*)$", UNIT.read_text(), re.MULTILINE)


def test_the_service_is_hardly_exposed() -> None:
    judged = exposure(UNIT)
    assert judged.returncode == 0, judged.stdout + judged.stderr


def test_a_service_without_its_fences_would_be_noticed(tmp_path: Path) -> None:
    bare = tmp_path / UNIT.name
    kept = [
        line
        for line in UNIT.read_text().splitlines()
        if not line.startswith(("Dynamic", "Protect", "Restrict", "SystemCall", "Capability"))
    ]
    bare.write_text("\n".join(kept))
    assert exposure(bare).returncode != 0


@pytest.mark.parametrize(
    ("was", "becomes", "complaint"),
    [
        ("UMask=", "UMask=", ""),
        ("UMask=", "UMusk=", "Unknown key"),
        ("WatchdogSec=5", "WatchdogSec=often", "Failed to parse"),
    ],
)
def test_systemd_understands_every_line(
    tmp_path: Path, was: str, becomes: str, complaint: str
) -> None:
    unit = tmp_path / UNIT.name
    unit.write_text(UNIT.read_text().replace(PROGRAM, "/bin/true").replace(was, becomes))
    heard = analyze("verify", "--man=no", str(unit))
    of_ours = [line for line in (heard.stdout + heard.stderr).splitlines() if UNIT.stem in line]
    assert (complaint in "\n".join(of_ours)) if complaint else (of_ours == [])


def test_relays_are_opened_however_the_daemon_ends() -> None:
    # ExecStopPost runs after a stop, a crash, a kill and the watchdog (systemd.service(5)).
    assert settings("ExecStopPost") == [f"{PROGRAM} safe --config /etc/arckeeper/%i.yaml"]
    assert settings("ExecStart") == [f"{PROGRAM} run --config /etc/arckeeper/%i.yaml"]


@pytest.mark.parametrize("setting", ["ExecStart", "ExecStopPost"])
def test_the_program_understands_what_the_service_calls(setting: str) -> None:
    (line,) = settings(setting)
    _, name, *arguments = line.split()
    command = main.get_command(click.Context(main), name)
    assert command is not None
    called = command.make_context(name, arguments)
    assert called.params["chosen"].file() == Path("/etc/arckeeper/%i.yaml")


def test_the_service_can_read_which_boot_this_is() -> None:
    # `pid` would hide /proc/sys/kernel/random/boot_id; whether it may: systemd.exec(5).
    assert settings("ProcSubset") == []


def test_a_loop_that_hangs_is_ended() -> None:
    assert settings("Type") == ["notify"]
    assert settings("WatchdogSec") == ["5"]
    assert settings("Restart") == ["on-failure"]


def test_a_refused_system_call_fails_and_does_not_kill() -> None:
    assert settings("SystemCallErrorNumber") == ["EPERM"]
