"""The dish that the actuator carries: where it looks, and what a receiver hears there."""

from math import floor
from random import Random

from controller.bench.actuator import Actuator
from controller.bench.beam import level_db
from controller.bench.peaking import peak_screw_mm
from controller.bench.plan import YardPlan
from controller.bench.wind import Weather


class Dish:
    """A dish under its sky, posed by turning points about crooked axes."""

    def __init__(
        self, plan: YardPlan, *, actuator: Actuator, weather: Weather, chance: Random
    ) -> None:
        self.plan = plan
        self.actuator = actuator
        self.weather = weather
        self._chance = chance
        self._mount = plan.mount()

    @property
    def rod_mm(self) -> float:
        """Return the rod from pin to pin, as the dish holds it."""
        return self.plan.screw.rod_mm(self.actuator.dish_mm, side=self.plan.triangle.side)

    @property
    def hour_angle_deg(self) -> float:
        """Return where the dish stands."""
        return self.plan.hour_angle_deg(self.actuator.dish_mm)

    def off_deg(self, name: str) -> float:
        """Return the angle between the beam and a satellite now, in still air."""
        return self._mount.off_deg(self.hour_angle_deg, self.plan.satellite(name).slot_deg)

    def peak_pulses(self, name: str, *, arriving: str = "west") -> float | None:
        """Return the place of the best signal when the screw arrives going `arriving`.

        The whole part is the best count. None when the satellite is out of reach.
        """
        slot_deg = self.plan.satellite(name).slot_deg
        slip_mm = self.actuator.slip_mm
        screw_mm = peak_screw_mm(self.plan, slot_deg, arriving=arriving, slip_mm=slip_mm)
        return None if screw_mm is None else self.plan.ring.pulses_at(screw_mm)

    def peak_count(self, name: str, *, arriving: str = "west") -> int | None:
        """Return the true count of the best signal, None when the satellite is out of reach."""
        pulses = self.peak_pulses(name, arriving=arriving)
        return None if pulses is None else floor(pulses)

    def signal_db(self, *, noisy: bool = True) -> float:
        """Return the receiver's level: everything in the beam, above the receiver's own noise."""
        at_deg, shake_deg = self.hour_angle_deg, self.weather.shake_deg(self.actuator.now_s)
        beam, mount = self.plan.beam, self._mount
        strengths_db = [
            s.peak_db - beam.loss_db(mount.off_deg(at_deg, s.slot_deg, shake_deg=shake_deg))
            for s in self.plan.satellites
        ]
        noise_db = self._chance.gauss(0.0, self.plan.receiver_noise_db) if noisy else 0.0
        return level_db(strengths_db) + noise_db
