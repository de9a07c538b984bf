"""Whether the mount has moved since it was calibrated, which way, and since when.

Every story ("nothing happened", "the sensor slipped after that peak", "the post turned", "the axis
leans", "that one peak is wrong") shifts the counts along a known direction by an unknown amount.
Around one fit of all peaks each is a rank-one change of their covariance: all are compared at once.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import Final

import numpy as np

from controller.errors import GeometryError
from controller.geometry.chain import PARAMETERS, PITCH, Chain
from controller.geometry.checks import checked
from controller.geometry.earth import Array
from controller.geometry.posterior import Evidence, Posterior, condition
from controller.geometry.priors import Priors, Reference
from controller.geometry.residual import Residual

MOVED_ODDS: Final = 0.1  # chosen: a season in which something moves is one in ten
WRONG_ODDS: Final = 0.02
WRONG_DEG: Final = 3.0
SURE: Final = 0.95


class Move(Enum):
    """What may have happened. The value is how far it goes, one sigma: pulses, degrees, degrees."""

    SLIPPED = 30.0  # chosen; the sensor counts from elsewhere
    TURNED = 1.0  # chosen; the post or the mount on it, clockwise from above
    LEANING = 0.5  # chosen; the axis, steeper is positive

    @property
    def unit(self) -> str:
        """Return the unit of the amount."""
        return "pulses" if self is Move.SLIPPED else "deg"


_WORDS: Final = {
    Move.SLIPPED: "the sensor or the count slipped",
    Move.TURNED: "the post turned",
    Move.LEANING: "the axis tipped",
}
_NOTHING: Final = (
    "nothing has moved that the peaks would show (chance of a move {percent:.0f} %); "
    "an axis that tips forward hardly changes a count: an inclinometer would show it"
)


@dataclass(frozen=True)
class DatedPeak:
    """A reference and the day it was peaked, counted from any day."""

    reference: Reference
    day: float


@dataclass(frozen=True)
class Drift:
    """What the peaks say about a move.

    `chance` is the probability that anything moved. Where that is more likely than not, or cannot
    be told from one wrong peak, the most probable move is described: it happened after
    `last_good_day` and up to `first_bad_day`. `corrected` are all references as they would be
    peaked today, for a new fit; without a move they are as given.
    """

    chance: float
    finding: "Finding | None"
    wrong: str | None  # a satellite whose peak alone would explain it
    corrected: tuple[Reference, ...]
    text: str

    @property
    def moved(self) -> bool:
        """Say whether something has moved, beyond reasonable doubt."""
        return self.chance >= SURE


@dataclass(frozen=True)
class Finding:
    """The most probable move: how far, how sure, since when.

    `share` is its probability among all moves; `significance_sigmas` how many sigmas the counts
    stand from "nothing happened".
    """

    move: Move
    share: float
    amount: float  # in the move's unit
    sigma: float
    significance_sigmas: float
    last_good_day: float
    first_bad_day: float


@dataclass(frozen=True)
class _Story:
    move: Move | None  # None: one peak is wrong
    first: int  # the first peak that is shifted, or the one that is wrong
    odds: float
    direction: Array  # what one sigma of it does to the counts


@dataclass(frozen=True)
class _Judged:
    """Probabilities of all stories, and what each would mean."""

    nothing: float
    chance: Array
    amount: Array  # in sigmas of the story's own prior, as `sigma` is
    sigma: Array
    significance: Array


def drift(
    priors: Priors,
    peaks: Sequence[DatedPeak],
    *,
    west_limit_pulses: int | None,
    residual: Residual | None = None,
) -> Drift:
    """Return whether something has moved between the first and the last peak.

    Raises `GeometryError` for peaks of one day, and for impossible references.
    """
    ordered = sorted(peaks, key=lambda peak: peak.day)
    days = np.array([peak.day for peak in ordered])
    if not len(days) or not np.isfinite(days).all() or days[0] == days[-1]:
        raise GeometryError(
            "drift: peaks of at least two different days are needed; "
            "peak a satellite again that was peaked before"
        )
    references = tuple(peak.reference for peak in ordered)
    checked(priors, references, west_limit_pulses=west_limit_pulses)
    posterior = _fitted(priors, references, west_limit_pulses, residual or Residual())
    stories = _stories(posterior, days)
    judged = _judge(posterior, stories)
    is_move = np.array([story.move is not None for story in stories])
    chance = float(judged.chance[is_move].sum())
    if judged.nothing >= 0.5:
        text = _NOTHING.format(percent=100 * chance)
        return Drift(chance, None, None, references, text)
    best = _most_probable(stories, judged)
    finding = _finding(stories, judged, best, days)
    wrong = _wrong(references, stories, judged, chance)
    if wrong is not None and chance < 1 - SURE:
        text = f"nothing has moved, but the peak of {wrong} is wrong: peak it again"
        return Drift(chance, None, wrong, references, text)
    corrected = _corrected(references, posterior, stories[best], finding)
    return Drift(chance, finding, wrong, corrected, _told(finding, wrong))


def _fitted(
    priors: Priors,
    references: tuple[Reference, ...],
    west_limit_pulses: int | None,
    residual: Residual,
) -> Posterior:
    chain = Chain(priors)
    evidence = Evidence.of(
        references,
        residual=residual,
        pulses_per_mm=float(chain.centre[PITCH]),
        travel_pulses=west_limit_pulses,
    )
    return condition(chain, evidence, residual=residual)


def _stories(posterior: Posterior, days: Array) -> list[_Story]:
    starts = [int(i) for i in np.flatnonzero(np.diff(days) > 0) + 1]
    directions = _directions(posterior)
    size = len(posterior.evidence.count_pulses)

    def after(first: int, direction: Array) -> Array:
        shifted = np.zeros(size)
        shifted[first : len(days)] = direction[first:]
        return shifted

    def alone(i: int) -> Array:
        shifted = np.zeros(size)
        shifted[i] = WRONG_DEG * abs(directions[None][i])
        return shifted

    each = MOVED_ODDS / (len(Move) * len(starts))
    moves = [
        _Story(move, first, each, after(first, directions[move]))
        for move in Move
        for first in starts
    ]
    return moves + [_Story(None, i, WRONG_ODDS, alone(i)) for i in range(len(days))]


def _directions(posterior: Posterior) -> dict[Move | None, Array]:
    """Return what one sigma of each move does to the counts; under None, pulses per degree."""
    links = posterior.links(posterior.evidence.slot_deg)
    per_deg = links.slopes / posterior.chain.scale
    return {
        Move.SLIPPED: np.full(len(per_deg), Move.SLIPPED.value),
        Move.TURNED: per_deg[:, PARAMETERS.index("axis_azimuth_error_deg")] * Move.TURNED.value,
        Move.LEANING: per_deg[:, PARAMETERS.index("axis_elevation_deg")] * Move.LEANING.value,
        None: links.pulses_per_deg,
    }


def _judge(posterior: Posterior, stories: list[_Story]) -> _Judged:
    directions = np.stack([story.direction for story in stories])
    surprise = posterior.precision @ (posterior.excess + posterior.slopes @ posterior.steps)
    seen = directions @ surprise
    visible = np.einsum("ij,jk,ik->i", directions, posterior.precision, directions)
    gain = 0.5 * seen**2 / (1 + visible) - 0.5 * np.log1p(visible)
    scores = np.log([story.odds for story in stories]) + gain
    nothing = np.log(1 - MOVED_ODDS)
    top = max(nothing, float(scores.max()))
    weights, rest = np.exp(scores - top), float(np.exp(nothing - top))
    total = float(weights.sum()) + rest
    return _Judged(
        rest / total,
        weights / total,
        seen / (1 + visible),
        1 / np.sqrt(1 + visible),
        np.abs(seen) / np.sqrt(np.maximum(visible, 1e-12)),
    )


def _most_probable(stories: list[_Story], judged: _Judged) -> int:
    """Return the move that is most probable over all days, at its most probable day."""
    by_move = {
        move: sum(c for s, c in zip(stories, judged.chance, strict=True) if s.move is move)
        for move in Move
    }
    likeliest = max(by_move, key=lambda move: by_move[move])
    return max(
        (i for i, story in enumerate(stories) if story.move is likeliest),
        key=lambda i: float(judged.chance[i]),
    )


def _finding(stories: list[_Story], judged: _Judged, best: int, days: Array) -> Finding:
    move, first = stories[best].move or Move.SLIPPED, stories[best].first
    moves = np.array([story.move is not None for story in stories])
    same = np.array([story.move is move for story in stories])
    return Finding(
        move,
        float(judged.chance[same].sum() / max(judged.chance[moves].sum(), 1e-300)),
        float(judged.amount[best] * move.value),
        float(judged.sigma[best] * move.value),
        float(judged.significance[best]),
        float(days[first - 1]),
        float(days[first]),
    )


def _wrong(
    references: tuple[Reference, ...], stories: list[_Story], judged: _Judged, chance: float
) -> str | None:
    """Return the satellite whose one wrong peak is no less believable than a move."""
    if chance >= SURE:
        return None
    alone = [i for i, story in enumerate(stories) if story.move is None]
    likeliest = max(alone, key=lambda i: float(judged.chance[i]))
    return references[stories[likeliest].first].name


def _corrected(
    references: tuple[Reference, ...], posterior: Posterior, story: _Story, finding: Finding
) -> tuple[Reference, ...]:
    """Return the references from before the move as they would be peaked after it."""
    by_amount = _directions(posterior)[story.move] / finding.move.value
    return tuple(
        replace(
            reference,
            count_pulses=reference.count_pulses + finding.amount * float(pulses),
            sigma_pulses=float(np.hypot(reference.sigma_pulses, finding.sigma * pulses)),
        )
        if i < story.first
        else reference
        for i, (reference, pulses) in enumerate(zip(references, by_amount, strict=True))
    )


def _told(finding: Finding, wrong: str | None) -> str:
    if wrong is not None:
        return (
            f"either the peak of {wrong} is wrong or something moved by then: "
            f"peak another satellite to tell"
        )
    doubt = (
        ""
        if finding.share >= SURE
        else f", or else ({100 * (1 - finding.share):.0f} %) another move"
    )
    return (
        f"{_WORDS[finding.move]} by {finding.amount:+.2f} {finding.move.unit} "
        f"(+- {finding.sigma:.2f}){doubt}, {finding.significance_sigmas:.1f} sigmas, "
        f"after day {finding.last_good_day:g} and up to day {finding.first_bad_day:g}"
    )
