"""References and priors to a model."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from controller.geometry.chain import Chain
from controller.geometry.checks import checked
from controller.geometry.model import Model
from controller.geometry.posterior import Posterior
from controller.geometry.priors import Priors, Reference
from controller.geometry.residual import OwnPeaks, Residual, own_peaks
from controller.geometry.suspects import judge

RESIDUAL: Final = Residual()


def fit(
    priors: Priors,
    references: Sequence[Reference],
    *,
    west_limit_pulses: int | None,
    residual: Residual = RESIDUAL,
) -> Model:
    """Return the model that references and priors make together.

    A reference that the others contradict is left out and named in `suspects`. With one or two
    references only the priors can contradict, and a peak on a neighbour may pass for true.
    Raises `GeometryError` for references that no dish can have.
    """
    given = checked(priors, references, west_limit_pulses=west_limit_pulses)
    chain = Chain(priors)
    verdict = judge(chain, given, travel_pulses=west_limit_pulses, residual=residual)
    return Model(
        priors=priors,
        references=tuple(references),
        suspects=tuple(dict.fromkeys(r.name for r in verdict.left_out)),
        west_limit_pulses=west_limit_pulses,
        notes=verdict.notes,
        posterior=verdict.posterior,
        own_peaks=_own_peaks(verdict.posterior, verdict.kept),
    )


def _own_peaks(posterior: Posterior, kept: tuple[Reference, ...]) -> OwnPeaks:
    count = len(kept)
    links = posterior.links(posterior.evidence.slot_deg)
    return own_peaks(
        posterior.evidence.slot_deg,
        posterior.evidence.count_pulses[:count] - posterior.smooth_pulses(links),
        np.array([r.sigma_pulses for r in kept]) ** -2,
        pulses_per_deg=links.pulses_per_deg,
    )
