"""Suspicions: what the hardware does that it was not told to do, or does not do."""

from dataclasses import dataclass

from controller.core.motion import Direction


@dataclass(frozen=True, kw_only=True)
class WatchSettings:
    """When a suspicion becomes a fault."""

    stall_s: float = 2.0  # motor on and no pulse for this long
    standstill_s: float = 0.6  # motor off and no pulse for this long: it stands
    pause_s: float = 0.3  # after standstill, before the motor may run again
    coast_max_pulses: int = 25  # more pulses than this after a cut: a relay is welded
    rate_max_pulses_per_s: float = 60.0  # faster than the actuator can: extra pulses
    end_window_pulses: int = 20  # this near a known end a stall is an arrival
    on_time_max_s: float = 240.0  # motor budget when cool
    duty_ratio: float = 0.25  # budget that comes back per second of rest
    current_max_a: float | None = None  # above this for current_trip_s: a jam
    current_trip_s: float = 0.5


@dataclass(frozen=True, kw_only=True)
class Suspicion:
    """Something is wrong, and what a person should look at."""

    text: str
    advice: str


STALL_ADVICE = (
    "Look whether the rod is blocked or frozen, the fuse and the motor supply are good, "
    "and the sensor's two wires are connected; then clear the fault."
)
WELDED_ADVICE = (
    "Cut the motor supply by hand now: a relay may be welded shut. "
    "Replace it before clearing the fault, and find the limits again."
)


class MotorBudget:
    """How long the motor may still run before it has to cool.

    A short-time rated motor is described by on / (on + off); a full tank of `on_time_max_s`
    empties while it runs and fills at `duty_ratio` seconds for each second of rest.
    """

    def __init__(self, *, on_time_max_s: float, duty_ratio: float, at_s: float) -> None:
        self._full_s, self._ratio = on_time_max_s, duty_ratio
        self._left_s, self._at_s, self._runs = on_time_max_s, at_s, False
        self.must_rest = False

    def left_s(self, at_s: float) -> float:
        """Return what is left; while it must rest, nothing until a quarter has come back."""
        self._advance(at_s)
        return 0.0 if self.must_rest else self._left_s

    def run(self, at_s: float, *, runs: bool) -> None:
        """Note that the motor was switched on or off."""
        self._advance(at_s)
        self._runs = runs

    def rest_s(self, at_s: float) -> float:
        """Return how much longer the motor has to rest."""
        self._advance(at_s)
        if not self.must_rest:
            return 0.0
        return max(0.0, (self._full_s / 4 - self._left_s) / self._ratio)

    def _advance(self, at_s: float) -> None:
        past_s, self._at_s = max(0.0, at_s - self._at_s), max(at_s, self._at_s)
        change_s = -past_s if self._runs else past_s * self._ratio
        self._left_s = min(self._full_s, max(0.0, self._left_s + change_s))
        if self._left_s <= 0:
            self.must_rest = True
        elif self._left_s >= self._full_s / 4:
            self.must_rest = False


class Watch:
    """Watch one run from start to standstill."""

    def __init__(self, settings: WatchSettings) -> None:
        self._settings = settings
        self.started_s: float | None = None
        self.cut_s: float | None = None
        self.last_pulse_s: float | None = None
        self._coast_n = 0
        self._last_edge_s = 0.0
        self._over_since_s: float | None = None
        self._against_n = 0

    def start(self, at_s: float) -> None:
        """Begin to watch a run."""
        self.started_s, self.cut_s, self.last_pulse_s = at_s, None, None
        self._coast_n, self._over_since_s, self._against_n = 0, None, 0

    def cut(self, at_s: float) -> None:
        """Note that the motor was switched off."""
        if self.cut_s is None:
            self.cut_s = at_s

    def pulse(self, at_s: float) -> Suspicion | None:
        """Take a pulse; too many after a cut mean that the motor still has power."""
        self.last_pulse_s = at_s
        if self.cut_s is None:
            return None
        self._coast_n += 1
        if self._coast_n <= self._settings.coast_max_pulses:
            return None
        return Suspicion(
            text=f"{self._coast_n} pulses after the motor was switched off", advice=WELDED_ADVICE
        )

    def against(self, seen: Direction) -> Suspicion | None:
        """Take a quadrature edge that contradicts the drive."""
        self._against_n += 1
        if self._against_n < 3:
            return None
        return Suspicion(
            text=f"the rod goes {seen.value} though the motor was told otherwise",
            advice="Swap the two motor wires, or the two sensor wires, then find the limits again.",
        )

    def stalled(self, at_s: float) -> bool:
        """Tell whether the motor is on and nothing turns."""
        if self.started_s is None or self.cut_s is not None:
            return False
        since_s = max(self.started_s, self.last_pulse_s or self.started_s)
        return at_s - since_s > self._settings.stall_s

    def current(self, at_s: float, current_a: float) -> Suspicion | None:
        """Take the motor current; too much for too long is a jam."""
        bound_a = self._settings.current_max_a
        if bound_a is None or current_a <= bound_a or self.cut_s is not None:
            self._over_since_s = None
            return None
        if self._over_since_s is None:
            self._over_since_s = at_s
        if at_s - self._over_since_s < self._settings.current_trip_s:
            return None
        return Suspicion(
            text=f"the motor takes {current_a:.1f} A, more than {bound_a:g} A", advice=STALL_ADVICE
        )

    def stands(self, at_s: float, wait_s: float) -> bool:
        """Tell whether the rod has come to rest after the cut.

        A short coast shortens the wait, a long one makes it half of `wait_s`: a motor that
        brakes through its own winding creeps on for several coast times.
        """
        if self.cut_s is None:
            return False
        longest_s = max(self._settings.standstill_s, wait_s / 2)
        last_s = max(self.cut_s, self.last_pulse_s or 0.0, self._last_edge_s)
        return at_s - last_s >= min(longest_s, max(0.2, wait_s))

    def edge(self, at_s: float) -> None:
        """Take any change of the contact: the rod still moves, though no pulse is full."""
        self._last_edge_s = at_s


def stall_suspicion(direction: Direction, stall_s: float, count_pulses: int) -> Suspicion:
    """Return the fault for a motor that is on while nothing turns."""
    return Suspicion(
        text=f"motor on toward {direction.value} for {stall_s:g} s without a pulse at count "
        f"{count_pulses}",
        advice=STALL_ADVICE,
    )


def wrong_side_suspicion(direction: Direction, side: Direction) -> Suspicion:
    """Return the fault for a limit switch that is reached while running away from it."""
    return Suspicion(
        text=f"the {side.value} limit switch was reached while running {direction.value}",
        advice="Swap the two motor wires or the two limit switches, then find the limits again.",
    )


def both_ends_suspicion() -> Suspicion:
    """Return the fault for two limit switches that are active at once."""
    return Suspicion(
        text="both limit switches are active at once",
        advice="Look for a broken common wire or a short at the switches.",
    )
