"""When to cut the motor so that it stops on the pulse.

The rod's place is measured in pulses along the screw: count N is held from place N up to, not
including, N + 1, so a landing aims at N + 0.5.  After the motor is switched on its speed rises
as V (1 - exp(-t/tau)).  After the cut it coasts for its speed v times a coast time, which goes
in a straight line from `coast_slow_s` at v = 0 to `coast_s` at v = V: a motor that brakes
through its own winding has both alike, one that is stopped by dry friction has 0 at v = 0.
All are learned for each direction.  The only witness of a stop is the interval of places that
its count and contact allow, so an estimate moves no further than to the edge of that interval.
"""

from dataclasses import dataclass, replace
from math import exp, inf, isinf

from controller.core.motion import Direction

STEADY = 3.0  # spin-up times after which the rate counts as the full one
LOAD_SPREAD = 0.15  # how far the rate of this run may be from the habit: load, supply, cold
RATE_ERROR = 0.03  # of one interval at an even rate
START_ERROR = 0.5  # of one interval while the motor starts, for each part of speed still missing
INSIDE = 0.1  # an estimate that was wrong is put this far inside the interval, in pulses
TRUST = 0.5  # part of the way that an estimate moves for one landing
BURST_LEAST_S = 0.02  # shorter, and a relay may not close at all
COAST_BOUNDS_S = (0.0, 2.0)
SPIN_UP_BOUNDS_S = (0.005, 1.5)
GAIN_BOUNDS = (0.2, 4.0)
BISECTIONS_N = 40


@dataclass(frozen=True, kw_only=True)
class LandingSettings:
    """How moves end, and what is believed about the coast before the first one."""

    arrive: Direction = Direction.WEST  # every final approach runs this way
    overshoot_pulses: int = 8  # past the target, to come back and take up the backlash
    corrections_max: int = 6
    coast_s: float = 0.15  # first guess: coast in pulses is this times the rate
    rate_pulses_per_s: float = 12.0  # first guess of the full rate
    spin_up_s: float = 0.12  # first guess of the time constant of the start


@dataclass(frozen=True, kw_only=True)
class Habit:
    """How the motor starts and stops in one direction."""

    coast_s: float
    coast_slow_s: float
    rate_pulses_per_s: float
    spin_up_s: float
    burst_gain: float = 1.0  # what short runs really yield, against this model

    def way_pulses(self, on_s: float) -> float:
        """Return the way made while the motor has been on for `on_s`."""
        tau = self.spin_up_s
        return self.rate_pulses_per_s * (on_s - tau * (1 - exp(-on_s / tau)))

    def speed_pulses_per_s(self, on_s: float) -> float:
        """Return the speed after the motor has been on for `on_s`."""
        return self.rate_pulses_per_s * (1 - exp(-on_s / self.spin_up_s))

    def reach_pulses(self, on_s: float) -> float:
        """Return the way made until standstill when the motor is cut after `on_s`."""
        return self.way_pulses(on_s) + self.coast_pulses(self.speed_pulses_per_s(on_s))

    def coast_pulses(self, speed_pulses_per_s: float) -> float:
        """Return the way made after a cut at a speed."""
        part = min(1.0, speed_pulses_per_s / self.rate_pulses_per_s)
        return speed_pulses_per_s * (self.coast_slow_s + part * (self.coast_s - self.coast_slow_s))


def cut_after_s(habit: Habit, *, gone_s: float, left_pulses: float) -> float:
    """Return the on-time at which to cut, so that `left_pulses` are made from `gone_s` on.

    Solved by bisection, for the reach grows with the on-time.
    """
    base_pulses = habit.way_pulses(gone_s)

    def ahead_pulses(on_s: float) -> float:
        return habit.reach_pulses(on_s) - base_pulses

    low_s = gone_s
    high_s = gone_s + max(left_pulses, 0.0) / habit.rate_pulses_per_s + 4 * habit.spin_up_s
    if ahead_pulses(low_s) >= left_pulses:
        return low_s
    for _ in range(BISECTIONS_N):
        middle_s = (low_s + high_s) / 2
        if ahead_pulses(middle_s) < left_pulses:
            low_s = middle_s
        else:
            high_s = middle_s
    return high_s


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """The places that a count and the contact's level allow at rest."""

    low_pulses: float
    high_pulses: float

    @classmethod
    def of(cls, count_pulses: int, closed: bool | None, closed_part: float) -> "Stretch":
        """Return the stretch for a count: the first `closed_part` of it has the contact closed."""
        turn = count_pulses + closed_part
        if closed is None:
            return cls(low_pulses=count_pulses, high_pulses=count_pulses + 1)
        if closed:
            return cls(low_pulses=count_pulses, high_pulses=turn)
        return cls(low_pulses=turn, high_pulses=count_pulses + 1)

    @property
    def middle_pulses(self) -> float:
        """Return the middle."""
        return (self.low_pulses + self.high_pulses) / 2

    def nearest_pulses(self, place_pulses: float) -> float:
        """Return `place_pulses`, or the point a little inside when it lies outside."""
        inside = min(INSIDE, (self.high_pulses - self.low_pulses) / 2)
        if place_pulses < self.low_pulses:
            return self.low_pulses + inside
        if place_pulses > self.high_pulses:
            return self.high_pulses - inside
        return place_pulses


