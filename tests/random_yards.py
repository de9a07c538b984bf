"""Random yards whose physics shares no formula with the model: vectors that are turned.

Everything that is crooked is a rotation or a displaced point in space; the count of a slot is found
by turning the dish until the beam is nearest to the satellite, and then measuring from pin to pin.
"""

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

Array: TypeAlias = npt.NDArray[np.float64]

ORBIT_M, EQUATOR_M, POLE_M = 42_164_170.0, 6_378_137.0, 6_356_752.3142  # WGS84, rounded to 10 m
REACH = (36.0, 52.0)
FORCE = (30.0, 150.0)
EAST, NORTH, UP = np.eye(3)


def turned(vectors: Array, axis: Array, angle_deg: npt.ArrayLike) -> Array:
    """Turn vectors right-handed about a unit axis (Rodrigues); angles along the first axis."""
    angle_rad = np.radians(angle_deg)[..., None]
    along = np.asarray(vectors @ axis)[..., None] * axis
    across = vectors - along
    return np.asarray(
        along + across * np.cos(angle_rad) + np.cross(axis, vectors) * np.sin(angle_rad)
    )


@dataclass(frozen=True)
class Yard:
    """A dish as it truly stands; nobody in the program knows these numbers."""

    latitude_deg: float
    longitude_deg: float
    side: str
    dish_arm_mm: float
    mast_arm_mm: float
    axial_offset_mm: float
    opening_deg: float
    retracted_mm: float
    stroke_mm: float
    pulses_per_mm: float
    axis_elevation_deg: float
    azimuth_error_deg: float
    declination_deg: float
    collimation_deg: float
    lean_east_deg: float
    lean_north_deg: float
    screw_mm: tuple[float, ...]  # amplitudes of its waves
    screw_wave_mm: tuple[float, ...]
    screw_phase: tuple[float, ...]

    @property
    def pole(self) -> int:
        """Return +1 where the dish looks south, -1 where it looks north."""
        return 1 if self.latitude_deg >= 0 else -1

    def directions(self, slot_deg: npt.ArrayLike) -> Array:
        """Return unit vectors to the slots: east, north, up."""
        slots, lat, lon = np.radians(slot_deg), *np.radians([self.latitude_deg, self.longitude_deg])
        flat = np.hypot(EQUATOR_M * np.cos(lat), POLE_M * np.sin(lat))
        here = np.array(
            [
                EQUATOR_M**2 * np.cos(lat) * np.cos(lon),
                EQUATOR_M**2 * np.cos(lat) * np.sin(lon),
                POLE_M**2 * np.sin(lat),
            ]
        )
        there = ORBIT_M * np.stack([np.cos(slots), np.sin(slots), 0 * slots], axis=-1)
        away = there - here / flat
        east = np.array([-np.sin(lon), np.cos(lon), 0])
        up = np.array([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])
        enu = away @ np.stack([east, np.cross(up, east), up], axis=-1)
        return np.asarray(enu / np.linalg.norm(enu, axis=-1, keepdims=True))

    @cached_property
    def _frame(self) -> tuple[Array, Array]:
        """Return the axis, and the beam with the dish at its highest on its own mount."""
        axis = turned(self.pole * NORTH, EAST, self.pole * self.axis_elevation_deg)
        beam = turned(UP, EAST, self.pole * (self.axis_elevation_deg + self.declination_deg))
        aside = axis - (axis @ beam) * beam
        aside /= np.linalg.norm(aside)
        beam = turned(beam, -self.pole * aside, self.collimation_deg)
        crooked = []
        for vector in (axis, beam):
            around = turned(vector, UP, -self.azimuth_error_deg)
            leaning = turned(around, NORTH, self.lean_east_deg)
            crooked.append(turned(leaning, EAST, self.lean_north_deg))
        return crooked[0], crooked[1]

    def hour_angle_deg(self, slot_deg: npt.ArrayLike) -> Array:
        """Turn the dish until the beam is nearest to each slot."""
        axis, beam = self._frame
        goal = self.directions(np.atleast_1d(slot_deg))
        turns_deg = np.linspace(-150, 150, 301)
        near = np.argmax(turned(beam, -self.pole * axis, turns_deg) @ goal.T, axis=0)
        best_deg = turns_deg[near]
        step_deg = 0.5
        for _ in range(6):  # parabola through three looks, again and again
            trial_deg = best_deg[:, None] + step_deg * np.array([-1.0, 0.0, 1.0])
            looks = turned(beam, -self.pole * axis, trial_deg)
            east, here, west = np.einsum("ijk,ik->ji", looks, goal)
            best_deg = best_deg + step_deg * (west - east) / (4 * here - 2 * east - 2 * west)
            step_deg = max(step_deg / 4, 0.02)
        return np.asarray(best_deg)

    def beam_elevation_deg(self, slot_deg: npt.ArrayLike) -> Array:
        """Return how high the beam looks with the dish peaked on each slot."""
        axis, beam = self._frame
        looks = turned(beam, -self.pole * axis, self.hour_angle_deg(slot_deg))
        return np.asarray(np.degrees(np.arcsin(looks[:, 2])))

    def miss_deg(self, slot_deg: npt.ArrayLike) -> Array:
        """Return how far past the beam, toward the equator, each slot stands at its nearest."""
        axis, beam = self._frame
        goal = self.directions(np.atleast_1d(slot_deg))
        return np.asarray(np.degrees(np.arcsin(-(goal @ axis)) - np.arcsin(-(beam @ axis))))

    def off_deg(self, slot_deg: npt.ArrayLike) -> Array:
        """Return how far the beam stays away from each slot at its nearest."""
        axis, beam = self._frame
        goal = self.directions(np.atleast_1d(slot_deg))
        looks = turned(beam, -self.pole * axis, self.hour_angle_deg(slot_deg))
        return np.asarray(2 * np.degrees(np.arcsin(np.linalg.norm(looks - goal, axis=-1) / 2)))

    def count_pulses(self, slot_deg: npt.ArrayLike) -> Array:
        """Return the true count at which each slot peaks, fractions and all."""
        return self.count_at(self.hour_angle_deg(slot_deg))

    def count_at(self, hour_angle_deg: npt.ArrayLike) -> Array:
        """Return the true count with the dish at an hour angle."""
        way = 1 if self.side == "east" else -1
        # In the mount's frame: x to the highest point, y to the west, z along the axis.
        axis = np.array([0.0, 0.0, 1.0])
        mast = self.mast_arm_mm * turned(np.array([1.0, 0.0, 0.0]), axis, -90.0 * way)
        dish = turned(mast / self.mast_arm_mm * self.dish_arm_mm, axis, way * self.opening_deg)
        dish = dish + self.axial_offset_mm * axis
        apart = turned(dish, axis, np.atleast_1d(hour_angle_deg)) - mast
        rod_mm = np.linalg.norm(apart, axis=-1)
        out_mm = rod_mm - self.retracted_mm
        turns = [
            a * np.sin(2 * np.pi * (out_mm / wave + phase))
            for a, wave, phase in zip(
                self.screw_mm, self.screw_wave_mm, self.screw_phase, strict=True
            )
        ]
        screw_mm = out_mm + np.sum(turns, axis=0)
        from_east_mm = screw_mm if way > 0 else self.stroke_mm - screw_mm
        return np.asarray(from_east_mm * self.pulses_per_mm)

    @property
    def west_limit_pulses(self) -> int:
        """Return the count at the west limit."""
        return round(self.stroke_mm * self.pulses_per_mm)

    def pulses_per_deg(self, slot_deg: npt.ArrayLike) -> Array:
        """Return how much the true count grows per degree of true hour angle, without the screw."""
        at_deg = self.hour_angle_deg(slot_deg)
        plain = self.straightened
        return np.asarray((plain.count_at(at_deg + 0.1) - plain.count_at(at_deg - 0.1)) / 0.2)

    @cached_property
    def straightened(self) -> "Yard":
        """Return the same yard with a perfect screw."""
        return replace(self, screw_mm=(0.0,) * len(self.screw_mm))

    def reachable(self, *, step_deg: float = 0.5, lowest_deg: float = 3.0) -> Array:
        """Return the slots that the dish reaches, east first."""
        slots_deg = self.longitude_deg + np.arange(80.0, -80.01, -step_deg)
        high = self.directions(slots_deg)[:, 2] >= np.sin(np.radians(lowest_deg))
        seen_deg = slots_deg[high]
        counts = self.count_pulses(seen_deg)
        return np.asarray(seen_deg[(counts >= 0) & (counts <= self.west_limit_pulses)])


