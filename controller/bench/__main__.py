"""Run a yard: `python -m controller.bench --scenario NAME --socket PATH`."""

import argparse
import json
import sys
import time
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from controller.bench.drawn import plan_from
from controller.bench.plan import YardPlan
from controller.bench.scenario import SCENARIOS, scenario
from controller.bench.server import YardServer
from controller.bench.wires import wires_from
from controller.bench.yard import Yard
from controller.errors import ArckeeperError, ConfigError

if TYPE_CHECKING:
    from controller.bench.receiver import Receiver


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m controller.bench", description=__doc__)
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--scenario", default="tussock-downs", choices=sorted(SCENARIOS))
    what.add_argument("--drawn", type=int, metavar="SEED", help="a yard drawn at random instead")
    parser.add_argument("--socket", type=Path, required=True, metavar="PATH")
    parser.add_argument("--seed", type=int, default=0, help="of bounces, noise and wind")
    parser.add_argument("--speed-mm-per-s", type=float, help="of the motor")
    parser.add_argument("--start-mm", type=float, help="of the screw, from the east end")
    parser.add_argument("--wires", metavar="JSON", help="what differs in the harness")
    parser.add_argument("--state", type=Path, metavar="FILE", help="keep places and levels here")
    parser.add_argument("--life-s", type=float, default=3600.0, help="end after so long alone")
    parser.add_argument("--broker", metavar="HOST:PORT", help="publish the signal level there")
    parser.add_argument("--signal-topic", default="yard/signal")
    parser.add_argument("--signal-json", metavar="KEY", help="publish a JSON object with this key")
    return parser.parse_args()


def _plan(arguments: argparse.Namespace) -> YardPlan:
    plan = scenario(arguments.scenario) if arguments.drawn is None else plan_from(arguments.drawn)
    if arguments.speed_mm_per_s is not None:
        if not 0 < arguments.speed_mm_per_s <= 200:
            raise ConfigError(
                f"--speed-mm-per-s must be above 0 and at most 200, not {arguments.speed_mm_per_s}"
            )
        plan = replace(plan, motor=replace(plan.motor, speed_mm_per_s=arguments.speed_mm_per_s))
    if arguments.start_mm is not None:
        if not 0 <= arguments.start_mm <= plan.screw.stroke_mm:
            raise ConfigError(
                f"--start-mm must be 0 to {plan.screw.stroke_mm:g}, not {arguments.start_mm}"
            )
        plan = replace(plan, start_mm=arguments.start_mm)
    if arguments.wires:
        plan = replace(plan, wires=wires_from(arguments.wires, plan.wires))
    return plan


def _receiver(arguments: argparse.Namespace) -> "Receiver | None":
    if not arguments.broker:
        return None
    # Most yards have no broker and need not load paho.
    from controller.bench.receiver import Receiver  # noqa: PLC0415

    host, _, port = arguments.broker.rpartition(":")
    if not host or not port.isdigit():
        raise ConfigError(f"--broker must be HOST:PORT, not {arguments.broker!r}")
    return Receiver(
        host=host,
        port=int(port),
        topic=arguments.signal_topic,
        json_key=arguments.signal_json,
    )


def _resume(yard: Yard, state: Path | None) -> None:
    if state is None or not state.exists():
        return
    try:
        yard.resume(json.loads(state.read_text()))
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ConfigError(f"{state} holds no yard: {error!r}; remove it to begin anew") from error


def _announce(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def main() -> None:
    """Serve a yard until it is told to end."""
    arguments = _arguments()
    yard = Yard(_plan(arguments), now_s=time.monotonic(), seed=arguments.seed)
    _resume(yard, arguments.state)
    with ExitStack() as stack:
        receiver = _receiver(arguments)
        if receiver:
            stack.callback(receiver.close)
        server = YardServer(
            yard,
            arguments.socket,
            life_s=arguments.life_s,
            seed=arguments.seed,
            state=arguments.state,
            publish=receiver.publish if receiver else None,
        )
        server.serve(lambda: _announce(f"yard {yard.plan.name} is ready at {arguments.socket}"))


if __name__ == "__main__":
    try:
        main()
    except ArckeeperError as error:
        sys.exit(f"yard: {error}")
