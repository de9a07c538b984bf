"""Whether rod, arms and margins fit each other.

The geometry brings numpy along, a tenth of a second on a large machine and a second on a small
board: it is imported by the checks that need it, so that opening the relays never waits for it.
"""

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Final

from controller.config.motion import Motion
from controller.config.places import Place
from controller.config.wiring import Sensor
from controller.config.yard import Actuator, MountSection, Site
from controller.errors import GeometryError

if TYPE_CHECKING:
    from controller.geometry.linkage import Linkage

LOWEST_OF_THE_ARC_DEG: Final = 5.0  # the default of controller.geometry.polar.minimax_setting


def linkage_of(actuator: Actuator) -> "Linkage":
    """Return the triangle as taped."""
    from controller.geometry.linkage import Linkage, Side  # noqa: PLC0415

    return Linkage(
        dish_arm_mm=actuator.dish_arm_mm.value,
        mast_arm_mm=actuator.mast_arm_mm.value,
        opening_at_top_deg=actuator.opening_at_top_deg.value,
        axial_offset_mm=actuator.axial_offset_mm.value,
        side=Side(actuator.side),
    )


def travel_pulses(actuator: Actuator) -> int:
    """Return the pulses of the whole stroke, as taped."""
    return round(actuator.stroke_mm.value * actuator.pulses_per_mm.value)


def triangle_closes(*, actuator: Actuator) -> Iterator[tuple[Place, str]]:
    """Refuse a rod that cannot span its pins over the whole stroke, or pulls through the pivot."""
    linkage = linkage_of(actuator)
    shortest_mm, longest_mm = linkage.shortest_mm, linkage.longest_mm
    fully_in_mm = actuator.retracted_mm.value
    fully_out_mm = fully_in_mm + actuator.stroke_mm.value
    if fully_in_mm <= shortest_mm:
        yield (
            ("actuator", "retracted_mm"),
            f"the rod fully in must be above {shortest_mm:.0f} mm, where the arms are folded "
            f"(dead point), not {fully_in_mm:.0f} mm; is an arm or the rod taped wrongly?",
        )
    if fully_out_mm >= longest_mm:
        yield (
            ("actuator", "stroke_mm"),
            f"the rod fully out must be below {longest_mm:.0f} mm, where the arms are in line "
            f"(dead point), not {fully_out_mm:.0f} mm; limit the stroke or use longer arms",
        )
    if shortest_mm < fully_in_mm and fully_out_mm < longest_mm:
        yield from _keeps_its_force(actuator, linkage)


def _keeps_its_force(actuator: Actuator, linkage: "Linkage") -> Iterator[tuple[Place, str]]:
    try:
        linkage.travel_deg(
            retracted_mm=actuator.retracted_mm.value, stroke_mm=actuator.stroke_mm.value
        )
    except GeometryError as mistake:
        yield ("actuator", "stroke_mm"), str(mistake).removeprefix("linkage: ")


def top_within_stroke(*, actuator: Actuator) -> Iterator[tuple[Place, str]]:
    """Note a highest point outside the travel: possible, but more often a slip of the tape."""
    top_mm = float(linkage_of(actuator).rod_mm(0.0))
    fully_in_mm = actuator.retracted_mm.value
    fully_out_mm = fully_in_mm + actuator.stroke_mm.value
    if not fully_in_mm <= top_mm <= fully_out_mm:
        yield (
            ("actuator", "opening_at_top_deg"),
            f"with the dish at its highest the rod would be {top_mm:.0f} mm, outside its own "
            f"{fully_in_mm:.0f} to {fully_out_mm:.0f} mm; the dish then never gets there",
        )


def mount_sees_the_arc(*, site: Site, mount: MountSection) -> Iterator[tuple[Place, str]]:
    """Refuse half a setting of the mount, and a site that no satellite rises for."""
    from controller.geometry import earth  # noqa: PLC0415

    pair = ("axis_elevation_deg", "declination_offset_deg")
    missing = [name for name in pair if getattr(mount, name) is None]
    if len(missing) == 1:
        given = pair[1 - pair.index(missing[0])]
        yield ("mount", given), f"needs mount.{missing[0]} beside it; give both, or none"
    # What is best for a site is asked for the arc above 5 degrees.
    minimum_deg = LOWEST_OF_THE_ARC_DEG if missing else 0.0
    place = earth.Site(site.latitude_deg, site.longitude_deg, site.height_m)
    try:
        earth.half_span_deg(place, minimum_elevation_deg=minimum_deg)
    except GeometryError as mistake:
        yield ("site", "latitude_deg"), str(mistake)


def margins_within_travel(*, actuator: Actuator, motion: Motion) -> Iterator[tuple[Place, str]]:
    """Refuse margins that leave nothing to move in."""
    travel = travel_pulses(actuator)
    for option in ("soft_margin_pulses", "end_window_pulses"):
        value = getattr(motion, option)
        if 2 * value >= travel:
            yield (
                ("motion", option),
                f"must be below {travel / 2:g}, half the travel "
                f"(stroke_mm x pulses_per_mm = {travel}), not {value}",
            )


def park_within_travel(*, actuator: Actuator, motion: Motion) -> Iterator[tuple[Place, str]]:
    """Refuse a parking place outside the soft limits."""
    travel, margin = travel_pulses(actuator), motion.soft_margin_pulses
    park = motion.park_count_pulses
    if park is not None and 2 * margin < travel and not margin <= park <= travel - margin:
        yield (
            ("motion", "park_count_pulses"),
            f"must be from {margin} to {travel - margin}, between the soft limits as taped, "
            f"not {park}",
        )


def run_reaches_the_end(
    *, actuator: Actuator, sensor: Sensor, motion: Motion
) -> Iterator[tuple[Place, str]]:
    """Note a longest run that must cut the search for the limits."""
    least_s = travel_pulses(actuator) / sensor.rate_max_pulses_per_s
    if motion.max_run_s < least_s:
        yield (
            ("motion", "max_run_s"),
            f"{motion.max_run_s:g} s is too short for the whole travel, which takes at least "
            f"{least_s:.0f} s at rate_max_pulses_per_s",
        )


def run_within_budget(*, motion: Motion) -> Iterator[tuple[Place, str]]:
    """Note a longest run that the motor's budget ends before."""
    if motion.max_run_s > motion.on_time_max_s:
        yield (
            ("motion", "max_run_s"),
            f"{motion.max_run_s:g} s is more than on_time_max_s ({motion.on_time_max_s:g}), "
            f"which will end such a run first",
        )


MECHANICS: Final[dict[Callable[..., Iterator[tuple[Place, str]]], tuple[str, ...]]] = {
    triangle_closes: ("actuator",),
    mount_sees_the_arc: ("site", "mount"),
    margins_within_travel: ("actuator", "motion"),
    park_within_travel: ("actuator", "motion"),
}
MECHANICS_NOTES: Final[dict[Callable[..., Iterator[tuple[Place, str]]], tuple[str, ...]]] = {
    top_within_stroke: ("actuator",),
    run_reaches_the_end: ("actuator", "sensor", "motion"),
    run_within_budget: ("motion",),
}
