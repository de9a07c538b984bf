"""The screw and what it moves, from one event to the next, solved exactly between them.

Places are mm of screw travel from the east end, speeds are above zero toward west.
"""

from dataclasses import dataclass
from enum import Enum

from controller.bench.magnets import Reed, Ring
from controller.bench.motor import Motor, Stretch
from controller.bench.rod import Screw

REVERSE_MM_PER_S = 0.2  # chosen: driving against more than this strains the gearbox


class Passing(Enum):
    """What the screw has just passed."""

    REED = "reed"
    SECOND = "second"
    EAST_LIMIT = "east-limit"
    WEST_LIMIT = "west-limit"
    EAST_SWITCH = "east-switch"
    WEST_SWITCH = "west-switch"
    EAST_STOP = "east-stop"
    WEST_STOP = "west-stop"


SEEN = frozenset({Passing.REED, Passing.SECOND, Passing.EAST_LIMIT, Passing.WEST_LIMIT})


@dataclass(frozen=True, kw_only=True)
class Ends:
    """Where the ends announce themselves, in pulses inside the mechanical ends."""

    switch_pulses: float = 0.5  # the actuator's own, in the motor's circuit
    limit_pulses: float = 4.0  # those that the board may see


class Switch:
    """A switch that is actuated beyond a place, on the side of one end."""

    def __init__(self, place_mm: float, *, end: int, screw_mm: float) -> None:
        self.place_mm = place_mm
        self._end = end
        self.is_actuated = (screw_mm - place_mm) * end > 0

    def lies_ahead(self, way: int) -> bool:
        """Return True when going `way` will change it."""
        return self.is_actuated != (way == self._end)

    def flip(self) -> None:
        """Change, at its place."""
        self.is_actuated = not self.is_actuated