def random_yard(chance: np.random.Generator) -> Yard:
    """Draw a yard: the ranges are those of salvaged dishes of 2 to 4 m."""
    latitude_deg = chance.choice([-1, 1]) * chance.uniform(20, 60)
    side = str(chance.choice(["east", "west"]))
    dish_arm_mm, mast_arm_mm = chance.uniform(380, 680, 2)
    axial_offset_mm, opening_deg = chance.uniform(-80, 80), chance.uniform(82, 98)
    # As far to both sides as the arc and the arms allow.
    ends_deg = opening_deg + chance.uniform(*REACH, 2) * (-1, 1)
    low_deg, high_deg = np.clip(ends_deg, *FORCE)
    arms_sq = dish_arm_mm**2 + mast_arm_mm**2 + axial_offset_mm**2
    low_mm, high_mm = (
        np.sqrt(arms_sq - 2 * dish_arm_mm * mast_arm_mm * np.cos(np.radians(theta_deg)))
        for theta_deg in (low_deg, high_deg)
    )
    slow_mm, turn_mm = chance.uniform(0, 0.15) * np.array([1, 1]) * chance.dirichlet([1, 1])
    setting = minimax_setting(latitude_deg)
    return Yard(
        latitude_deg=latitude_deg,
        longitude_deg=chance.uniform(-180, 180),
        side=side,
        dish_arm_mm=dish_arm_mm,
        mast_arm_mm=mast_arm_mm,
        axial_offset_mm=axial_offset_mm,
        opening_deg=opening_deg,
        retracted_mm=low_mm,
        stroke_mm=high_mm - low_mm,
        pulses_per_mm=chance.uniform(44, 52) / 25.4,
        axis_elevation_deg=setting[0] + chance.normal(0, 0.4),
        azimuth_error_deg=chance.normal(0, 1.0),
        declination_deg=setting[1] + chance.normal(0, 0.3),
        collimation_deg=chance.normal(0, 0.15),
        lean_east_deg=chance.normal(0, 0.3),
        lean_north_deg=chance.normal(0, 0.3),
        screw_mm=(slow_mm, turn_mm),
        screw_wave_mm=(chance.uniform(150, 1200), chance.uniform(4, 8)),
        screw_phase=tuple(chance.uniform(0, 1, 2)),
    )


def minimax_setting(latitude_deg: float) -> tuple[float, float]:
    """Return axis elevation and declination offset as the owner sets them."""
    rows = np.array(
        [
            # latitude, lean of the axis, declination offset: published practice is within 0.02
            (20, 0.4601, 2.9667),
            (30, 0.6142, 4.3283),
            (40, 0.6902, 5.5509),
            (50, 0.6808, 6.5990),
            (60, 0.5899, 7.4438),
        ]
    )
    at_deg = abs(latitude_deg)
    lean_deg, offset_deg = (float(np.interp(at_deg, rows[:, 0], rows[:, i])) for i in (1, 2))
    return at_deg + lean_deg, offset_deg


def peaked(yard: Yard, slot_deg: Array, chance: np.random.Generator, *, rms: float = 1.0) -> Array:
    """Return the counts at which somebody peaked the slots, off by `rms` pulses."""
    return yard.count_pulses(slot_deg) + chance.normal(0, rms, len(slot_deg))
