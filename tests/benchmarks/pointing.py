"""Measure how well a few peaks find the whole arc, over random yards.

Run `python -m tests.benchmarks.pointing --yards 300`. The yards are drawn in
`tests/random_yards.py`, whose physics is turned vectors and shares no formula with the model.
References are spread as the nodes of Chebyshev are, close to both ends and in between: good for a
curve and for straight lines alike.
"""

import argparse
import statistics
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from controller.geometry.advice import next_reference
from controller.geometry.earth import Site, wrap_deg
from controller.geometry.fit import fit
from controller.geometry.linkage import Side
from controller.geometry.model import Model, Priors, Reference, Taped
from tests.random_yards import Yard, minimax_setting, peaked, random_yard

Array: TypeAlias = npt.NDArray[np.float64]
Choice: TypeAlias = Callable[[int, int, np.random.Generator], npt.NDArray[np.int_]]

SEED = 20
TABLE = (2, 3, 6, 12)
WITHIN = 1.959964  # sigmas that hold 95 % of a normal distribution
TARGET_DEG = {2: 0.35, 3: 0.20, 6: 0.14, 12: 0.11}


@dataclass(frozen=True)
class Sky:
    """A yard with what is taped of it, and the truth along its arc."""

    yard: Yard
    priors: Priors
    slot_deg: Array  # reachable, from east to west
    count_pulses: Array
    pulses_per_deg: Array

    def reference(self, at: int, chance: np.random.Generator, *, off_deg: float = 0.0) -> Reference:
        """Peak the slot number `at`, or something `off_deg` further west in its name."""
        slot_deg = self.slot_deg[[at]]
        count = peaked(self.yard, slot_deg - off_deg, chance)
        return Reference(f"bird {at}", wrap_deg(float(slot_deg[0])), float(count[0]), 1.0)


@dataclass
class Errors:
    """What was wrong with predictions: in degrees, and in sigmas."""

    deg: list[Array] = field(default_factory=list)
    sigmas: list[Array] = field(default_factory=list)
    straight_deg: list[Array] = field(default_factory=list)
    is_inside: list[npt.NDArray[np.bool_]] = field(default_factory=list)

    def note(self, sky: Sky, model: Model, chosen: npt.NDArray[np.int_]) -> None:
        """Add every reachable slot of a yard."""
        said = model.predict_many(sky.slot_deg)
        off = said.count_pulses - sky.count_pulses
        self.deg.append(np.abs(off / sky.pulses_per_deg))
        self.sigmas.append(np.abs(off / said.sigma_pulses))
        at = np.arange(len(off))
        inside = (at >= chosen.min()) & (at <= chosen.max()) if len(chosen) else at < 0
        self.is_inside.append(inside)

    def percentile_deg(self) -> float:
        """Return the 95th percentile over all slots of all yards."""
        return float(np.percentile(np.concatenate(self.deg), 95))

    def coverage(self, *, inside: bool | None = None) -> float:
        """Return the percentage of slots whose true peak lies in the 95 % interval."""
        where = np.concatenate(self.is_inside) == inside
        if inside is None:
            where = np.ones_like(where)
        held = np.concatenate(self.sigmas)[where] < WITHIN
        return float(100 * np.mean(held)) if where.any() else np.nan


def draw(chance: np.random.Generator) -> Sky:
    """Draw a yard and tape it."""
    yard = random_yard(chance)
    setting = minimax_setting(yard.latitude_deg)

    def taped(value: float, sigma: float) -> Taped:
        return Taped(float(value + chance.normal(0, sigma)), sigma)

    priors = Priors(
        site=Site(yard.latitude_deg, yard.longitude_deg),
        side=Side(yard.side),
        axis_elevation_deg=Taped(setting[0], 0.4),
        axis_azimuth_error_deg=Taped(0.0, 1.0),
        declination_offset_deg=Taped(setting[1], 0.3),
        dish_arm_mm=taped(yard.dish_arm_mm, 8),
        mast_arm_mm=taped(yard.mast_arm_mm, 8),
        axial_offset_mm=taped(yard.axial_offset_mm, 8),
        opening_at_top_deg=taped(yard.opening_deg, 3),
        retracted_mm=taped(yard.retracted_mm, 8),
        stroke_mm=taped(yard.stroke_mm, 8),
        pulses_per_mm=Taped(48 / 25.4, 0.06 * 48 / 25.4),
        dish_diameter_m=3.0,
        frequency_ghz=4.0,
    )
    slots_deg = yard.reachable()
    return Sky(
        yard, priors, slots_deg, yard.count_pulses(slots_deg), yard.pulses_per_deg(slots_deg)
    )


