"""The two invented sites: what their owners know, and what nobody but the bench knows.

The configuration's examples list the same names, slots, lines and taped lengths. What is
hidden differs from what is taped as two people and a steel tape would differ.
"""

from dataclasses import dataclass, replace

from controller.bench.beam import Beam
from controller.bench.magnets import Ring
from controller.bench.motor import Motor
from controller.bench.mount import Crookedness
from controller.bench.plan import YardPlan
from controller.bench.rod import Screw, Triangle
from controller.bench.sky import Satellite, Site
from controller.bench.wind import Wind
from controller.bench.wires import ReversingRelay, TwoRelays, Wires
from controller.errors import ConfigError


@dataclass(frozen=True, kw_only=True)
class Tape:
    """What the owner measured; never used by the yard itself."""

    dish_arm_mm: float
    mast_arm_mm: float
    axial_offset_mm: float
    opening_at_top_deg: float
    retracted_mm: float
    stroke_mm: float
    pulses_per_mm: float


TUSSOCK_DOWNS_TAPE = Tape(
    dish_arm_mm=465.0,
    mast_arm_mm=505.0,
    axial_offset_mm=25.0,
    opening_at_top_deg=90.0,
    retracted_mm=325.0,
    stroke_mm=600.0,
    pulses_per_mm=1.9,
)

# Bittern and Dotterel stand above the horizon but beyond the ends of the rod.
TUSSOCK_DOWNS_SATELLITES = (
    Satellite(name="Dotterel", slot_deg=113.7, peak_db=10.0),
    Satellite(name="Gannet", slot_deg=125.3, peak_db=11.5),
    Satellite(name="Curlew", slot_deg=133.9, peak_db=13.0),
    Satellite(name="Plover", slot_deg=140.2, peak_db=9.5),
    Satellite(name="Heron", slot_deg=147.6, peak_db=14.0),
    Satellite(name="Petrel", slot_deg=155.1, peak_db=12.5),
    Satellite(name="Godwit", slot_deg=161.8, peak_db=10.5),
    Satellite(name="Stilt", slot_deg=168.3, peak_db=12.0),
    Satellite(name="Whimbrel", slot_deg=174.9, peak_db=13.5),
    Satellite(name="Fulmar", slot_deg=-178.4, peak_db=11.0),
    Satellite(name="Shearwater", slot_deg=-170.7, peak_db=12.0),
    Satellite(name="Sandpiper", slot_deg=-163.2, peak_db=9.0),
    Satellite(name="Skua", slot_deg=-147.3, peak_db=12.5),
    Satellite(name="Bittern", slot_deg=-131.5, peak_db=10.0),
)

TUSSOCK_DOWNS = YardPlan(
    name="tussock-downs",
    site=Site(latitude_deg=-45.10, longitude_deg=169.40, height_m=280.0),
    axis_elevation_deg=45.80,
    declination_offset_deg=6.10,
    crooked=Crookedness(
        axis_azimuth_deg=0.8,
        axis_elevation_deg=-0.25,
        declination_deg=0.15,
        collimation_deg=0.1,
        post_leans_north_deg=0.2,
        post_leans_east_deg=-0.3,
    ),
    triangle=Triangle(
        side="west",
        dish_arm_mm=463.5,
        mast_arm_mm=506.5,
        opening_at_top_deg=91.3,
        axial_offset_mm=31.0,
    ),
    screw=Screw(
        retracted_mm=322.5,
        stroke_mm=599.2,
        lead_mm=5.0,
        periodic_mm=0.05,
        periodic_turns=0.2,
        backlash_mm=0.85,
    ),
    motor=Motor(speed_mm_per_s=5.5, spin_up_s=0.09, coast_mm=1.2, load_part=0.08),
    ring=Ring(pulses_per_mm=1.894),
    beam=Beam(diameter_m=3.0),
    satellites=TUSSOCK_DOWNS_SATELLITES,
    bounce_s=0.001,
    wind=Wind(shake_deg=0.03),
    wires=Wires(drive=TwoRelays(east_pin=5, west_pin=6), sensor_pin=17, stop_pin=23, hold_pin=24),
)