@dataclass(kw_only=True)
class Approach:
    """One run of the motor toward a target."""

    direction: Direction
    aim_pulses: float  # infinite for a run to an end
    started_s: float
    start_place_pulses: float
    cut_s: float  # when to cut, as known so far
    place_pulses: float
    place_s: float
    pulses_n: int = 0
    rate_pulses_per_s: float  # from the habit, then measured
    rate_variance: float = LOAD_SPREAD**2  # relative
    was_cut_s: float | None = None
    expected_pulses: float | None = None  # where the model thinks it will stop


class Landing:
    """Know the motor's habits, cut in time, and learn from where it stopped."""

    def __init__(self, settings: LandingSettings, habits: dict[Direction, Habit]) -> None:
        first = Habit(
            coast_s=settings.coast_s,
            coast_slow_s=settings.coast_s / 2,  # between winding and friction
            rate_pulses_per_s=settings.rate_pulses_per_s,
            spin_up_s=settings.spin_up_s,
        )
        self.habits = {way: habits.get(way, first) for way in Direction}
        self._learned_n = {way: 10 if way in habits else 0 for way in Direction}
        self.closed_part = 0.5
        self._rest_pulses: float | None = None
        self.approach: Approach | None = None

    def begin(
        self, *, at_s: float, direction: Direction, target_pulses: int | None, rest: Stretch
    ) -> float | None:
        """Start a run; return when to cut it by the habit, None when it has no target."""
        place = rest.middle_pulses
        if self._rest_pulses is not None:
            place = rest.nearest_pulses(self._rest_pulses)
        self.approach = Approach(
            direction=direction,
            aim_pulses=inf if target_pulses is None else target_pulses + 0.5,
            started_s=at_s,
            start_place_pulses=place,
            cut_s=at_s,
            place_pulses=place,
            place_s=at_s,
            rate_pulses_per_s=self.habits[direction].rate_pulses_per_s,
        )
        return self._plan(self.approach)

    def pulse(self, *, at_s: float, place_pulses: float) -> float | None:
        """Take the place at a pulse; return when to cut, None after the cut."""
        run = self.approach
        if run is None or run.was_cut_s is not None:
            return None
        if run.pulses_n:
            self._measure_rate(run, at_s=at_s, place_pulses=place_pulses)
        run.pulses_n += 1
        run.place_pulses, run.place_s = place_pulses, at_s
        return self._plan(run)

    def cut(self, *, at_s: float) -> None:
        """Note that the motor was switched off."""
        run = self.approach
        if run is None or run.was_cut_s is not None:
            return
        run.was_cut_s = at_s
        if isinf(run.aim_pulses):
            return
        run.expected_pulses = self._reached(run, self._habit(run))

    def rest(self, stretch: Stretch) -> None:
        """Learn from where the rod stopped."""
        run, self.approach = self.approach, None
        if run is None or run.expected_pulses is None:
            self._rest_pulses = None
            return
        self._rest_pulses = stretch.nearest_pulses(run.expected_pulses)
        self._learn(run, self._rest_pulses)

    def coast_wait_s(self, direction: Direction) -> float:
        """Return how long without a pulse means standstill: four coast times."""
        return 4 * self.habits[direction].coast_s

    def observe_closed_part(self, part: float) -> None:
        """Take how much of an interval the contact was closed, at an even rate."""
        self.closed_part += 0.05 * (min(0.9, max(0.1, part)) - self.closed_part)

    def _habit(self, run: Approach) -> Habit:
        return replace(self.habits[run.direction], rate_pulses_per_s=run.rate_pulses_per_s)

    def _plan(self, run: Approach) -> float | None:
        if isinf(run.aim_pulses):
            return None
        left = run.direction.sign * (run.aim_pulses - run.place_pulses)
        if run.pulses_n == 0:
            left /= self.habits[run.direction].burst_gain
        gone_s = run.place_s - run.started_s
        cut_after = cut_after_s(self._habit(run), gone_s=gone_s, left_pulses=left)
        run.cut_s = run.started_s + max(cut_after, BURST_LEAST_S)
        return run.cut_s

    def _measure_rate(self, run: Approach, *, at_s: float, place_pulses: float) -> None:
        """Weigh the interval's rate against what was believed, each by its own error."""
        habit = self.habits[run.direction]
        before_s, now_s = run.place_s - run.started_s, at_s - run.started_s
        if not 0 <= before_s < now_s:
            return
        model_pulses = habit.way_pulses(now_s) - habit.way_pulses(before_s)
        if model_pulses <= 0:
            return
        made_pulses = abs(place_pulses - run.place_pulses)
        rate = habit.rate_pulses_per_s * made_pulses / model_pulses
        missing = exp(-(before_s + now_s) / 2 / habit.spin_up_s)
        variance = (RATE_ERROR + START_ERROR * missing) ** 2
        weight = run.rate_variance / (run.rate_variance + variance)
        run.rate_pulses_per_s += weight * (rate - run.rate_pulses_per_s)
        run.rate_variance = max((1 - weight) * run.rate_variance, RATE_ERROR**2 / 2)
        if before_s > STEADY * habit.spin_up_s:
            self._learn_start(run, now_s=now_s, place_pulses=place_pulses)

    def _learn_start(self, run: Approach, *, now_s: float, place_pulses: float) -> None:
        """Take the full rate, and the spin-up from the lag behind a start at full speed."""
        habit = self.habits[run.direction]
        rate = run.rate_pulses_per_s
        lag_s = now_s - abs(place_pulses - run.start_place_pulses) / rate
        spin_up_s = habit.spin_up_s
        if run.pulses_n <= 24:  # later the lag is mostly the error of the rate
            spin_up_s += 0.2 * (_within(SPIN_UP_BOUNDS_S, lag_s) - spin_up_s)
        new_rate = habit.rate_pulses_per_s + 0.2 * (rate - habit.rate_pulses_per_s)
        self.habits[run.direction] = replace(habit, rate_pulses_per_s=new_rate, spin_up_s=spin_up_s)

    def _reached(self, run: Approach, habit: Habit) -> float:
        assert run.was_cut_s is not None
        on_s = run.was_cut_s - run.started_s
        way = habit.reach_pulses(on_s) - habit.way_pulses(run.place_s - run.started_s)
        if run.pulses_n == 0:
            way *= habit.burst_gain
        return run.place_pulses + run.direction.sign * way

    def _learn(self, run: Approach, stopped_pulses: float) -> None:
        assert run.expected_pulses is not None
        habit = self.habits[run.direction]
        error = run.direction.sign * (stopped_pulses - run.expected_pulses)
        if run.pulses_n == 0:
            self._learn_burst(run, habit, stopped_pulses)
            return
        assert run.was_cut_s is not None
        now = self._habit(run)
        speed = now.speed_pulses_per_s(run.was_cut_s - run.started_s)
        if speed <= 0:
            return
        trust = 1.0 if self._learned_n[run.direction] == 0 else TRUST
        self._learned_n[run.direction] += 1
        fast = min(1.0, speed / now.rate_pulses_per_s)
        step_s = trust * error / speed / (fast**2 + (1 - fast) ** 2)
        self.habits[run.direction] = replace(
            habit,
            coast_s=_within(COAST_BOUNDS_S, habit.coast_s + fast * step_s),
            coast_slow_s=_within(COAST_BOUNDS_S, habit.coast_slow_s + (1 - fast) * step_s),
        )

    def _learn_burst(self, run: Approach, habit: Habit, stopped_pulses: float) -> None:
        assert run.expected_pulses is not None
        expected = abs(run.expected_pulses - run.start_place_pulses)
        made = run.direction.sign * (stopped_pulses - run.start_place_pulses)
        if expected <= 0:
            return
        gain = habit.burst_gain * (1 + TRUST * (max(made, 0.0) / expected - 1))
        self.habits[run.direction] = replace(habit, burst_gain=_within(GAIN_BOUNDS, gain))


def _within(bounds: tuple[float, float], number: float) -> float:
    low, high = bounds
    return min(high, max(low, number))
