"""How the mount stands: what readings at the dish say about its axis and its declination.

1. Pulses alone cannot tell an azimuth error of the mount from the opening angle of the actuator:
   what the model knows of the mount from pulses is only where this starts.
2. An inclinometer on the dish reads the elevation of the beam at a peak, plus an offset that is
   the same at every peak and not known.
3. A press on the rim moves the beam by a known push along the declination; whether the signal gets
   better says on which side the satellite stands.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import Final

import numpy as np

from controller.errors import GeometryError
from controller.geometry.chain import PARAMETERS
from controller.geometry.earth import Array
from controller.geometry.model import Model
from controller.geometry.mount import Mount
from controller.geometry.priors import Taped

OFFSET_SIGMA_DEG: Final = 5.0  # chosen: an inclinometer is put on by eye
SEEN_DB: Final = 0.2  # chosen: the change that a person sees on a meter
SEEN_SIGMA_DB: Final = 0.15
_SAMPLES: Final = 20_000
_ROUNDS: Final = 8
_AXIS: Final = [PARAMETERS.index(n) for n in ("axis_azimuth_error_deg", "axis_elevation_deg")]


class Press(Enum):
    """Which way the beam was moved by pressing the rim."""

    UP = 1  # away from the equator: higher, with the dish at its highest point
    DOWN = -1


class Change(Enum):
    """What the signal did."""

    BETTER = "better"
    SAME = "same"
    WORSE = "worse"


@dataclass(frozen=True)
class Inclination:
    """An inclinometer's reading on the dish while it was peaked on a slot."""

    slot_deg: float
    elevation_deg: float
    sigma_deg: float = 0.1


@dataclass(frozen=True)
class Nudge:
    """The rim was pressed while the dish was peaked on a slot."""

    slot_deg: float
    press: Press
    change: Change
    push_deg: float = 0.3


@dataclass(frozen=True, eq=False)
class Stance:
    """Azimuth error, axis elevation, declination offset and offset of the inclinometer.

    `covariance` is in the same order, degrees squared; the offset is 0 +- `OFFSET_SIGMA_DEG`
    as long as nothing was read.
    """

    mount: Mount
    offset_deg: float
    covariance: Array

    @property
    def errors(self) -> dict[str, Taped]:
        """Return the three angles of the mount with their sigmas."""
        sigma = np.sqrt(np.diag(self.covariance)).tolist()
        names = ("axis_azimuth_error_deg", "axis_elevation_deg", "declination_offset_deg")
        return {
            name: Taped(float(np.asarray(getattr(self.mount, name))), doubt)
            for name, doubt in zip(names, sigma[:3], strict=True)
        }

    @property
    def values(self) -> Array:
        """Return all four in one vector."""
        return _vector(self.mount, self.offset_deg)

    def miss_sigma_deg(self, slot_deg: Array) -> Array:
        """Return how well it is known by how much the beam misses each slot."""
        slopes = _miss_slopes(self.mount, slot_deg)
        return np.asarray(np.sqrt(np.einsum("ij,jk,ik->i", slopes, self.covariance, slopes)))


def by_pulses(model: Model) -> Stance:
    """Return what is known of the mount before anything was read at the dish."""
    sigma = model.posterior.chain.scale[_AXIS]
    covariance = np.zeros((4, 4))
    covariance[:2, :2] = model.posterior.covariance[np.ix_(_AXIS, _AXIS)] * np.outer(sigma, sigma)
    covariance[2, 2] = model.priors.declination_offset_deg.sigma**2
    covariance[3, 3] = OFFSET_SIGMA_DEG**2
    return Stance(model.posterior.setup.mount, 0.0, covariance)


def stance(
    model: Model, *, readings: Sequence[Inclination] = (), nudges: Sequence[Nudge] = ()
) -> Stance:
    """Return how the mount stands by everything that was read at the dish."""
    _require_numbers(model, readings, nudges)
    read = _read(by_pulses(model), readings)
    return _pressed(read, nudges, model.beamwidth_deg) if nudges else read


def sharpened(known: Stance, slot_deg: Sequence[float], *, sigma_deg: float = 0.1) -> Stance:
    """Return how well the mount would be known with a reading at each of these slots more."""
    slopes = _reading_slopes(known.mount, np.asarray(slot_deg, dtype=np.float64))
    return replace(known, covariance=_updated(known.covariance, slopes, sigma_deg))


def _read(start: Stance, readings: Sequence[Inclination]) -> Stance:
    if not readings:
        return start
    slots_deg = np.array([r.slot_deg for r in readings])
    read_deg = np.array([r.elevation_deg for r in readings])
    weight = np.diag([r.sigma_deg**-2.0 for r in readings])
    inverse = np.linalg.inv(start.covariance)
    values = start.values
    for _ in range(_ROUNDS):
        mount = _mount(start.mount, values)
        slopes = _reading_slopes(mount, slots_deg)
        excess = read_deg - beam_elevation_deg(mount, slots_deg) - values[3]
        bent = slopes.T @ weight @ slopes + inverse
        values = values + np.linalg.solve(
            bent, slopes.T @ weight @ excess - inverse @ (values - start.values)
        )
    covariance = np.asarray(np.linalg.inv(bent), dtype=np.float64)
    return Stance(_mount(start.mount, values), float(values[3]), covariance)


