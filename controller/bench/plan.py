"""Everything there is to know about a yard, most of it hidden from the program on trial."""

from dataclasses import dataclass, field

from controller.bench.actuator import Ends
from controller.bench.beam import Beam
from controller.bench.magnets import Ring
from controller.bench.motor import Motor
from controller.bench.mount import Crookedness, Mount
from controller.bench.rod import Screw, Triangle
from controller.bench.sky import Satellite, Site
from controller.bench.wind import Wind
from controller.bench.wires import Wires


@dataclass(frozen=True, kw_only=True)
class YardPlan:
    """A dish on its mount with its actuator, its sky and its wires."""

    name: str
    site: Site
    axis_elevation_deg: float
    declination_offset_deg: float
    crooked: Crookedness = field(default_factory=Crookedness)
    triangle: Triangle
    screw: Screw
    motor: Motor
    ring: Ring
    beam: Beam
    satellites: tuple[Satellite, ...] = ()
    ends: Ends = field(default_factory=Ends)
    bounce_s: float = 0.001
    receiver_noise_db: float = 0.1
    wind: Wind = field(default_factory=Wind)
    wires: Wires = field(default_factory=Wires)
    start_mm: float | None = None  # None: the middle of the stroke

    def mount(self) -> Mount:
        """Return the mount as it really stands."""
        return Mount(
            self.site,
            axis_elevation_deg=self.axis_elevation_deg,
            declination_offset_deg=self.declination_offset_deg,
            crooked=self.crooked,
        )

    def satellite(self, name: str) -> Satellite:
        """Return a satellite by name; raise `KeyError` when this sky has none of that name."""
        return {s.name: s for s in self.satellites}[name]

    def hour_angle_deg(self, travel_mm: float) -> float:
        """Return the dish's hour angle when it has followed the screw to a travel."""
        side = self.triangle.side
        return self.triangle.hour_angle_deg(self.screw.rod_mm(travel_mm, side=side))

    def travel_mm(self, hour_angle_deg: float) -> float:
        """Return the travel, from the east end, that holds an hour angle; may be out of reach."""
        out_mm = self.triangle.rod_mm(hour_angle_deg) - self.screw.retracted_mm
        return out_mm if self.triangle.side == "east" else self.screw.stroke_mm - out_mm
