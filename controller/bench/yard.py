"""A yard that moves only when time is given to it: pure physics, no clock.

Time runs from one event to the next, and edges carry the exact time at which they happen.
Whoever drives the yard asks for `next_edge(until_s)`: it stops right at that edge, so that
what is switched in answer to it takes effect at its time.
"""

from collections.abc import Iterator
from random import Random
from typing import Any

from controller.bench.actuator import REVERSE_MM_PER_S, Actuator, Passing
from controller.bench.contact import Edge, Source
from controller.bench.dish import Dish
from controller.bench.faults import (
    EndSwitchDead,
    Fault,
    Faults,
    Jam,
    MotorBackwards,
    PowerCut,
    Slipping,
    Stiff,
    WeldedRelay,
)
from controller.bench.plan import YardPlan
from controller.bench.sensing import Sensing
from controller.bench.truth import Truth
from controller.bench.wind import Weather
from controller.bench.wires import Wires
from controller.bench.wiring import Wiring
from controller.errors import ConfigError


class Yard(Dish):
    """A dish with its actuator, its wires and its sky."""

    def __init__(self, plan: YardPlan, *, now_s: float = 0.0, seed: int = 0) -> None:
        self.faults = Faults()
        self.wiring = Wiring(plan.wires)
        super().__init__(
            plan,
            actuator=_actuator(plan, now_s),
            weather=Weather(plan.wind, Random(f"{seed} wind"), now_s),
            chance=Random(f"{seed} receiver"),
        )
        self._pins = _contact_pins(plan.wires)
        sources = dict.fromkeys((Source.REED, *self._pins.values()))
        self.sensing = Sensing(
            self.actuator, sources, bounce_s=plan.bounce_s, chance=Random(f"{seed} sensor")
        )

    # -- time ---------------------------------------------------------------------------

    @property
    def now_s(self) -> float:
        """Return the time up to which everything has happened."""
        return self.actuator.now_s

    def next_edge(self, until_s: float) -> Edge | None:
        """Go on to the next edge and return it, or to `until_s` and return None."""
        actuator, sensing, wiring, weather = (
            self.actuator,
            self.sensing,
            self.wiring,
            self.weather,
        )
        while True:
            sensing_s, wiring_s = sensing.due_s, wiring.next_change_s
            horizon_s = min(until_s, sensing_s, wiring_s, weather.next_change_s)
            if actuator.now_s < horizon_s:
                passing = actuator.advance(horizon_s)
                if passing is not None:
                    sensing.passed(passing)
            elif sensing_s <= actuator.now_s:
                edge = sensing.take()
                if edge is not None:
                    return edge
            elif wiring_s <= actuator.now_s:
                wiring.settle(actuator.now_s)
                self._rewire()
            elif weather.next_change_s <= actuator.now_s:
                weather.turn()
                actuator.push_mm_per_s = weather.speed_mm_per_s
            else:
                return None

    def step_to(self, at_s: float) -> list[Edge]:
        """Go on to a time and return every edge on the way, in order."""
        edges: list[Edge] = []
        while (edge := self.next_edge(at_s)) is not None:
            edges.append(edge)
        return edges

    def step(self, dt_s: float) -> list[Edge]:
        """Go on by `dt_s` and return every edge on the way."""
        return self.step_to(self.now_s + dt_s)

    def run_until(self, at_s: float) -> Iterator[Edge]:
        """Yield each edge as it happens; switching between two takes effect at that time."""
        while (edge := self.next_edge(at_s)) is not None:
            yield edge

    def asleep_until_s(self) -> float:
        """Return the time before which nothing can happen by itself; now while it moves."""
        if self.actuator.stretch() is not None:
            return self.now_s
        return min(self.sensing.due_s, self.wiring.next_change_s, self.weather.next_change_s)

    # -- what the board does --------------------------------------------------------------

    def set_level(self, pin: int, level: float | None) -> None:
        """Drive a line of the board to a level from 0 to 1, or with None let it go."""
        self.wiring.set_level(pin, level, self.now_s)
        self._rewire()

    def set_drive(self, *, east: bool = False, west: bool = False) -> None:
        """Ask for a direction as a board would, by the levels of the drive's lines."""
        for pin, level in self.wiring.levels_for(east=east, west=west).items():
            self.set_level(pin, level)

    def _rewire(self) -> None:
        before, self.actuator.voltage = self.actuator.voltage, self.wiring.voltage
        against = self.actuator.circuit() * self.actuator.speed_mm_per_s
        fast = abs(self.actuator.speed_mm_per_s) > REVERSE_MM_PER_S
        if self.actuator.voltage != before and against < 0 and fast:
            self.wiring.witness(self.now_s, "reversed while still moving")

    def input_level(self, pin: int, *, pull: str = "up") -> int:
        """Return the level that a board reads on a line with a pull ("up", "down", other: 0)."""
        source = self._pins.get(pin)
        if source is not None and self.sensing.contacts[source].closed:
            return int(self.plan.wires.contacts_to_supply)
        return int(pull == "up")

    def pin_of(self, source: Source) -> int | None:
        """Return the line that a contact is on, None when it is not wired."""
        return next((pin for pin, s in self._pins.items() if s is source), None)

    def source_of(self, pin: int) -> Source | None:
        """Return the contact on a line, None when there is none."""
        return self._pins.get(pin)

    # -- what people and time do ------------------------------------------------------------

    def apply(self, name: str, **parameters: object) -> Fault:
        """Break something by name; raise `ConfigError` when it cannot be broken."""
        fault = self.faults.apply(name, **parameters)
        try:
            self._suffer()
        except ConfigError:
            self.faults.drop(fault)
            raise
        return fault

    def clear(self, name: str | None = None) -> None:
        """Mend everything of that name, or with None everything there is."""
        self.faults.clear(name)
        self._suffer()

    def _suffer(self) -> None:
        actuator, faults = self.actuator, self.faults
        actuator.is_jammed = faults.first(Jam) is not None
        slipping, stiff = faults.first(Slipping), faults.first(Stiff)
        actuator.slipping_part = slipping.part if slipping else 0.0
        actuator.speed_factor = stiff.speed_factor if stiff else 1.0
        actuator.dead_end_switches = frozenset(
            Passing(f"{f.side}-switch") for f in faults.all_of(EndSwitchDead)
        )
        self.wiring.weld({f.relay: f.position for f in faults.all_of(WeldedRelay)})
        self.wiring.swapped = faults.first(MotorBackwards) is not None
        self.wiring.supply = 0.0 if faults.first(PowerCut) else 1.0
        self.sensing.suffer(faults)
        self.wiring.settle(self.now_s)
        self._rewire()

    def press(self, button: Source, *, down: bool = True) -> None:
        """Press or let go the stop button, turn the hold switch on or off."""
        self.sensing.press(button, down=down)

    # -- what is true -----------------------------------------------------------------------

    @property
    def moving(self) -> bool:
        """True while the screw turns."""
        return self.actuator.is_moving

    @property
    def count_pulses(self) -> int:
        """Return the true count: the magnets between the reed and the east end."""
        return self.actuator.reed.count_pulses

    def truth(self) -> Truth:
        """Return everything that a trial is judged by."""
        actuator = self.actuator
        return Truth(
            at_s=self.now_s,
            count_pulses=self.count_pulses,
            place_pulses=self.plan.ring.pulses_at(actuator.screw_mm),
            magnet_here=actuator.reed.is_closed,
            screw_mm=actuator.screw_mm,
            rod_mm=self.rod_mm,
            hour_angle_deg=self.hour_angle_deg,
            speed_mm_per_s=actuator.speed_mm_per_s,
            moving=self.moving,
            voltage_ratio=self.wiring.voltage,
            current_a=actuator.current_a(),
            relays=self.wiring.relays,
            levels=dict(self.wiring.levels),
            at_east_end=actuator.switches[Passing.EAST_SWITCH].is_actuated,
            at_west_end=actuator.switches[Passing.WEST_SWITCH].is_actuated,
            broken=tuple(fault.key for fault in self.faults),
            crimes=tuple(self.wiring.crimes),
        )

    # -- keeping it ---------------------------------------------------------------------------

    def kept(self) -> dict[str, Any]:
        """Return what outlives a restart: places and levels, in plain types."""
        return {
            "screw_mm": self.actuator.screw_mm,
            "dish_mm": self.actuator.dish_mm,
            "slip_mm": self.actuator.slip_mm,
            "count_pulses": self.actuator.reed.count_pulses,
            "magnet_here": self.actuator.reed.is_closed,
            "levels": {str(pin): level for pin, level in self.wiring.levels.items()},
        }

    def resume(self, kept: dict[str, Any]) -> None:
        """Take over what `kept` returned, at rest."""
        self.actuator.slip_mm = kept["slip_mm"]
        self.actuator.place(kept["screw_mm"], dish_mm=kept["dish_mm"])
        self.actuator.reed.resume(count_pulses=kept["count_pulses"], is_closed=kept["magnet_here"])
        self.sensing.refresh()
        for pin, level in kept["levels"].items():
            self.set_level(int(pin), level)


def _actuator(plan: YardPlan, now_s: float) -> Actuator:
    return Actuator(
        motor=plan.motor,
        screw=plan.screw,
        ring=plan.ring,
        ends=plan.ends,
        screw_mm=plan.screw.stroke_mm / 2 if plan.start_mm is None else plan.start_mm,
        now_s=now_s,
        has_second=plan.wires.second_pin is not None,
    )


def _contact_pins(wires: Wires) -> dict[int, Source]:
    pins = {
        Source.REED: wires.sensor_pin,
        Source.SECOND: wires.second_pin,
        Source.EAST_LIMIT: wires.east_limit_pin,
        Source.WEST_LIMIT: wires.west_limit_pin,
        Source.STOP: wires.stop_pin,
        Source.HOLD: wires.hold_pin,
    }
    return {pin: source for source, pin in pins.items() if pin is not None}
