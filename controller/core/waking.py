"""From what the store remembers to a helm that knows where it is."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from controller.core.counting import Counter, recall_count
from controller.core.debounce import Debounce
from controller.core.helm import Helm
from controller.core.landing import Habit, Landing, LandingSettings
from controller.core.memory import Remembered
from controller.core.motion import Direction
from controller.core.safety import SafetySettings
from controller.core.watch import WatchSettings

FASTER = 1.5  # than it ever learned the motor cannot have run while nobody looked
COAST_PULSES = 6  # a run whose end was not seen coasts about this far


@dataclass(frozen=True, kw_only=True)
class PilotSettings:
    """Everything the configuration says about decisions."""

    dish: str
    satellites: Mapping[str, float] = field(default_factory=dict)  # name to slot
    landing: LandingSettings = field(default_factory=LandingSettings)
    safety: SafetySettings = field(default_factory=SafetySettings)
    watch: WatchSettings = field(default_factory=WatchSettings)
    stable_s: float = 0.003
    switches: frozenset[Direction] = frozenset()  # ends with a limit switch on the board
    park_slot_deg: float | None = None
    park_count_pulses: int | None = None
    travel_pulses: float | None = None  # by the tape
    travel_tolerance_pulses: float = 0.0
    save_period_s: float = 1.0
    signal_max_age_s: float = 5.0


def wake(settings: PilotSettings, remembered: Remembered, *, at_s: float) -> Helm:
    """Return a helm that stands still where it was left, as far as that is known."""
    habits = {
        way: Habit(
            coast_s=learned.coast_s,
            coast_slow_s=learned.coast_slow_s,
            rate_pulses_per_s=learned.rate_pulses_per_s,
            spin_up_s=learned.spin_up_s,
        )
        for way, learned in remembered.landing.items()
    }
    count, doubt = _recalled(settings, remembered, habits)
    record = remembered.count
    return Helm(
        watch=settings.watch,
        safety=settings.safety,
        counter=Counter(
            count_pulses=count,
            doubt_pulses=doubt,
            rate_max_pulses_per_s=settings.watch.rate_max_pulses_per_s,
        ),
        landing=Landing(settings.landing, habits),
        debounce=Debounce(
            stable_s=settings.stable_s,
            closed=record.reed_closed if record else None,
        ),
        at_s=at_s,
    )


def _recalled(
    settings: PilotSettings, remembered: Remembered, habits: Mapping[Direction, Habit]
) -> tuple[int, int | None]:
    if remembered.count is None:
        return 0, None
    bound = settings.watch.rate_max_pulses_per_s
    rates = [FASTER * habit.rate_pulses_per_s for habit in habits.values()]
    return recall_count(
        remembered.count,
        rate_pulses_per_s=min(bound, max(rates, default=bound)),
        coast_pulses=COAST_PULSES,
        save_period_s=settings.save_period_s,
        west_limit_pulses=remembered.west_limit_pulses,
    )