def spread(slots: int, count: int, chance: np.random.Generator) -> npt.NDArray[np.int_]:
    """Choose slots near both ends and in between, as the nodes of Chebyshev are."""
    nodes = 0.5 - 0.5 * np.cos((np.arange(count) + 0.5) / max(count, 1) * np.pi)
    return np.round(nodes * (slots - 1)).astype(np.int_)


def anywhere(slots: int, count: int, chance: np.random.Generator) -> npt.NDArray[np.int_]:
    """Choose slots at random."""
    return np.sort(chance.choice(slots, count, replace=False)).astype(np.int_)


def calibrated(
    sky: Sky, chosen: npt.NDArray[np.int_], chance: np.random.Generator
) -> tuple[Model, Array]:
    """Peak the chosen slots and fit them; return the model and the counts."""
    references = [sky.reference(int(at), chance) for at in chosen]
    model = fit(sky.priors, references, west_limit_pulses=sky.yard.west_limit_pulses)
    return model, np.array([r.count_pulses for r in references])


def over_yards(
    counts: Sequence[int], choice: Choice, *, yards: int, seed: int = SEED
) -> dict[int, Errors]:
    """Calibrate the same yards with each number of references."""
    chance = np.random.default_rng(seed)
    errors = {count: Errors() for count in counts}
    for _ in range(yards):
        sky = draw(chance)
        at = np.arange(len(sky.slot_deg))
        for count, error in errors.items():
            chosen = choice(len(at), count, chance)
            model, peaks = calibrated(sky, chosen, chance)
            error.note(sky, model, chosen)
            if count >= 2:
                straight = np.interp(at, chosen, peaks)
                error.straight_deg.append(
                    np.abs((straight - sky.count_pulses) / sky.pulses_per_deg)
                )
    return errors


def advised(*, yards: int, counts: Sequence[int] = TABLE, seed: int = SEED) -> dict[int, Errors]:
    """Calibrate with the references that the program itself asks for, one after the other."""
    chance = np.random.default_rng(seed)
    errors = {count: Errors() for count in counts}
    for _ in range(yards):
        sky = draw(chance)
        by_slot = {wrap_deg(float(slot)): at for at, slot in enumerate(sky.slot_deg)}
        wanted = list(by_slot)[::4]
        references: list[Reference] = []
        for count in range(max(counts) + 1):
            limit = sky.yard.west_limit_pulses
            model = fit(sky.priors, references, west_limit_pulses=limit)
            chosen = np.array([by_slot[r.slot_deg] for r in references], dtype=np.int_)
            if count in errors:
                errors[count].note(sky, model, chosen)
            offered = [s for s in wanted if s not in {r.slot_deg for r in references}]
            advice = next_reference(model, offered, wanted)
            slot_deg = advice.slot_deg if advice.slot_deg is not None else offered[0]
            references.append(sky.reference(by_slot[slot_deg], chance))
    return errors


@dataclass
class Accused:
    """How often one wrong reference was found out, and how often a right one was accused."""

    found: int = 0
    with_others: int = 0
    missed: int = 0
    falsely: int = 0


def neighbours(count: int, *, yards: int, seed: int = SEED) -> Accused:
    """Peak one of the references on a neighbour 2 to 3 degrees away."""
    chance = np.random.default_rng(seed)
    result = Accused()
    for _ in range(yards):
        sky = draw(chance)
        chosen = spread(len(sky.slot_deg), count, chance)
        references = [sky.reference(int(at), chance) for at in chosen]
        limit = sky.yard.west_limit_pulses
        result.falsely += bool(fit(sky.priors, references, west_limit_pulses=limit).suspects)
        wrong = int(chance.integers(count))
        # Toward the middle: nobody peaks beyond a limit.
        toward = 1 if chosen[wrong] < len(sky.slot_deg) / 2 else -1
        off_deg = toward * float(chance.uniform(2, 3))
        references[wrong] = sky.reference(int(chosen[wrong]), chance, off_deg=off_deg)
        named = fit(sky.priors, references, west_limit_pulses=limit).suspects
        name = references[wrong].name
        result.found += named == (name,)
        result.with_others += name in named and len(named) > 1
        result.missed += name not in named
    return result


