"""Wind: shakes the dish, and where the screw is loose pushes it a little."""

from dataclasses import dataclass, field
from math import inf, pi, sin
from random import Random

SWAY_HZ = (0.31, 0.83, 1.9)  # chosen: slow gusts, the post, the dish's own rim


@dataclass(frozen=True, kw_only=True)
class Wind:
    """How hard it blows on this dish."""

    shake_deg: float = 0.0  # about the largest movement of the beam
    push_mm_per_s: float = 0.0  # how fast a gust turns a screw that nothing holds
    gust_every_s: float = 20.0
    gust_s: float = 0.8


@dataclass
class Weather:
    """The wind as it comes, gust after gust; `speed_mm_per_s` is what it does to the screw."""

    wind: Wind
    chance: Random
    now_s: float
    speed_mm_per_s: float = 0.0
    next_change_s: float = field(default=inf)

    def __post_init__(self) -> None:
        self._phases = [self.chance.uniform(0, 2 * pi) for _ in SWAY_HZ]
        if self.wind.push_mm_per_s:
            self.next_change_s = self.now_s + self.chance.expovariate(1 / self.wind.gust_every_s)

    def turn(self) -> None:
        """Begin or end a gust, at `next_change_s`."""
        if self.speed_mm_per_s:
            self.speed_mm_per_s = 0.0
            self.next_change_s += self.chance.expovariate(1 / self.wind.gust_every_s)
        else:
            self.speed_mm_per_s = self.chance.choice((-1, 1)) * self.wind.push_mm_per_s
            self.next_change_s += self.wind.gust_s

    def shake_deg(self, at_s: float) -> float:
        """Return how far the wind holds the beam off at a time."""
        if not self.wind.shake_deg:
            return 0.0
        sway = sum(sin(2 * pi * f * at_s + p) for f, p in zip(SWAY_HZ, self._phases, strict=True))
        return self.wind.shake_deg * sway / len(SWAY_HZ)
