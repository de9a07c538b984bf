"""The first evening at a dish: both ends, three references, two satellites never seen before."""

import time
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

import click

from controller.bench.peaking import best_hour_angle_deg
from controller.bench.plan import YardPlan
from controller.bench.truth import Truth
from controller.cli.demostage import Stage
from controller.cli.learned import Learned
from controller.cli.looking import rows_of
from controller.cli.signalpeak import Meter, peak_pulses
from controller.config import Settings
from controller.edge.caller import Caller
from controller.errors import CommandRefused, DoorError

REFERENCE_SIGMA_PULSES: Final = 0.7  # half a pulse of rounding, and the receiver's noise
MARGIN_PULSES: Final = 60  # a peak is looked for this far to each side


@dataclass(frozen=True, kw_only=True)
class Landing:
    """Where a move ended, by the yard's own truth."""

    name: str
    role: str
    target_pulses: int
    landed_pulses: int
    peak_pulses: float  # place of the best signal; its whole part is the best count
    off_pulses: float
    off_deg: float  # hour angle
    loss_db: float  # against the best that this hour axis can do

    @property
    def is_on_the_pulse(self) -> bool:
        """True when it landed where it was sent, within one pulse."""
        return abs(self.landed_pulses - self.target_pulses) <= 1


class Story:
    """Carries the story out, one line for each step."""

    def __init__(self, stage: Stage, settings: Settings, caller: Caller, meter: Meter) -> None:
        self._stage, self._settings = stage, settings
        self._caller, self._meter = caller, meter
        self._begun_s = time.monotonic()
        self._origin_pulses = 0
        self.landings: list[Landing] = []

    def tell(self) -> list[Landing]:
        """Find the ends, peak three satellites, go to two more; return where each move ended."""
        self._find_limits()
        references, targets = chosen_satellites(self._settings, self._west_limit_pulses())
        for name in references:
            self._peak(name)
        for name in targets:
            self._land(name, "found by the model")
        return self.landings

    def _find_limits(self) -> None:
        self._do("limits")
        # Count 0 is where the east end was found: a switch may stand inside the yard's own end.
        truth = self._stage.yard.truth()
        self._origin_pulses = truth.count_pulses - int(self._caller.status()["count_pulses"])
        self._say(f"both ends found: 0 and {self._west_limit_pulses()} pulses")

    def _west_limit_pulses(self) -> int:
        return int(self._caller.status()["west_limit_pulses"])

    def _peak(self, name: str) -> None:
        guess = self._do({"do": "goto", "satellite": name})["target_pulses"]
        best = round(peak_pulses(guess, self._level_at))
        self._do({"do": "goto", "count_pulses": best})
        self._note(name, "peaked by hand", best)
        sigma = {"sigma_pulses": REFERENCE_SIGMA_PULSES}
        self._do({"do": "reference", "satellite": name, **sigma})
        self._say(f"reference {name} at {best}; the model had sent it to {guess}")

    def _level_at(self, count_pulses: int) -> float:
        self._do({"do": "goto", "count_pulses": count_pulses})
        return self._meter.level_db()

    def _land(self, name: str, role: str) -> None:
        target = self._do({"do": "goto", "satellite": name})["target_pulses"]
        landing = self._note(name, role, target)
        self._say(f"landed on {name} at {landing.landed_pulses}, sent to {target}")

    def _note(self, name: str, role: str, target_pulses: int) -> Landing:
        truth = self._stage.yard.truth()
        peak = self._stage.yard.peak_pulses(name, arriving=self._settings.motion.arrive)
        if peak is None:
            raise CommandRefused(f"the yard says that {name} is out of reach")
        landing = landing_of(
            self._stage.plan,
            truth,
            name=name,
            role=role,
            target_pulses=target_pulses,
            peak_pulses=peak,
            origin_pulses=self._origin_pulses,
        )
        self.landings.append(landing)
        return landing

    def _do(self, command: dict[str, Any] | str) -> dict[str, Any]:
        """Have it done and return the answer with the target; raise where it was not."""
        target = None
        for answer in self._caller.ask(command):
            if answer["target_pulses"] is not None:
                target = answer["target_pulses"]
            if answer["outcome"] in ("refused", "stopped"):
                raise CommandRefused(f"{answer['outcome']}: {answer['text']}")
        return {**answer, "target_pulses": target}

    def _say(self, text: str) -> None:
        click.echo(f"{time.monotonic() - self._begun_s:5.0f} s  {text}")


def landing_of(
    plan: YardPlan,
    truth: Truth,
    *,
    name: str,
    role: str,
    target_pulses: int,
    peak_pulses: float,
    origin_pulses: int,
) -> Landing:
    """Judge a stop by the yard's own numbers; `origin_pulses` is the yard's count at our 0."""
    mount, slot_deg = plan.mount(), plan.satellite(name).slot_deg
    best_deg = best_hour_angle_deg(mount, slot_deg)
    loss_db = plan.beam.loss_db(mount.off_deg(truth.hour_angle_deg, slot_deg))
    return Landing(
        name=name,
        role=role,
        target_pulses=target_pulses,
        landed_pulses=truth.count_pulses - origin_pulses,
        peak_pulses=peak_pulses - origin_pulses,
        off_pulses=truth.place_pulses - peak_pulses,
        off_deg=truth.hour_angle_deg - best_deg,
        loss_db=loss_db - plan.beam.loss_db(mount.off_deg(best_deg, slot_deg)),
    )


def chosen_satellites(
    settings: Settings, west_limit_pulses: int
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return three satellites to peak, spread over the arc, and two between them to find."""
    rows = rows_of(settings, Learned((), west_limit_pulses))
    inner = [
        str(row["name"])
        for row in rows
        if row["reachable"]
        and MARGIN_PULSES <= row["count_pulses"] <= west_limit_pulses - MARGIN_PULSES
    ]
    if len(inner) < 5:
        raise DoorError(f"only {len(inner)} satellites are well within reach; the demo needs 5")
    last = len(inner) - 1
    at = [last, last // 2, 0]  # the search has ended in the west
    between = [last // 4, (3 * last + 2) // 4]
    return tuple(inner[n] for n in at), tuple(inner[n] for n in between)


def all_on_the_pulse(landings: Iterable[Landing]) -> bool:
    """Tell whether every move ended within one pulse of where it was sent."""
    return all(landing.is_on_the_pulse for landing in landings)
