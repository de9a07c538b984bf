"""What is known about the arc: limits, references, and the model made from them."""

from collections.abc import Mapping
from math import ceil
from typing import TYPE_CHECKING

from controller.core.asking import find_satellite
from controller.core.counting import Counter
from controller.core.orders import (
    DropReferences,
    FitModel,
    Notice,
    Order,
    SaveReference,
    Severity,
)
from controller.errors import CommandRefused, GeometryError
from controller.geometry.priors import Reference

if TYPE_CHECKING:
    from controller.geometry.model import Model

PEAK_SIGMA_PULSES = 1.0  # chosen: a peak by hand is good to about a pulse
SIGMA_MOST_PULSES = 100.0


class Charts:
    """Satellites with their slots, and at which counts they are."""

    def __init__(
        self,
        satellites: Mapping[str, float],
        *,
        references: tuple[Reference, ...],
        west_limit_pulses: int | None,
    ) -> None:
        self.satellites = satellites
        self.references = {reference.name: reference for reference in references}
        self.west_limit_pulses = west_limit_pulses
        self.model: Model | None = None
        self.counts: dict[str, float] = {}

    def fit_order(self) -> FitModel:
        """Return the order to fit the model anew."""
        return FitModel(
            references=tuple(self.references.values()), west_limit_pulses=self.west_limit_pulses
        )

    def take_model(self, model: "Model | None", reason: str) -> list[Order]:
        """Use a new model from now on, or keep the old one when there is none."""
        if model is None:
            advice = "The model used so far stays in use."
            text = f"no model of the mount: {reason}"
            return [Notice(severity=Severity.WARNING, text=text, advice=advice)]
        self.model = model
        self.counts = {}
        for name, slot_deg in self.satellites.items():
            try:
                self.counts[name] = model.predict(slot_deg).count_pulses
            except GeometryError:
                continue  # this dish cannot look there
        return [_misfit(name) for name in model.suspects]

    def take_reference(
        self, name: str, counter: Counter, *, sigma_pulses: float | None, signal: float | None
    ) -> list[Order]:
        """Remember that a satellite is peaked now; raise `CommandRefused` if that means little."""
        name = find_satellite(name, self.satellites)
        doubt = counter.doubt_pulses
        if doubt is None:
            raise CommandRefused("a reference needs a known count: find the limits first")
        if sigma_pulses is not None and not 0 < sigma_pulses <= SIGMA_MOST_PULSES:
            raise CommandRefused(
                f"sigma must be above 0 and at most {SIGMA_MOST_PULSES:g} pulses, "
                f"not {sigma_pulses:g}"
            )
        sigma = sigma_pulses or (PEAK_SIGMA_PULSES**2 + doubt**2) ** 0.5
        slot_deg = self.satellites[name]
        self.references[name] = Reference(name, slot_deg, float(counter.count_pulses), sigma)
        save = SaveReference(
            name=name,
            slot_deg=slot_deg,
            count_pulses=counter.count_pulses,
            sigma_pulses=sigma,
            signal=signal,
        )
        return [save, self.fit_order()]

    def drop_reference(self, name: str) -> list[Order]:
        """Leave a satellite's references out from now on."""
        name = find_satellite(name, dict.fromkeys(self.references, 0.0))
        del self.references[name]
        return [DropReferences(name=name), self.fit_order()]

    def settle_count(self, name: str, counter: Counter) -> str:
        """Correct the count by a satellite that is peaked now; return what changed in words."""
        name = find_satellite(name, self.satellites)
        if self.model is None or self.west_limit_pulses is None:
            raise CommandRefused("the model needs both limits first: find the limits")
        try:
            seen = self.model.predict(self.satellites[name])
        except GeometryError as error:
            raise CommandRefused(str(error)) from error
        doubt = ceil(2 * seen.sigma_pulses)
        off = counter.settle(count_pulses=round(seen.count_pulses), doubt_pulses=doubt)
        return f"the count moved by {off:+d} pulses to agree with {name}"


def _misfit(name: str) -> Notice:
    return Notice(
        severity=Severity.WARNING,
        text=f"the reference {name} does not fit the others and is left out",
        advice=f"Peak {name} again, or drop its reference.",
    )
