import json
import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from controller.bench.link import Link
from controller.bench.wires import ReversingRelay, Wires
from controller.bench.witness import RunningYard, start_yard
from controller.errors import DoorError
from tests.bench.conftest import Start
from tests.bench.waiting import wait_until

KILLED = """
import sys, time
from pathlib import Path
from controller.bench.link import Link
link = Link(Path(sys.argv[1]))
link.ask("output", pin=6, level=1.0)
print("driving", flush=True)
time.sleep(60)
"""


def run_yard(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "controller.bench", *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)


def cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def test_driven_yard_moves_and_stops_in_real_time(yard: RunningYard) -> None:
    link = Link(yard.path)
    before = yard.truth()
    link.ask("output", pin=6, level=1.0)
    wait_until(lambda: yard.truth().count_pulses >= before.count_pulses + 20)
    moving = yard.truth()
    assert moving.moving
    assert moving.voltage_ratio == 1.0
    link.ask("output", pin=6, level=0.0)
    wait_until(lambda: not yard.truth().moving)
    link.close()
    elapsed_s = yard.truth().at_s - before.at_s
    assert moving.screw_mm - before.screw_mm <= 20.0 * 1.1 * elapsed_s


def test_edges_carry_the_time_at_which_they_happened(yard: RunningYard) -> None:
    edges: list[dict[str, float]] = []
    heard_s: list[float] = []

    def hear(message: dict[str, float]) -> None:
        heard_s.append(time.monotonic())
        edges.append(message)

    link = Link(yard.path, hear=hear)
    link.ask("input", pin=17, pull="up")
    started_s = time.monotonic()
    link.ask("output", pin=6, level=1.0)
    wait_until(lambda: len(edges) > 60)
    link.close()
    times_s = [e["at_s"] for e in edges]
    assert times_s == sorted(times_s)
    assert started_s <= times_s[0]
    assert all(at_s <= heard for at_s, heard in zip(times_s, heard_s, strict=True))
    assert [e["level"] for e in edges[1:]] == [1 - e["level"] for e in edges[:-1]]
    assert {e["edge"] for e in edges} == {17}


def test_killed_program_leaves_its_relay_on_and_its_line_to_the_next(yard: RunningYard) -> None:
    program = subprocess.Popen(
        [sys.executable, "-c", KILLED, str(yard.path)], stdout=subprocess.PIPE, text=True
    )
    assert program.stdout is not None
    with program, program.stdout:
        assert program.stdout.readline() == "driving\n"
        other = Link(yard.path)
        with pytest.raises(DoorError, match="line 6 is held by another program"):
            other.ask("output", pin=6, level=0.0)
        program.kill()
        program.wait()
    count = yard.truth().count_pulses
    wait_until(lambda: yard.truth().count_pulses > count + 10)
    assert yard.truth().levels == {6: 1.0}
    other.ask("output", pin=6, level=0.0)  # what opens every relay may have the line now
    wait_until(lambda: not yard.truth().moving)
    other.close()


def test_faults_are_switched_while_it_runs(yard: RunningYard) -> None:
    link = Link(yard.path)
    link.ask("output", pin=6, level=1.0)
    wait_until(lambda: yard.truth().moving)
    yard.fault("jam")
    assert yard.truth().broken == ("jam",)
    wait_until(lambda: not yard.truth().moving)
    yard.clear("jam")
    wait_until(lambda: yard.truth().moving)
    yard.cut_power()
    wait_until(lambda: not yard.truth().moving)
    yard.restore_power()
    wait_until(lambda: yard.truth().moving)
    link.close()


def test_a_fault_that_is_none_is_refused_over_the_socket(yard: RunningYard) -> None:
    with pytest.raises(DoorError, match="no fault is called 'gremlins'"):
        yard.fault("gremlins")
    with pytest.raises(DoorError, match="probability must be 0 to 1"):
        yard.fault("missing-pulses", probability=2)


def test_crimes_are_told_with_their_time(yard: RunningYard) -> None:
    link = Link(yard.path)
    before_s = time.monotonic()
    link.ask("output", pin=5, level=1.0)
    link.ask("output", pin=6, level=1.0)
    wait_until(lambda: len(yard.truth().crimes) == 2)
    crimes = yard.truth().crimes
    link.close()
    assert "short circuit: both directions closed at once" in [c.what for c in crimes]
    assert all(before_s <= c.at_s <= time.monotonic() for c in crimes)


def test_buttons_reach_their_lines(yard: RunningYard) -> None:
    edges: list[dict[str, float]] = []
    link = Link(yard.path, hear=edges.append)
    assert link.ask("input", pin=23, pull="up")["level"] == 0
    yard.press("stop")
    wait_until(lambda: bool(edges) and edges[-1]["level"] == 1)
    yard.press("stop", down=False)
    wait_until(lambda: edges[-1]["level"] == 0)
    link.close()


def test_yard_answers_nonsense_and_goes_on(yard: RunningYard) -> None:
    with socket.socket(socket.AF_UNIX) as raw:
        raw.connect(str(yard.path))
        stream = raw.makefile("rwb")
        calls = [
            b"\xff\xfe nonsense",
            b"[1, 2]",
            b"[" * 20_000,
            b'{"id": 1}',
            b'{"id": 2, "do": "output", "pin": 99, "level": 1}',
            b'{"id": 3, "do": "output", "pin": 6, "level": 7}',
            b'{"id": 4, "do": "output", "pin": ["x"]}',
            b'{"id": 5, "do": "input", "pin": 17, "pull": "sideways"}',
            b'{"id": 6, "do": "peak", "name": "Dodo"}',
            b'{"id": 7, "do": "truth", "extra": 1}',
            b'{"id": 8, "do": "press", "button": "red"}',
        ]
        stream.write(b"\n".join(calls) + b"\n")
        stream.flush()
        answers = [json.loads(stream.readline()) for _ in calls]
        stream.close()
    assert all("error" in answer for answer in answers)
    assert [a.get("id") for a in answers] == [None, None, None, 1, 2, 3, 4, 5, 6, 7, 8]
    assert yard.truth().levels == {}


