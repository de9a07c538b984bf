"""What references make of the priors: the most probable parameters, and what is left in doubt.

Maximum a posteriori by damped Gauss-Newton in steps of prior sigmas. With unit priors, slopes J
and the covariance N of the references, it minimises |u|^2 + (y - c(u))' N^-1 (y - c(u)); at the
solution everything is Gaussian, and predictions come from the covariance J J' + N of the data.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Final, Self

import numpy as np
import numpy.typing as npt

from controller.errors import GeometryError
from controller.geometry.chain import PARAMETERS, Chain, Links, Setup
from controller.geometry.earth import Array
from controller.geometry.priors import Reference
from controller.geometry.residual import Residual

LIMIT_SIGMA_PULSES: Final = 1.5  # chosen: a limit repeats to a pulse or two
_ROUNDS: Final = 200
_DONE: Final = 1e-8  # of the objective, which counts squared sigmas; convergence is quadratic


@dataclass(frozen=True)
class Evidence:
    """Counts to be explained: the references, and with them the travel when it is known."""

    slot_deg: Array
    count_pulses: Array
    noise: Array  # covariance of the counts apart from the chain, pulses squared
    travel_pulses: float | None
    pulses_per_mm: float  # as taped: what turns the residual's mm into pulses, everywhere

    @classmethod
    def of(
        cls,
        references: tuple[Reference, ...],
        *,
        residual: Residual,
        pulses_per_mm: float,
        travel_pulses: float | None,
    ) -> Self:
        """Gather references and travel into arrays."""
        count_pulses = np.array([r.count_pulses for r in references])
        sigma_pulses = np.array([r.sigma_pulses for r in references])
        rod_mm = count_pulses / pulses_per_mm
        noise = residual.shared_mm2(rod_mm, rod_mm) * pulses_per_mm**2
        fine = (residual.fine_mm * pulses_per_mm) ** 2
        noise[np.diag_indices_from(noise)] += sigma_pulses**2 + fine
        if travel_pulses is not None:
            count_pulses = np.append(count_pulses, travel_pulses)
            noise = np.pad(noise, (0, 1))
            noise[-1, -1] = LIMIT_SIGMA_PULSES**2
        slot_deg = np.array([r.slot_deg for r in references])
        return cls(slot_deg, count_pulses, noise, travel_pulses, pulses_per_mm)

    def explained(self, chain: Chain, steps: Array) -> tuple[Array, Array]:
        """Return what the chain says about each count, and the slopes."""
        setup = chain.at(chain.parameters(steps))
        links = setup.links(self.slot_deg)
        if self.travel_pulses is None:
            return links.count_pulses, links.slopes
        travel_pulses, slopes = setup.travel()
        return np.append(links.count_pulses, travel_pulses), np.vstack([links.slopes, slopes])


@dataclass(frozen=True)
class Posterior:
    """The most probable parameters, and what is needed to predict from them."""

    chain: Chain
    residual: Residual
    evidence: Evidence
    steps: Array  # prior sigmas from the prior
    slopes: Array  # (counts, parameters), at the solution
    excess: Array  # counts less what the chain says
    precision: Array  # inverse of J J' + N
    pull: Array  # N^-1 (y - c): how hard each count pulls

    @cached_property
    def parameters(self) -> Array:
        """Return the most probable parameters."""
        return self.chain.parameters(self.steps)

    @cached_property
    def setup(self) -> Setup:
        """Return the chain with them."""
        return self.chain.at(self.parameters)

    @property
    def covariance(self) -> Array:
        """Return the covariance of the parameters, in prior sigmas."""
        shift = self.slopes.T @ self.precision @ self.slopes
        return np.asarray(np.eye(len(PARAMETERS)) - shift)

    @property
    def log_evidence(self) -> float:
        """Return the log probability of the counts, up to a constant, by Laplace's method."""
        from_prior = self.excess + self.slopes @ self.steps
        _, log_det = np.linalg.slogdet(self.precision)
        return float(0.5 * (log_det - from_prior @ self.precision @ from_prior))

    def links(self, slot_deg: npt.ArrayLike) -> Links:
        """Follow the most probable chain at each slot."""
        return self.setup.links(slot_deg)

    def smooth_pulses(self, links: Links) -> Array:
        """Return the mean count at each slot, with the smooth residual."""
        if not len(self.evidence.slot_deg):
            return links.count_pulses
        shared = self._shared(links)
        return np.asarray(links.count_pulses + shared @ self.pull[: shared.shape[1]])

    def variance(self, links: Links) -> Array:
        """Return the variance of the true count at each slot."""
        cross = self._cross(links)
        taken = np.einsum("ij,jk,ik->i", cross, self.precision, cross)
        return np.asarray(np.maximum(self._prior_variance(links) - taken, 0.0))

    def joint_covariance(self, links: Links) -> Array:
        """Return the covariance of the true counts between the slots."""
        cross = self._cross(links)
        rods_mm = self._rods_mm(links)
        pitch = self.evidence.pulses_per_mm
        prior = self.residual.shared_mm2(rods_mm, rods_mm) * pitch**2
        prior[np.diag_indices_from(prior)] += (self.residual.fine_mm * pitch) ** 2
        prior += links.slopes @ links.slopes.T
        return np.asarray(prior - cross @ self.precision @ cross.T)

    def _rods_mm(self, links: Links) -> Array:
        return np.asarray(links.count_pulses / self.evidence.pulses_per_mm)

    def _shared(self, links: Links) -> Array:
        """Return the smooth covariance of each slot with each reference, pulses squared."""
        pitch = self.evidence.pulses_per_mm
        counts = self.evidence.count_pulses[: len(self.evidence.slot_deg)]
        shared_mm2 = self.residual.shared_mm2(self._rods_mm(links), counts / pitch)
        return shared_mm2 * pitch**2

    def _cross(self, links: Links) -> Array:
        cross = links.slopes @ self.slopes.T
        cross[:, : len(self.evidence.slot_deg)] += self._shared(links)
        return np.asarray(cross)

    def _prior_variance(self, links: Links) -> Array:
        own_mm2 = self.residual.smooth_mm**2 + self.residual.fine_mm**2
        chain = np.einsum("ij,ij->i", links.slopes, links.slopes)
        return np.asarray(chain + own_mm2 * self.evidence.pulses_per_mm**2)


