"""The calibrated arc: slot to count and back, each answer with how sure it is.

A model is immutable and may be read from any thread. `fit.fit` makes it.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
import numpy.typing as npt

from controller.errors import GeometryError
from controller.geometry.beam import beamwidth_deg, pointing_loss_db, wavelength_m
from controller.geometry.chain import PARAMETERS, Links
from controller.geometry.earth import Array, format_slot, half_span_deg, wrap_deg
from controller.geometry.posterior import Posterior
from controller.geometry.priors import Priors, Reference, Taped
from controller.geometry.residual import OwnPeaks

__all__ = ["Model", "Pointing", "Prediction", "Predictions", "Priors", "Reference", "Taped"]

_STEP_DEG: Final = 0.1  # straight between two rows is right to 0.001 pulses
_SLACK_DEG: Final = 1e-9
_REMEMBERED: Final = 1000


@dataclass(frozen=True)
class Prediction:
    """Where a slot peaks. `sigma_deg` is on the sky, `loss_db` what it costs one sigma off."""

    slot_deg: float
    count_pulses: float
    sigma_pulses: float
    hour_angle_deg: float
    sigma_deg: float
    loss_db: float


@dataclass(frozen=True)
class Predictions:
    """The same in arrays of one length; NaN where a slot has no peak.

    `reachable` is true from the east to the west limit.
    """

    slot_deg: Array
    count_pulses: Array
    sigma_pulses: Array
    hour_angle_deg: Array
    sigma_deg: Array
    loss_db: Array
    reachable: npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Pointing:
    """The slot at which the dish looks. `sigma_deg` is on the sky, `loss_db` one sigma off."""

    slot_deg: float
    hour_angle_deg: float
    sigma_deg: float
    loss_db: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Model:
    """Everything that references and priors say about this dish."""

    priors: Priors
    references: tuple[Reference, ...]  # all of them, the suspects too
    suspects: tuple[str, ...]  # names of those that were left out
    west_limit_pulses: int | None
    notes: tuple[str, ...] = ()  # what a person should know about the references
    posterior: Posterior
    own_peaks: OwnPeaks

    def predict(self, slot_deg: float) -> Prediction:
        """Return the count at which a slot peaks; a peaked satellite gets its own peak back.

        The count may lie beyond the limits. Raises `GeometryError` for a slot below the horizon
        or past the point where the rod can turn the dish.
        """
        known = self._predicted.get(slot_deg)
        if known is None:
            if len(self._predicted) >= _REMEMBERED:
                self._predicted.clear()
            known = self._predicted[slot_deg] = self._predict(slot_deg)
        return known

    def _predict(self, slot_deg: float) -> Prediction:
        if not abs(self._ahead_deg(slot_deg)) <= self.half_span_deg:
            raise GeometryError(
                f"slot {format_slot(slot_deg)} is below the horizon: from here the arc is seen "
                f"from {format_slot(self._slot_ahead(-self.half_span_deg))} "
                f"to {format_slot(self._slot_ahead(self.half_span_deg))}"
            )
        links = self.posterior.links(slot_deg)
        if not links.pulses_per_deg[0] > 0:
            raise GeometryError(
                f"slot {format_slot(slot_deg)} is past the dead point of the actuator at hour "
                f"angle {links.hour_angle_deg[0]:.1f} deg: no rod length turns the dish there"
            )
        many = self._along(np.atleast_1d(slot_deg), links)
        return Prediction(
            float(slot_deg),
            float(many.count_pulses[0]),
            float(many.sigma_pulses[0]),
            float(many.hour_angle_deg[0]),
            float(many.sigma_deg[0]),
            float(many.loss_db[0]),
        )

    def predict_many(self, slot_deg: npt.ArrayLike) -> Predictions:
        """Return the counts at which many slots peak."""
        slots_deg = np.atleast_1d(np.asarray(slot_deg, dtype=np.float64))
        return self._along(slots_deg, self.posterior.links(slots_deg))

    def pointing(self, count_pulses: float) -> Pointing | None:
        """Return where the dish looks at a count; None where the arc ends."""
        table = self._table
        counts = table.count_pulses
        if not counts[0] <= count_pulses <= counts[-1]:
            return None
        slot_deg, hour_angle_deg, sigma_deg, loss_db = (
            float(np.interp(count_pulses, counts, column))
            for column in (table.slot_deg, table.hour_angle_deg, table.sigma_deg, table.loss_db)
        )
        return Pointing(wrap_deg(slot_deg), hour_angle_deg, sigma_deg, loss_db)

    @property
    def estimates(self) -> dict[str, Taped]:
        """Return every parameter as the references leave it, by its name in the priors."""
        sigma = self.posterior.chain.scale * np.sqrt(np.diag(self.posterior.covariance))
        found = {
            name: Taped(float(value), float(doubt))
            for name, value, doubt in zip(PARAMETERS, self.posterior.parameters, sigma, strict=True)
        }
        return found | {"declination_offset_deg": self.priors.declination_offset_deg}

    @property
    def residuals_pulses(self) -> tuple[float, ...]:
        """Return each reference's count less what the model without own peaks says."""
        if not self.references:
            return ()
        links = self.posterior.links([r.slot_deg for r in self.references])
        counts = np.array([r.count_pulses for r in self.references])
        return tuple((counts - self.posterior.smooth_pulses(links)).tolist())

    @property
    def travel_pulses(self) -> float:
        """Return the count of the west limit, measured or as taped."""
        if self.west_limit_pulses is not None:
            return float(self.west_limit_pulses)
        return self.posterior.setup.travel()[0]

    @cached_property
    def half_span_deg(self) -> float:
        """Return how far the visible arc reaches to each side of the site's longitude."""
        return float(half_span_deg(self.priors.site, minimum_elevation_deg=0.0))

    @cached_property
    def beamwidth_deg(self) -> float:
        """Return the full width of the beam at half power."""
        return float(
            beamwidth_deg(self.priors.dish_diameter_m, wavelength_m(self.priors.frequency_ghz))
        )

    def _along(self, slot_deg: Array, links: Links) -> Predictions:
        own_pulses = self.own_peaks.pulses(slot_deg)
        count_pulses = self.posterior.smooth_pulses(links) + own_pulses
        # Drawn off the most probable count by its own peak, it may be wrong by as much.
        sigma_pulses = np.sqrt(self.posterior.variance(links) + own_pulses**2)
        sky = np.cos(np.radians(links.declination_deg)) / links.pulses_per_deg
        sigma_deg = sigma_pulses * sky
        visible = np.abs(self._ahead_deg(slot_deg)) <= self.half_span_deg + _SLACK_DEG
        has_peak = visible & (links.pulses_per_deg > 0)
        columns = (
            count_pulses,
            sigma_pulses,
            links.hour_angle_deg,
            sigma_deg,
            pointing_loss_db(sigma_deg, self.beamwidth_deg),
        )
        reachable = has_peak & (count_pulses >= 0) & (count_pulses <= self.travel_pulses)
        if not has_peak.all():
            columns = tuple(np.where(has_peak, column, np.nan) for column in columns)  # type: ignore[assignment]
        return Predictions(slot_deg, *columns, reachable)

    @cached_property
    def _predicted(self) -> dict[float, Prediction]:
        """Hold what was asked: the loop asks for the same few slots again and again."""
        return {}

    @cached_property
    def _table(self) -> Predictions:
        """Tabulate the arc from east to west, with every corner of the own peaks in it."""
        centre_deg = float(self.priors.site.longitude_deg)
        even_deg = np.linspace(
            self.half_span_deg, -self.half_span_deg, int(2 * self.half_span_deg / _STEP_DEG) + 1
        )
        corners_deg = np.asarray(self._ahead_deg(self.own_peaks.corners_deg))
        seen_deg = corners_deg[np.abs(corners_deg) < self.half_span_deg]
        ahead_deg = np.unique(np.concatenate([even_deg, seen_deg]))[::-1]
        rows = self.predict_many(centre_deg + ahead_deg)
        there = np.isfinite(rows.count_pulses)
        return Predictions(
            rows.slot_deg[there],
            np.maximum.accumulate(rows.count_pulses[there]),
            rows.sigma_pulses[there],
            rows.hour_angle_deg[there],
            rows.sigma_deg[there],
            rows.loss_db[there],
            rows.reachable[there],
        )

    def _ahead_deg(self, slot_deg: npt.ArrayLike) -> Array:
        ahead_deg = np.subtract(slot_deg, self.priors.site.longitude_deg)
        return np.asarray((ahead_deg + 180) % 360 - 180)

    def _slot_ahead(self, ahead_deg: float) -> float:
        return wrap_deg(float(self.priors.site.longitude_deg) + ahead_deg)