def test_an_endless_line_ends_its_connection_only(yard: RunningYard) -> None:
    with socket.socket(socket.AF_UNIX) as raw:
        raw.connect(str(yard.path))
        raw.settimeout(10)
        with pytest.raises(OSError, match=r"pipe|reset"):
            raw.sendall(b"x" * 10_000_000)
    assert not yard.truth().moving


def test_yard_at_rest_sleeps(yard: RunningYard) -> None:
    yard.truth()
    before_s, began_s = cpu_s(yard.pid), time.monotonic()
    time.sleep(2.0)
    share = (cpu_s(yard.pid) - before_s) / (time.monotonic() - began_s)
    assert share < 0.01  # two ticks of the clock in two seconds


def test_yard_ends_when_nobody_comes_for_its_life(short_path: Path) -> None:
    began_s = time.monotonic()
    ended = run_yard("--socket", str(short_path / "s"), "--life-s", "0.3")
    assert ended.returncode == 0
    assert time.monotonic() - began_s >= 0.3
    assert ended.stdout == f"yard tussock-downs is ready at {short_path / 's'}\n"
    assert not (short_path / "s").exists()


def test_yard_lives_as_long_as_somebody_is_connected(start: Start) -> None:
    yard = start(life_s=0.3)
    time.sleep(0.8)
    assert yard.is_running
    yard.truth()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_yard_ends_cleanly_on_a_signal(start: Start, number: signal.Signals) -> None:
    yard = start()
    os.kill(yard.pid, number)
    wait_until(lambda: not yard.is_running)
    assert not yard.path.exists()
    with pytest.raises(DoorError, match="is gone"):
        yard.truth()


def test_yard_ends_when_told(yard: RunningYard) -> None:
    link = Link(yard.path)
    link.ask("quit")
    wait_until(lambda: not yard.is_running)
    link.close()


def test_two_yards_do_not_share_a_socket(yard: RunningYard) -> None:
    with pytest.raises(DoorError, match=r"a yard is listening at .* already"):
        start_yard(yard.path)
    yard.truth()


def test_a_socket_that_a_dead_yard_left_is_taken_over(start: Start, short_path: Path) -> None:
    yard = start()
    os.kill(yard.pid, signal.SIGKILL)
    wait_until(lambda: not yard.is_running)
    assert yard.path.exists()
    with start_yard(yard.path, life_s=20.0) as again:
        again.truth()


def test_yard_continues_where_the_last_one_ended(start: Start, short_path: Path) -> None:
    state = short_path / "state.json"
    first = start(state=state, speed_mm_per_s=20.0)
    link = Link(first.path)
    link.ask("output", pin=6, level=1.0)
    wait_until(lambda: first.truth().moving)
    link.ask("output", pin=6, level=0.0)
    wait_until(lambda: not first.truth().moving)
    left = first.truth()
    link.close()
    first.close()
    found = start(state=state, speed_mm_per_s=20.0).truth()
    assert found.screw_mm == left.screw_mm
    assert found.rod_mm == left.rod_mm
    assert found.count_pulses == left.count_pulses


def test_other_wires_and_another_start_are_taken_over_the_command_line(start: Start) -> None:
    wires = Wires(drive=ReversingRelay(power_pin=8, reverse_pin=9), active_low=True)
    yard = start(wires=wires, start_mm=100.0)
    link = Link(yard.path)
    link.ask("output", pin=9, level=1.0)
    link.ask("output", pin=8, level=0.0)
    wait_until(lambda: yard.truth().screw_mm > 101.0)
    assert yard.truth().relays == {"power": True, "reverse": False}
    link.close()


def test_a_drawn_yard_runs_as_well(start: Start) -> None:
    yard = start(drawn=3)
    assert yard.peak_count("Bird 6") is not None
    assert yard.off_deg("Bird 6") > 0
    assert -1 < yard.signal_db() < 30


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--state", "{}/bad"], "bad holds no yard"),
        (["--wires", '{"sensor_pin": 5}'], "line 5 is soldered to two things"),
        (["--wires", "nonsense"], "nonsense is no harness"),
        (["--wires", '{"drive": {"kind": "steam"}}'], "is no harness"),
        (["--start-mm", "9999"], "--start-mm must be 0 to 599.2, not 9999"),
        (["--speed-mm-per-s", "0"], "--speed-mm-per-s must be above 0"),
        (["--broker", "nowhere"], "--broker must be HOST:PORT"),
        (["--scenario", "elsewhere"], "invalid choice: 'elsewhere'"),
    ],
)
def test_yard_that_cannot_be_is_refused_before_it_listens(
    short_path: Path, arguments: list[str], message: str
) -> None:
    (short_path / "bad").write_text("{}")
    told = [a.replace("{}/", f"{short_path}/") for a in arguments]
    ended = run_yard("--socket", str(short_path / "s"), *told)
    assert ended.returncode != 0
    assert message in ended.stderr
    assert "Traceback" not in ended.stderr
    assert not (short_path / "s").exists()


def test_a_path_too_long_for_a_socket_is_refused(short_path: Path) -> None:
    ended = run_yard("--socket", str(short_path / ("x" * 120)))
    assert "is longer than the 107 bytes of a socket's path" in ended.stderr


def test_calling_where_no_yard_is_says_so(short_path: Path) -> None:
    with pytest.raises(DoorError, match="no yard answers at"):
        Link(short_path / "nobody")