class Actuator:
    """Motor, screw, magnets, end switches and the play before the dish."""

    def __init__(
        self,
        *,
        motor: Motor,
        screw: Screw,
        ring: Ring,
        ends: Ends,
        screw_mm: float,
        now_s: float,
        has_second: bool = False,
    ) -> None:
        self.motor, self.screw, self.ring, self.ends = motor, screw, ring, ends
        self.now_s = now_s
        self._has_second = has_second
        self.speed_mm_per_s = 0.0
        self.voltage = 0.0
        self.push_mm_per_s = 0.0  # the wind's
        self.is_jammed = False
        self.slipping_part = 0.0
        self.speed_factor = 1.0
        self.dead_end_switches: frozenset[Passing] = frozenset()
        self.slip_mm = 0.0
        self.place(screw_mm)

    def place(self, screw_mm: float, *, dish_mm: float | None = None) -> None:
        """Put the screw at a place, at rest, and the dish where `dish_mm` says or beside it."""
        self.screw_mm, self.speed_mm_per_s = screw_mm, 0.0
        self._travel_mm = self.screw.travel_mm(screw_mm)
        self.dish_mm = self._travel_mm + self.slip_mm if dish_mm is None else dish_mm
        self.reed = Reed(self.ring, screw_mm)
        self.second = Reed(self.ring, screw_mm, shift_pulses=0.25)
        inside_mm = self.ends.switch_pulses * self.ring.pitch_mm
        seen_mm = self.ends.limit_pulses * self.ring.pitch_mm
        west_mm = self.screw.stroke_mm
        self.switches = {
            Passing.EAST_SWITCH: Switch(inside_mm, end=-1, screw_mm=screw_mm),
            Passing.WEST_SWITCH: Switch(west_mm - inside_mm, end=1, screw_mm=screw_mm),
            Passing.EAST_LIMIT: Switch(seen_mm, end=-1, screw_mm=screw_mm),
            Passing.WEST_LIMIT: Switch(west_mm - seen_mm, end=1, screw_mm=screw_mm),
        }

    def circuit(self) -> float:
        """Return the voltage that reaches the motor past the end switches and their diodes."""
        if self.voltage < 0 and self._is_open(Passing.EAST_SWITCH):
            return 0.0
        if self.voltage > 0 and self._is_open(Passing.WEST_SWITCH):
            return 0.0
        return self.voltage

    def _is_open(self, switch: Passing) -> bool:
        return self.switches[switch].is_actuated and switch not in self.dead_end_switches

    def is_blocked(self, way: int) -> bool:
        """Return True when the screw cannot go `way`."""
        if self.is_jammed:
            return True
        return self.screw_mm <= 0 if way < 0 else self.screw_mm >= self.screw.stroke_mm

    def _loaded_mm_per_s(self, voltage: float) -> float:
        """Return the speed that a voltage reaches here: slower uphill, faster downhill."""
        from_middle = 2 * self.screw_mm / self.screw.stroke_mm - 1
        uphill = -from_middle if voltage > 0 else from_middle
        slowed = (1 - self.motor.load_part * uphill) * self.speed_factor
        return voltage * self.motor.speed_mm_per_s * slowed

    def stretch(self) -> Stretch | None:
        """Return the motion from now on, None when the screw stands and will stand."""
        voltage, v = self.circuit(), self.speed_mm_per_s
        if voltage:
            target, constant_s = self._loaded_mm_per_s(voltage), self.motor.spin_up_s
        elif v:
            drag = self.motor.drag * self.motor.speed_mm_per_s
            target, constant_s = (-drag if v > 0 else drag), self.motor.coast_s
        elif self.push_mm_per_s:
            target, constant_s = self.push_mm_per_s, self.motor.spin_up_s
        else:
            return None
        way = 1 if (v or target) > 0 else -1
        if self.is_blocked(way):
            self.speed_mm_per_s = 0.0
            return None
        return Stretch(speed_mm_per_s=v, target_mm_per_s=target, constant_s=constant_s)

    def advance(self, until_s: float) -> Passing | None:
        """Move on to `until_s`, or only to the next thing passed that a pin may see."""
        while self.now_s < until_s:
            stretch = self.stretch()
            if stretch is None:
                self.now_s = until_s
                return None
            passing = self._go(stretch, until_s)
            if passing in SEEN:
                return passing
        return None

    def _go(self, stretch: Stretch, until_s: float) -> Passing | None:
        span_s = until_s - self.now_s
        turning_s = stretch.turning_s()
        stops = turning_s is not None and turning_s <= span_s
        if turning_s is not None and stops:
            span_s = turning_s
        way = 1 if (stretch.speed_mm_per_s or stretch.target_mm_per_s) > 0 else -1
        passing, place_mm = self._ahead(way)
        ahead_mm = place_mm - self.screw_mm
        if abs(stretch.way_mm(span_s)) < abs(ahead_mm):
            self._move(self.screw_mm + stretch.way_mm(span_s))
            self.speed_mm_per_s = 0.0 if stops else stretch.speed_after(span_s)
            self.now_s = until_s if not stops else self.now_s + span_s
            return None
        taken_s = stretch.time_of_s(ahead_mm, span_s)
        self._move(place_mm)
        self.speed_mm_per_s = stretch.speed_after(taken_s)
        self.now_s += taken_s
        self._pass(passing, way)
        return passing

    def _ahead(self, way: int) -> tuple[Passing, float]:
        """Return what comes next this way, and where."""
        best, place_mm = Passing.REED, self.reed.next_place_mm(way)
        if self._has_second:
            second_mm = self.second.next_place_mm(way)
            if (second_mm - place_mm) * way < 0:
                best, place_mm = Passing.SECOND, second_mm
        for passing, switch in self.switches.items():
            if switch.lies_ahead(way) and (switch.place_mm - place_mm) * way < 0:
                best, place_mm = passing, switch.place_mm
        stop_mm = 0.0 if way < 0 else self.screw.stroke_mm
        if (stop_mm - place_mm) * way <= 0:
            best, place_mm = (Passing.EAST_STOP if way < 0 else Passing.WEST_STOP), stop_mm
        # A reversal between the two places of one edge can put the next a rounding behind us.
        return best, max(place_mm * way, self.screw_mm * way) * way

    def _pass(self, passing: Passing, way: int) -> None:
        if passing is Passing.REED:
            self.reed.pass_edge(way)
        elif passing is Passing.SECOND:
            self.second.pass_edge(way)
        elif passing in self.switches:
            self.switches[passing].flip()
        else:
            self.speed_mm_per_s = 0.0

    def _move(self, screw_mm: float) -> None:
        travel_mm = self.screw.travel_mm(screw_mm)
        self.slip_mm -= self.slipping_part * (travel_mm - self._travel_mm)
        self.screw_mm, self._travel_mm = screw_mm, travel_mm
        half_mm = self.screw.backlash_mm / 2
        nut_mm = travel_mm + self.slip_mm
        self.dish_mm = min(max(self.dish_mm, nut_mm - half_mm), nut_mm + half_mm)

    @property
    def is_moving(self) -> bool:
        """True while the screw turns."""
        return self.speed_mm_per_s != 0

    def current_a(self) -> float:
        """Return what the motor draws from its supply: nothing past an open end switch."""
        voltage = abs(self.circuit())
        if not voltage:
            return 0.0
        reached = self.speed_mm_per_s / self._loaded_mm_per_s(self.circuit())
        running_a = self.motor.run_a / self.speed_factor
        return voltage * (running_a + (self.motor.stall_a - self.motor.run_a) * (1 - reached))
