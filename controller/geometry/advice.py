"""Which satellite to peak next, and when it is enough."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from controller.geometry.earth import Array
from controller.geometry.model import Model

ENOUGH_DB: Final = 0.02  # chosen: 0.07 deg with a 3 m dish at 4 GHz, a pulse or so
ENOUGH_GAIN: Final = 0.05  # chosen: less than a twentieth is not worth a walk to the receiver
AS_GOOD: Final = 0.05


@dataclass(frozen=True)
class Advice:
    """The reachable slot whose peak would help the wanted ones most.

    Sigmas are of the worst wanted slot, on the sky, one now and one with that peak. `slot_deg` is
    None when no candidate can be reached; `enough` says that more peaks would not help.
    """

    slot_deg: float | None
    worst_slot_deg: float | None
    worst_sigma_deg: float
    then_sigma_deg: float
    worst_loss_db: float
    enough: bool
    text: str


def next_reference(
    model: Model,
    candidates: Sequence[float],
    wanted: Sequence[float] | None = None,
    *,
    sigma_pulses: float = 1.0,
) -> Advice:
    """Return which of the candidate slots to peak next for the sake of the wanted ones.

    Slots out of reach are passed over; with `wanted` None the candidates are meant. A satellite
    that stands on its reference already is peaked again only where nothing else helps more.
    """
    offered = _reachable(model, candidates)
    aims = offered if wanted is None else _reachable(model, wanted)
    if not len(offered) or not len(aims):
        return Advice(
            None, None, np.nan, np.nan, np.nan, enough=False, text="no satellite is within reach"
        )
    then = _sigmas_then(model, offered, aims, sigma_pulses)
    now = model.predict_many(aims)
    sigma_deg = _smooth_sigma_deg(model, aims)
    worst = int(np.argmax(sigma_deg))
    best = _best(then)
    loss_db = float(np.max(now.loss_db))
    gain = 1 - float(then[best].max()) / float(sigma_deg[worst])
    enough = loss_db <= ENOUGH_DB or gain < ENOUGH_GAIN
    return Advice(
        float(offered[best]),
        float(aims[worst]),
        float(sigma_deg[worst]),
        float(then[best].max()),
        loss_db,
        enough,
        _text(enough, loss_db, gain),
    )


def _best(then: Array) -> int:
    """Return the choice with the smallest worst; among nearly equal ones the rest counts too."""
    worst = then.max(axis=1)
    as_good = worst <= worst.min() * (1 + AS_GOOD)
    return int(np.argmin(np.where(as_good, np.mean(then**2, axis=1), np.inf)))


def _reachable(model: Model, slots: Sequence[float]) -> Array:
    slots_deg = np.unique(np.asarray(slots, dtype=np.float64))
    if not len(slots_deg):
        return slots_deg
    return slots_deg[model.predict_many(slots_deg).reachable]


def _sigmas_then(model: Model, offered: Array, aims: Array, sigma_pulses: float) -> Array:
    """Return the sigma of every aim with each of the offered peaked: (offered, aims)."""
    links = model.posterior.links(np.concatenate([offered, aims]))
    joint = model.posterior.joint_covariance(links)
    split = len(offered)
    fine = (model.posterior.residual.fine_mm * model.posterior.evidence.pulses_per_mm) ** 2
    shared, own = joint[:split, split:], np.diag(joint)
    taken = shared**2 / (own[:split] + sigma_pulses**2)[:, None]
    left = np.maximum(own[split:] - taken, fine)
    sky = np.cos(np.radians(links.declination_deg)) / links.pulses_per_deg
    return np.asarray(np.sqrt(left) * sky[split:])


def _smooth_sigma_deg(model: Model, aims: Array) -> Array:
    links = model.posterior.links(aims)
    sky = np.cos(np.radians(links.declination_deg)) / links.pulses_per_deg
    return np.asarray(np.sqrt(model.posterior.variance(links)) * sky)


def _text(enough: bool, loss_db: float, gain: float) -> str:
    if loss_db <= ENOUGH_DB:
        return f"enough: the worst satellite loses {loss_db:.2f} dB at one sigma"
    if enough:
        return f"enough: one more peak would shrink the worst sigma by {100 * max(gain, 0):.0f} %"
    return f"it would shrink the worst sigma by {100 * gain:.0f} %"