ALDER_FEN_TAPE = Tape(
    dish_arm_mm=390.0,
    mast_arm_mm=420.0,
    axial_offset_mm=-20.0,
    opening_at_top_deg=90.0,
    retracted_mm=285.0,
    stroke_mm=450.0,
    pulses_per_mm=1.9,
)

# Wagtail stands above the horizon but beyond the east end of the rod.
ALDER_FEN_SATELLITES = (
    Satellite(name="Wagtail", slot_deg=52.4, peak_db=9.5),
    Satellite(name="Lapwing", slot_deg=41.2, peak_db=11.0),
    Satellite(name="Dunlin", slot_deg=33.7, peak_db=12.5),
    Satellite(name="Avocet", slot_deg=27.4, peak_db=13.5),
    Satellite(name="Egret", slot_deg=21.9, peak_db=10.5),
    Satellite(name="Grebe", slot_deg=15.2, peak_db=12.0),
    Satellite(name="Nightjar", slot_deg=9.6, peak_db=11.5),
    Satellite(name="Redshank", slot_deg=3.1, peak_db=13.0),
    Satellite(name="Pipit", slot_deg=-4.7, peak_db=9.0),
    Satellite(name="Knot", slot_deg=-11.8, peak_db=14.0),
    Satellite(name="Harrier", slot_deg=-18.4, peak_db=10.0),
    Satellite(name="Crane", slot_deg=-25.9, peak_db=12.0),
    Satellite(name="Jackdaw", slot_deg=-34.6, peak_db=11.0),
)

ALDER_FEN = YardPlan(
    name="alder-fen",
    site=Site(latitude_deg=52.60, longitude_deg=0.30, height_m=4.0),
    axis_elevation_deg=53.27,
    declination_offset_deg=6.83,
    crooked=Crookedness(
        axis_azimuth_deg=-0.6,
        axis_elevation_deg=0.3,
        declination_deg=-0.2,
        collimation_deg=-0.05,
        post_leans_north_deg=-0.15,
        post_leans_east_deg=0.2,
    ),
    triangle=Triangle(
        side="east",
        dish_arm_mm=388.0,
        mast_arm_mm=421.5,
        opening_at_top_deg=88.6,
        axial_offset_mm=-22.0,
    ),
    screw=Screw(
        retracted_mm=283.0,
        stroke_mm=451.6,
        lead_mm=4.0,
        periodic_mm=0.04,
        periodic_turns=0.7,
        backlash_mm=0.5,
    ),
    motor=Motor(speed_mm_per_s=4.2, spin_up_s=0.07, coast_mm=0.6, brakes=True, load_part=0.05),
    ring=Ring(pulses_per_mm=1.907, closed_part=0.5),
    beam=Beam(diameter_m=2.4),
    satellites=ALDER_FEN_SATELLITES,
    bounce_s=0.0015,
    wind=Wind(shake_deg=0.02),
    wires=Wires(
        drive=ReversingRelay(power_pin=5, reverse_pin=6, reverse_is="east"),
        active_low=True,
        main_relay_pin=13,
        sensor_pin=17,
        second_pin=27,
        east_limit_pin=20,
        west_limit_pin=21,
        stop_pin=23,
        hold_pin=24,
    ),
)

SCENARIOS = {plan.name: plan for plan in (TUSSOCK_DOWNS, ALDER_FEN)}
TAPES = {TUSSOCK_DOWNS.name: TUSSOCK_DOWNS_TAPE, ALDER_FEN.name: ALDER_FEN_TAPE}


def scenario(
    name: str,
    *,
    speed_mm_per_s: float | None = None,
    start_mm: float | None = None,
    wires: Wires | None = None,
) -> YardPlan:
    """Return one of the two sites, with another motor speed, start or harness if given."""
    if name not in SCENARIOS:
        raise ConfigError(f"no scenario is called {name!r}; there are: {', '.join(SCENARIOS)}")
    plan = SCENARIOS[name]
    if speed_mm_per_s is not None:
        plan = replace(plan, motor=replace(plan.motor, speed_mm_per_s=speed_mm_per_s))
    if start_mm is not None:
        plan = replace(plan, start_mm=start_mm)
    return plan if wires is None else replace(plan, wires=wires)
