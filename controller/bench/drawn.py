"""Yards drawn at random, the same for the same seed."""

from dataclasses import replace
from math import asin, degrees
from random import Random
from typing import Any

from controller.bench.beam import Beam
from controller.bench.magnets import Ring
from controller.bench.motor import Motor
from controller.bench.mount import Crookedness
from controller.bench.plan import YardPlan
from controller.bench.rod import Screw, Triangle
from controller.bench.sky import Satellite, Site, toward
from controller.bench.yard import Yard

RATE_MAX_PULSES_PER_S = 50.0  # no faster than a reed of this size is used
SATELLITES = 12
ARC_EDGE_DEG = 50.0


def plan_from(seed: int) -> YardPlan:
    """Draw a yard: either hemisphere, either side, 8 to 20 pulses per degree at the top."""
    chance = Random(f"{seed} plan")
    site = Site(
        latitude_deg=chance.choice((-1, 1)) * chance.uniform(20.0, 58.0),
        longitude_deg=chance.uniform(-179.0, 180.0),
        height_m=chance.uniform(0.0, 800.0),
    )
    triangle = _triangle(chance)
    screw = _screw(chance, triangle)
    per_mm = chance.uniform(8.0, 20.0) / _mm_per_deg(triangle)
    backlash_mm = chance.uniform(0.0, 4.0) / per_mm
    return YardPlan(
        name=f"drawn {seed}",
        site=site,
        # Within 0.05 deg of the best setting between these latitudes, which is less than the
        # crookedness that is added to it.
        axis_elevation_deg=abs(site.latitude_deg) + 0.65,
        declination_offset_deg=_declination_deg(site) - 0.65,
        crooked=Crookedness(
            axis_azimuth_deg=chance.gauss(0.0, 0.7),
            axis_elevation_deg=chance.gauss(0.0, 0.25),
            declination_deg=chance.gauss(0.0, 0.2),
            collimation_deg=chance.gauss(0.0, 0.1),
            post_leans_north_deg=chance.gauss(0.0, 0.2),
            post_leans_east_deg=chance.gauss(0.0, 0.2),
        ),
        triangle=triangle,
        screw=replace(screw, backlash_mm=backlash_mm),
        motor=_motor(chance, per_mm),
        ring=Ring(
            pulses_per_mm=per_mm,
            closed_part=chance.uniform(0.3, 0.6),
            first_pulses=chance.uniform(0.65, 0.95),
        ),
        beam=Beam(diameter_m=chance.uniform(2.0, 4.0)),
        satellites=_satellites(chance, site),
        bounce_s=chance.uniform(0.0, 0.002),
        start_mm=chance.uniform(0.2, 0.8) * screw.stroke_mm,
    )


def yard_from(seed: int, *, now_s: float = 0.0, **changes: Any) -> Yard:
    """Build a drawn yard, with fields of its plan replaced by `changes`."""
    return Yard(replace(plan_from(seed), **changes), now_s=now_s, seed=seed)


def _triangle(chance: Random) -> Triangle:
    arm_mm = chance.uniform(440.0, 600.0)
    return Triangle(
        side=chance.choice(("east", "west")),
        dish_arm_mm=arm_mm,
        mast_arm_mm=arm_mm * chance.uniform(0.95, 1.12),
        opening_at_top_deg=chance.uniform(84.0, 96.0),
        axial_offset_mm=chance.uniform(-60.0, 60.0),
    )


def _screw(chance: Random, triangle: Triangle) -> Screw:
    """Draw a stroke of 450 to 600 mm that reaches about as far to both sides of the top."""
    stroke_mm = chance.uniform(0.95, 1.05) * min(600.0, 1.1 * triangle.dish_arm_mm)
    low, high = 0.0, 80.0
    for _ in range(40):
        reach = (low + high) / 2
        spread_mm = abs(triangle.rod_mm(reach) - triangle.rod_mm(-reach))
        low, high = (reach, high) if spread_mm < stroke_mm else (low, reach)
    return Screw(
        retracted_mm=min(triangle.rod_mm(low), triangle.rod_mm(-low)),
        stroke_mm=stroke_mm,
        lead_mm=chance.uniform(3.0, 6.0),
        periodic_mm=chance.uniform(0.0, 0.08),
        periodic_turns=chance.random(),
    )


def _motor(chance: Random, per_mm: float) -> Motor:
    return Motor(
        speed_mm_per_s=min(chance.uniform(3.0, 12.0), RATE_MAX_PULSES_PER_S / per_mm),
        spin_up_s=chance.uniform(0.03, 0.2),
        coast_mm=chance.uniform(0.0, 6.0) / per_mm,
        brakes=chance.random() < 0.5,
        load_part=chance.uniform(0.0, 0.12),
    )


def _mm_per_deg(triangle: Triangle) -> float:
    return abs(triangle.rod_mm(0.5) - triangle.rod_mm(-0.5))


def _declination_deg(site: Site) -> float:
    """Return how far below the equator's plane a slot on the site's own meridian stands."""
    return 90.0 - abs(site.latitude_deg) - _elevation_deg(site, site.longitude_deg)


def _elevation_deg(site: Site, slot_deg: float) -> float:
    return degrees(asin(toward(site, slot_deg)[2]))


def _satellites(chance: Random, site: Site) -> tuple[Satellite, ...]:
    step_deg = 2 * ARC_EDGE_DEG / (SATELLITES - 1)
    slots = [
        site.longitude_deg - ARC_EDGE_DEG + i * step_deg + chance.uniform(-2.0, 2.0)
        for i in range(SATELLITES)
    ]
    return tuple(
        Satellite(
            name=f"Bird {i + 1}",
            slot_deg=180.0 - (180.0 - slot) % 360.0,
            peak_db=chance.uniform(9.0, 14.0),
        )
        for i, slot in enumerate(slots)
    )