def condition(chain: Chain, evidence: Evidence, *, residual: Residual) -> Posterior:
    """Return the most probable parameters given the counts.

    Raises `GeometryError` when the search does not settle.
    """
    whiten = np.linalg.inv(np.linalg.cholesky(evidence.noise))
    steps = np.zeros(len(PARAMETERS))
    damping = 0.0
    excess, slopes, cost = _misfit(chain, evidence, whiten, steps)
    for _ in range(_ROUNDS):
        bent = slopes.T @ slopes + np.eye(len(steps))
        push = slopes.T @ excess - steps
        # What an undamped step would still gain.
        if push @ np.linalg.solve(bent, push) <= _DONE * (1 + cost):
            return _posterior(chain, evidence, residual, steps)
        move = np.linalg.solve(bent + damping * np.diag(np.diag(bent)), push)
        promised = float(2 * move @ push - move @ bent @ move)
        try:
            trial = _misfit(chain, evidence, whiten, steps + move)
            kept_promise = (cost - trial[2]) / promised
        except GeometryError:
            kept_promise = -np.inf  # no such triangle: a smaller step
        if kept_promise > 0:
            steps, (excess, slopes, cost) = steps + move, trial
        if kept_promise < 0.25:
            damping = max(4 * damping, 1e-3)
        elif kept_promise > 0.75:
            damping = damping / 8 if damping > 1e-4 else 0.0
    raise GeometryError(
        f"fit: no triangle explains the references within {_ROUNDS} rounds; "
        f"check side, arms, retracted length and pulses per mm"
    )


def _misfit(
    chain: Chain, evidence: Evidence, whiten: Array, steps: Array
) -> tuple[Array, Array, float]:
    said, slopes = evidence.explained(chain, steps)
    excess = whiten @ (evidence.count_pulses - said)
    return excess, whiten @ slopes, float(excess @ excess + steps @ steps)


def _posterior(chain: Chain, evidence: Evidence, residual: Residual, steps: Array) -> Posterior:
    said, slopes = evidence.explained(chain, steps)
    excess = evidence.count_pulses - said
    precision: Array = np.linalg.inv(slopes @ slopes.T + evidence.noise).astype(np.float64)
    pull: Array = np.linalg.solve(evidence.noise, excess).astype(np.float64)
    return Posterior(chain, residual, evidence, steps, slopes, excess, precision, pull)
