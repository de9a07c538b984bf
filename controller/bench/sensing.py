"""From the true state of reeds and switches to what their contacts show, faults included."""

from collections.abc import Iterable
from math import inf
from random import Random

from controller.bench.actuator import Actuator, Passing
from controller.bench.contact import Contact, Edge, Source
from controller.bench.faults import (
    DeadSensor,
    ExtraPulses,
    Faults,
    LimitSwitchDead,
    LongBounce,
    MissingPulses,
    SensorInverted,
    SensorNoise,
    SensorsSwapped,
)

SOURCE_OF = {
    Passing.REED: Source.REED,
    Passing.SECOND: Source.SECOND,
    Passing.EAST_LIMIT: Source.EAST_LIMIT,
    Passing.WEST_LIMIT: Source.WEST_LIMIT,
}
_OTHER = {Source.REED: Source.SECOND, Source.SECOND: Source.REED}


class Sparks:
    """Short wrong levels on the sensor's line, at random times."""

    def __init__(self, fault: ExtraPulses | SensorNoise, chance: Random, now_s: float) -> None:
        self.fault, self._chance = fault, chance
        self.due_s = now_s
        self.wait()

    def wait(self) -> None:
        """Draw the time of the next one."""
        self.due_s += self._chance.expovariate(self.fault.rate_per_s)


class Sensing:
    """The contacts that pins can see."""

    def __init__(
        self, actuator: Actuator, sources: Iterable[Source], *, bounce_s: float, chance: Random
    ) -> None:
        self._actuator, self._chance = actuator, chance
        self._healthy_bounce_s = self._bounce_s = bounce_s
        self._stuck: dict[Source, bool] = {}
        self._swapped = self._inverted = self._magnet_missed = False
        self._missing = 0.0
        self._sparks: list[Sparks] = []
        self._pressed: set[Source] = set()
        self.contacts: dict[Source, Contact] = {}
        for source in sources:
            now = self._wanted(source)
            self.contacts[source] = Contact(source, closed=now, chance=chance)

    def _truly(self, source: Source) -> bool:
        actuator = self._actuator
        if source is Source.REED:
            return actuator.reed.is_closed and not self._magnet_missed
        if source is Source.SECOND:
            return actuator.second.is_closed
        if source is Source.STOP:
            return source not in self._pressed
        if source is Source.HOLD:
            return source in self._pressed
        return actuator.switches[Passing(source.value)].is_actuated

    def _wanted(self, source: Source) -> bool:
        if source in self._stuck:
            return self._stuck[source]
        seen = _OTHER.get(source, source) if self._swapped else source
        return self._truly(seen) != (self._inverted and source is Source.REED)

    def refresh(self) -> None:
        """Let every contact follow what it should show by now."""
        for source, contact in self.contacts.items():
            wanted = self._wanted(source)
            if contact.settled != wanted:
                bounce_s = 0.0 if source in self._stuck else self._bounce_s
                contact.snap(self._actuator.now_s, closed=wanted, bounce_s=bounce_s)

    def passed(self, passing: Passing) -> None:
        """Take note of what the screw has just passed."""
        if passing is Passing.REED:
            closing = self._actuator.reed.is_closed
            self._magnet_missed = closing and self._chance.random() < self._missing
        self.refresh()

    def press(self, source: Source, *, down: bool) -> None:
        """Press or let go the stop button, turn the hold switch on or off."""
        (self._pressed.add if down else self._pressed.discard)(source)
        self.refresh()

    def suffer(self, faults: Faults) -> None:
        """Take over what is broken now."""
        long = faults.first(LongBounce)
        self._bounce_s = long.bounce_s if long else self._healthy_bounce_s
        missing = faults.first(MissingPulses)
        self._missing = missing.probability if missing else 0.0
        self._magnet_missed = self._magnet_missed and missing is not None
        self._swapped = faults.first(SensorsSwapped) is not None
        self._inverted = faults.first(SensorInverted) is not None
        self._stuck = {Source(f.sensor): f.stuck == "closed" for f in faults.all_of(DeadSensor)}
        for f in faults.all_of(LimitSwitchDead):
            self._stuck[Source(f"{f.side}-limit")] = f.stuck == "closed"
        self._spark(faults)
        self.refresh()

    def _spark(self, faults: Faults) -> None:
        wanted: list[ExtraPulses | SensorNoise] = [
            *faults.all_of(ExtraPulses),
            *faults.all_of(SensorNoise),
        ]
        kept = [s for s in self._sparks if s.fault in wanted]
        known = [s.fault for s in kept]
        fresh = [f for f in wanted if f not in known]
        now_s = self._actuator.now_s
        self._sparks = kept + [Sparks(f, self._chance, now_s) for f in fresh]

    @property
    def due_s(self) -> float:
        """Return when a contact changes or a spark comes, infinity when nothing is due."""
        due_s = inf
        for contact in self.contacts.values():
            due_s = min(due_s, contact.due_s)
        for spark in self._sparks:
            due_s = min(due_s, spark.due_s)
        return due_s

    def take(self) -> Edge | None:
        """Take one thing that is due by now; None when no pin saw it."""
        now_s = self._actuator.now_s
        for contact in self.contacts.values():
            if contact.due_s <= now_s:
                return contact.take()
        for spark in self._sparks:
            if spark.due_s <= now_s:
                self._flash(spark)
        return None

    def _flash(self, spark: Sparks) -> None:
        idle = spark.fault.only_moving and not self._actuator.is_moving
        if not idle and Source.REED not in self._stuck:
            self.contacts[Source.REED].flick(spark.due_s, width_s=spark.fault.width_s)
        spark.wait()