def _pressed(read: Stance, nudges: Sequence[Nudge], beamwidth_deg: float) -> Stance:
    """Weigh samples of what the readings left by what the presses did."""
    chance = np.random.default_rng(0)  # the same samples each time: the same answer
    samples = chance.multivariate_normal(read.values, read.covariance, _SAMPLES, method="cholesky")
    slots_deg = np.array([n.slot_deg for n in nudges])
    missed_deg = read.mount.miss_deg(slots_deg)
    miss_deg = missed_deg + (samples - read.values) @ _miss_slopes(read.mount, slots_deg).T
    push_deg = np.array([n.press.value * n.push_deg for n in nudges])
    lost_db = 12 * ((miss_deg + push_deg) ** 2 - miss_deg**2) / beamwidth_deg**2
    likely = _likely(lost_db, [n.change for n in nudges])
    weight = np.exp(likely - likely.max())
    weight /= weight.sum()
    values = weight @ samples
    off = samples - values
    return Stance(_mount(read.mount, values), float(values[3]), (off.T * weight) @ off)


def _likely(lost_db: Array, changes: Sequence[Change]) -> Array:
    """Return the log probability of what was seen, for each sample."""

    def logistic(x: Array) -> Array:
        return np.asarray(1 / (1 + np.exp(np.clip(-1.7 * x / SEEN_SIGMA_DB, -500, 500))))

    better, worse = logistic(-lost_db - SEEN_DB), logistic(lost_db - SEEN_DB)
    seen = {Change.BETTER: better, Change.WORSE: worse, Change.SAME: 1 - better - worse}
    each = np.stack([seen[change][:, i] for i, change in enumerate(changes)], axis=1)
    return np.asarray(np.log(np.maximum(each, 1e-6)).sum(axis=1))


def beam_elevation_deg(mount: Mount, slot_deg: Array) -> Array:
    """Return the elevation of the beam with the dish peaked on each slot."""
    return np.asarray(np.degrees(np.arcsin(_upward(mount, mount.hour_angle_deg(slot_deg)))))


def _upward(mount: Mount, hour_angle_deg: Array) -> Array:
    axis, offset, turn = np.radians(
        np.broadcast_arrays(mount.axis_elevation_deg, mount.declination_offset_deg, hour_angle_deg)
    )
    return np.asarray(np.cos(offset) * np.cos(turn) * np.cos(axis) - np.sin(offset) * np.sin(axis))


def _reading_slopes(mount: Mount, slot_deg: Array) -> Array:
    """Return what a degree of each of the four does to a reading: (slots, 4)."""
    swing = mount.swing(slot_deg)
    axis, offset, turn = np.radians(
        np.broadcast_arrays(
            mount.axis_elevation_deg, mount.declination_offset_deg, swing.hour_angle_deg
        )
    )
    along = 1 / np.sqrt(1 - _upward(mount, swing.hour_angle_deg) ** 2)
    by_turn = -np.cos(offset) * np.sin(turn) * np.cos(axis)
    by_axis = -np.cos(offset) * np.cos(turn) * np.sin(axis) - np.sin(offset) * np.cos(axis)
    by_offset = -np.sin(offset) * np.cos(turn) * np.cos(axis) - np.cos(offset) * np.sin(axis)
    slopes = np.ones((len(slot_deg), 4))
    slopes[:, 0] = along * by_turn * swing.by_azimuth
    slopes[:, 1] = along * (by_axis + by_turn * swing.by_elevation)
    slopes[:, 2] = along * by_offset
    return slopes


def _miss_slopes(mount: Mount, slot_deg: Array) -> Array:
    """Return what a degree of each of the four does to the miss: (slots, 4)."""
    step_deg = 1e-3
    values = _vector(mount, 0.0)
    slopes = np.zeros((len(slot_deg), 4))
    for i in range(3):
        step = np.zeros(4)
        step[i] = step_deg
        ahead, behind = (_mount(mount, values + s).miss_deg(slot_deg) for s in (step, -step))
        slopes[:, i] = (ahead - behind) / (2 * step_deg)
    return slopes


def _updated(covariance: Array, slopes: Array, sigma_deg: float) -> Array:
    gain = covariance @ slopes.T
    between = slopes @ gain + sigma_deg**2 * np.eye(len(slopes))
    return np.asarray(covariance - gain @ np.linalg.solve(between, gain.T))


def _vector(mount: Mount, offset_deg: float) -> Array:
    angles = (mount.axis_azimuth_error_deg, mount.axis_elevation_deg, mount.declination_offset_deg)
    return np.array([*(float(np.asarray(a)) for a in angles), offset_deg])


def _mount(like: Mount, values: Array) -> Mount:
    azimuth_deg, elevation_deg, declination_deg = values[:3].tolist()
    return replace(
        like,
        axis_azimuth_error_deg=azimuth_deg,
        axis_elevation_deg=elevation_deg,
        declination_offset_deg=declination_deg,
    )


def _require_numbers(
    model: Model, readings: Sequence[Inclination], nudges: Sequence[Nudge]
) -> None:
    for reading in readings:
        if not np.isfinite([reading.slot_deg, reading.elevation_deg]).all():
            raise GeometryError(f"inclinometer reading must be numbers, not {reading}")
        if not abs(reading.elevation_deg) <= 90 or not 0 < reading.sigma_deg < np.inf:
            raise GeometryError(
                f"inclinometer reading at slot {reading.slot_deg:g} must lie from -90 to 90 deg "
                f"with a sigma above 0, not {reading.elevation_deg:g} with {reading.sigma_deg:g}"
            )
    for nudge in nudges:
        if not np.isfinite(nudge.slot_deg) or not 0 < nudge.push_deg <= model.beamwidth_deg:
            raise GeometryError(
                f"press at slot {nudge.slot_deg:g}: the push must be above 0 and at most the "
                f"beam width, {model.beamwidth_deg:.2f} deg, not {nudge.push_deg:g}"
            )
