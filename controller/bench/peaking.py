"""Where a satellite is really best, found by turning the dish over the whole arc."""

from controller.bench.mount import Mount
from controller.bench.plan import YardPlan

_GOLDEN = (5**0.5 - 1) / 2
_SHRINKS = 60


def best_hour_angle_deg(mount: Mount, slot_deg: float) -> float:
    """Return the hour angle at which the beam passes nearest to a slot."""
    rough = min(range(-179, 180, 2), key=lambda h: mount.off_deg(h, slot_deg))
    low, high = rough - 2.0, rough + 2.0
    for _ in range(_SHRINKS):
        a, b = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
        if mount.off_deg(a, slot_deg) < mount.off_deg(b, slot_deg):
            high = b
        else:
            low = a
    return (low + high) / 2


def screw_mm_for(plan: YardPlan, *, dish_mm: float, arriving: str, slip_mm: float = 0.0) -> float:
    """Return the screw's place that leaves the dish at a travel, coming from one side."""
    lag_mm = plan.screw.backlash_mm / 2
    nut_mm = dish_mm - slip_mm + (lag_mm if arriving == "west" else -lag_mm)
    low, high = nut_mm - 5.0, nut_mm + 5.0  # the screw's own error is far smaller
    for _ in range(_SHRINKS):
        middle = (low + high) / 2
        if plan.screw.travel_mm(middle) < nut_mm:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def peak_screw_mm(
    plan: YardPlan, slot_deg: float, *, arriving: str, slip_mm: float = 0.0
) -> float | None:
    """Return the screw's place at which a slot is best, None when it is out of reach."""
    travel_mm = plan.travel_mm(best_hour_angle_deg(plan.mount(), slot_deg))
    screw_mm = screw_mm_for(plan, dish_mm=travel_mm, arriving=arriving, slip_mm=slip_mm)
    return screw_mm if 0 <= screw_mm <= plan.screw.stroke_mm else None