def timings(*, runs: int = 40) -> dict[str, float]:
    """Return median milliseconds of a fit of 20, of 60 predictions and of the loop's own calls."""
    chance = np.random.default_rng(SEED)
    sky = draw(chance)
    chosen = spread(len(sky.slot_deg), 20, chance)
    references = [sky.reference(int(at), chance) for at in chosen]
    limit = sky.yard.west_limit_pulses
    model = fit(sky.priors, references, west_limit_pulses=limit)
    sixty = sky.slot_deg[np.linspace(0, len(sky.slot_deg) - 1, 60).astype(int)]
    fresh = iter(np.random.default_rng(SEED).uniform(sky.slot_deg[-1], sky.slot_deg[0], runs))
    calls: dict[str, Callable[[], object]] = {
        "fit of 20 references": lambda: fit(sky.priors, references, west_limit_pulses=limit),
        "60 predictions": lambda: model.predict_many(sixty),
        "one prediction": lambda: model.predict(next(fresh)),
        "one pointing": lambda: model.pointing(references[7].count_pulses),
    }
    return {name: _median_ms(call, runs) for name, call in calls.items()}


def _median_ms(call: Callable[[], object], runs: int) -> float:
    taken_ms = []
    for _ in range(runs):
        before_s = time.perf_counter()
        call()
        taken_ms.append(1000 * (time.perf_counter() - before_s))
    return statistics.median(taken_ms)


def main(argv: Sequence[str] | None = None) -> int:
    """Print accuracy, coverage, wrong references and times."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--yards", type=int, default=200, help="random yards (200)")
    parser.add_argument("--seed", type=int, default=SEED)
    asked = parser.parse_args(argv)
    _print_accuracy(asked.yards, asked.seed)
    _print_coverage(asked.yards, asked.seed)
    _print_neighbours(asked.yards, asked.seed)
    print("\nmedian times")
    for name, taken_ms in timings().items():
        print(f"  {name:<22} {taken_ms:8.3f} ms")
    return 0


def _print_accuracy(yards: int, seed: int) -> None:
    placed = over_yards(TABLE, spread, yards=yards, seed=seed)
    asked_for = advised(yards=yards, seed=seed)
    print(f"pointing error over all reachable slots of {yards} yards, 95th percentile, deg")
    print("  references    model   wanted   straight lines    model, references as advised")
    for count in TABLE:
        straight_deg = np.percentile(np.concatenate(placed[count].straight_deg), 95)
        print(
            f"  {count:10d} {placed[count].percentile_deg():8.3f} {TARGET_DEG[count]:8.2f} "
            f"{straight_deg:16.2f} {asked_for[count].percentile_deg():17.3f}"
        )


def _print_coverage(yards: int, seed: int) -> None:
    counts = range(13)
    placed = over_yards(counts, spread, yards=yards, seed=seed + 1)
    random = over_yards(counts, anywhere, yards=yards, seed=seed + 2)
    print("\ntrue peaks inside the 95 % interval, %")
    print("              references spread    references anywhere")
    print("  references   inside   beyond      inside   beyond")
    for count in counts:
        cells = [e[count].coverage(inside=i) for e in (placed, random) for i in (True, False)]
        print("  {:10d} {:8.1f} {:8.1f} {:11.1f} {:8.1f}".format(count, *cells))


def _print_neighbours(yards: int, seed: int) -> None:
    print("\none reference peaked on a neighbour 2 to 3 degrees away, % of yards")
    print(
        "  references   named   named among others   missed   right one accused without a wrong one"
    )
    for count in (2, 3, 4, 5, 6, 8, 12):
        seen = neighbours(count, yards=yards, seed=seed + 3)
        share = 100 / yards
        print(
            f"  {count:10d} {seen.found * share:7.1f} {seen.with_others * share:20.1f} "
            f"{seen.missed * share:8.1f} {seen.falsely * share:14.1f}"
        )


if __name__ == "__main__":
    sys.exit(main())
