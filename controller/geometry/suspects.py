"""Which references to believe: a peak on the wrong satellite must not bend the model.

1. Every hypothesis ("none is wrong", "this one is", "the count was lost before that one") is a
   covariance of the counts; the fit under it has a probability, and they are compared.
2. A wrong one may be off by some degrees, a lost count by some ten pulses for all that came before.
3. What is probably wrong is left out whole. Where it is clear that one is wrong but not which, all
   that may be are left out: a wide honest sigma is better than a narrow bent one.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from controller.errors import GeometryError
from controller.geometry.chain import PITCH, Chain
from controller.geometry.earth import Array
from controller.geometry.posterior import Evidence, Posterior, condition
from controller.geometry.priors import Reference
from controller.geometry.residual import Residual

WRONG_DEG: Final = 3.0  # chosen: how far off a peak on a neighbour is, one sigma
WRONG_ODDS: Final = 0.02  # chosen: one reference in fifty
LOST_PULSES: Final = 40.0  # chosen: how many pulses may be lost between two references
LOST_ODDS: Final = 0.005
LOOK_TWICE: Final = 3.0  # sigmas from what the others say before anything is compared
CLEARED: Final = 0.05  # below this probability nobody is innocent, or guilty


@dataclass(frozen=True)
class Verdict:
    """Which references the model stands on."""

    posterior: Posterior
    kept: tuple[Reference, ...]
    left_out: tuple[Reference, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Hypothesis:
    """References that would be wrong together, and how the counts then vary."""

    wrong: tuple[int, ...]
    extra: Array
    odds: float


def judge(
    chain: Chain,
    references: tuple[Reference, ...],
    *,
    travel_pulses: float | None,
    residual: Residual,
) -> Verdict:
    """Leave out what the other references and the priors contradict, and fit the rest.

    Raises `GeometryError` when the references contradict each other so much that fewer than half
    of four or more would be left.
    """
    kept = references
    left_out: tuple[Reference, ...] = ()
    notes: tuple[str, ...] = ()
    while True:
        evidence = Evidence.of(
            kept,
            residual=residual,
            pulses_per_mm=float(chain.centre[PITCH]),
            travel_pulses=travel_pulses,
        )
        posterior = condition(chain, evidence, residual=residual)
        wrong, note = _wrong(chain, evidence, posterior, kept)
        if not wrong:
            return Verdict(posterior, kept, left_out, notes)
        left_out += tuple(kept[i] for i in wrong)
        kept = tuple(r for i, r in enumerate(kept) if i not in wrong)
        notes += (note,)
        if len(references) >= 4 and 2 * len(kept) < len(references):
            raise GeometryError(
                f"references contradict each other: leaving out {_named(left_out)} leaves "
                f"{len(kept)} of {len(references)}; check side, arms and pulses per mm, then peak "
                f"three satellites far apart again"
            )


def from_the_others(posterior: Posterior) -> Array:
    """Return how many sigmas each count is from what all the others and the priors say."""
    pull = posterior.precision @ (posterior.excess + posterior.slopes @ posterior.steps)
    return np.asarray(pull / np.sqrt(np.diag(posterior.precision)))


def _wrong(
    chain: Chain, evidence: Evidence, plain: Posterior, references: tuple[Reference, ...]
) -> tuple[tuple[int, ...], str]:
    count = len(references)
    if not count or np.max(np.abs(from_the_others(plain)[:count])) < LOOK_TWICE:
        return (), ""
    hypotheses = list(_hypotheses(plain, count))
    scores = np.array([_score(chain, evidence, plain, h) for h in hypotheses])
    chance = np.exp(scores - scores.max())
    chance /= chance.sum()
    if chance[0] >= CLEARED:
        return (), ""
    likely = [h for h, c in zip(hypotheses, chance, strict=True) if c >= CLEARED]
    wrong = tuple(sorted({i for h in likely for i in h.wrong}))
    return wrong, _note(references, wrong, likely)


def _hypotheses(plain: Posterior, count: int) -> Iterator[_Hypothesis]:
    size = len(plain.evidence.count_pulses)
    yield _Hypothesis((), np.zeros((size, size)), 1.0)
    pulses_per_deg = np.abs(plain.links(plain.evidence.slot_deg).pulses_per_deg)
    for i in range(count):
        alone = np.zeros((size, size))
        alone[i, i] = (WRONG_DEG * pulses_per_deg[i]) ** 2
        yield _Hypothesis((i,), alone, WRONG_ODDS)
    for first_right in range(2, count - 1):
        together = np.zeros((size, size))
        together[:first_right, :first_right] = LOST_PULSES**2
        yield _Hypothesis(tuple(range(first_right)), together, LOST_ODDS)


def _score(chain: Chain, evidence: Evidence, plain: Posterior, hypothesis: _Hypothesis) -> float:
    """Return the log of odds times probability of the counts."""
    widened = replace(evidence, noise=evidence.noise + hypothesis.extra)
    fitted = condition(chain, widened, residual=plain.residual)
    return float(np.log(hypothesis.odds)) + fitted.log_evidence


def _note(
    references: tuple[Reference, ...], wrong: tuple[int, ...], likely: list[_Hypothesis]
) -> str:
    names = _named(tuple(references[i] for i in wrong))
    if len(likely) > 1:
        return (
            f"one of {names} does not fit the others, and it cannot be told which: peak them again"
        )
    if len(wrong) > 1:
        return (
            f"the counts of {names} are shifted against all later ones: "
            f"pulses were lost in between; peak them again"
        )
    return f"{names} does not fit the others: probably a peak on a neighbour; peak it again"


def _named(references: tuple[Reference, ...]) -> str:
    return ", ".join(dict.fromkeys(r.name for r in references))
