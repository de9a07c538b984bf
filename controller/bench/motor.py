"""A direct-current motor on a screw: how fast it gets, how far it rolls on.

Every stretch of motion has the form dv/dt = (target - v) / constant, which is solved exactly:
driven, the target is the loaded speed; coasting, it lies beyond zero, so that the screw stops
after a finite time.
"""

from dataclasses import dataclass
from math import exp, log, log1p

# How far beyond zero a coasting motor's target lies, in full speeds. With 0.05 the decay is
# that of a motor braking through its own winding; with 10 the deceleration is constant within
# ten per cent, as with dry friction.
BRAKE_DRAG = 0.05
FRICTION_DRAG = 10.0


@dataclass(frozen=True, kw_only=True)
class Motor:
    """A motor with its gearbox, as it drives the screw."""

    speed_mm_per_s: float  # loaded as at the middle of the stroke
    spin_up_s: float = 0.08  # time constant of the start
    coast_mm: float = 1.0  # from full speed to standstill after a cut
    brakes: bool = False  # how it coasts: by its own winding, or by friction alone
    load_part: float = 0.0  # of the speed, that the uphill way costs at the ends
    run_a: float = 2.0
    stall_a: float = 8.0

    @property
    def drag(self) -> float:
        """Return how far beyond zero the target of a coasting motor lies, in full speeds."""
        return BRAKE_DRAG if self.brakes else FRICTION_DRAG

    @property
    def coast_s(self) -> float:
        """Return the time constant that gives `coast_mm` from full speed."""
        r = self.drag
        return max(self.coast_mm, 1e-6) / (self.speed_mm_per_s * (1 - r * log1p(1 / r)))


@dataclass(frozen=True, kw_only=True, slots=True)
class Stretch:
    """A stretch of motion with one target: starting speed, target and time constant."""

    speed_mm_per_s: float
    target_mm_per_s: float
    constant_s: float

    def speed_after(self, s: float) -> float:
        """Return the speed after `s` seconds."""
        rest = exp(-s / self.constant_s)
        return self.target_mm_per_s + (self.speed_mm_per_s - self.target_mm_per_s) * rest

    def way_mm(self, s: float) -> float:
        """Return the way covered in `s` seconds."""
        decayed = -self.constant_s * (exp(-s / self.constant_s) - 1)
        return self.target_mm_per_s * s + (self.speed_mm_per_s - self.target_mm_per_s) * decayed

    def turning_s(self) -> float | None:
        """Return when the speed passes through zero, None if it does not."""
        v, target = self.speed_mm_per_s, self.target_mm_per_s
        if v == 0 or v * target > 0 or target == 0:
            return None
        return self.constant_s * log((v - target) / -target)

    def time_of_s(self, way_mm: float, within_s: float) -> float:
        """Return when a way is covered that `within_s` is known to cover, without turning."""
        low, high = 0.0, within_s
        s = min(high, max(way_mm / (self.speed_mm_per_s or self.target_mm_per_s), 0.0))
        for _ in range(60):
            off_mm = self.way_mm(s) - way_mm
            if abs(off_mm) < 1e-10:
                break
            if (off_mm > 0) == (way_mm > 0):
                high = s
            else:
                low = s
            speed = self.speed_after(s)
            step = s - off_mm / speed if speed else -1.0
            s = step if low < step < high else (low + high) / 2
        return s
