"""The fit: against SciPy, against the textbook Gaussian process, and with references gone wrong."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares

from controller.errors import GeometryError
from controller.geometry.chain import PARAMETERS, Chain
from controller.geometry.fit import fit
from controller.geometry.linkage import Side
from controller.geometry.priors import Priors, Reference, Taped
from controller.geometry.residual import Residual
from tests.geometry.calibration import (
    BIRDS,
    DOWNS,
    FEN,
    OFF,
    TRAVEL_PULSES,
    birds_of,
    peaked,
    true_counts,
)

Array = npt.NDArray[np.float64]

NO_RESIDUAL = Residual(smooth_mm=0.0, fine_mm=0.0)
NOISE = np.array([0.8, -1.1, 0.3, 1.4, -0.6, -0.2, 0.9])
PLUMB = replace(DOWNS, plumb_sigma_deg=0.0, collimation_sigma_deg=0.0)


def by_scipy(
    priors: Priors, references: list[Reference], travel: int | None
) -> tuple[Array, Array]:
    """Return parameters and covariance by SciPy, from the parts and with numeric slopes."""
    taped = [getattr(priors, name) for name in PARAMETERS]
    slots_deg = [r.slot_deg for r in references]
    counts = np.array([r.count_pulses for r in references])

    def misfit(steps: Array) -> Array:
        off = {n: s * t.sigma for n, s, t in zip(PARAMETERS, steps, taped, strict=True)}
        parts = [counts - true_counts(priors, slots_deg, **off), steps]
        if travel is not None:
            stroke_mm = priors.stroke_mm.value + off["stroke_mm"]
            per_mm = priors.pulses_per_mm.value + off["pulses_per_mm"]
            parts.append(np.array([(travel - stroke_mm * per_mm) / 1.5]))
        return np.concatenate(parts)

    found = least_squares(
        misfit, np.zeros(len(PARAMETERS)), jac="3-point", xtol=1e-14, ftol=1e-14, gtol=1e-14
    )
    slopes = np.asarray(found.jac)
    sigma = np.array([t.sigma for t in taped])
    values = np.array([t.value for t in taped]) + sigma * found.x
    covariance = np.linalg.inv(slopes.T @ slopes) * np.outer(sigma, sigma)
    return values, covariance


@pytest.mark.parametrize("travel", [None, TRAVEL_PULSES])
@pytest.mark.parametrize("count", [1, 2, 4, 7])
@pytest.mark.parametrize("side", Side)
def test_solution_and_sigma_are_those_of_scipy(count: int, side: Side, travel: int | None) -> None:
    priors = replace(PLUMB, side=side)
    references = peaked(priors, BIRDS, noise=NOISE)[:count]
    model = fit(priors, references, west_limit_pulses=travel, residual=NO_RESIDUAL)
    assert model.suspects == ()
    values, covariance = by_scipy(priors, references, travel)
    for i, name in enumerate(PARAMETERS):
        sigma = float(np.sqrt(covariance[i, i]))
        assert model.estimates[name].value == pytest.approx(values[i], abs=2e-3 * sigma)
        assert model.estimates[name].sigma == pytest.approx(sigma, rel=1e-4)


def test_prediction_and_its_sigma_are_those_of_the_textbook_process() -> None:
    # Rasmussen & Williams, Gaussian Processes for Machine Learning, eqs 2.41-2.42 (explicit basis
    # functions with a Gaussian prior), with the slopes at the solution as the basis; from memory.
    residual = Residual(smooth_mm=0.3, length_mm=90.0, fine_mm=0.1)
    references = peaked(DOWNS, BIRDS, noise=NOISE)
    model = fit(DOWNS, references, west_limit_pulses=None, residual=residual)
    wanted_deg = np.array([128.0, 155.0, -165.0])
    chain, steps = Chain(DOWNS), model.posterior.steps
    setup = chain.at(chain.parameters(steps))
    at, aim = setup.links([r.slot_deg for r in references]), setup.links(wanted_deg)
    counts = np.array([r.count_pulses for r in references])
    per_mm = DOWNS.pulses_per_mm.value

    def kernel(one: Array, other: Array) -> Array:
        apart_mm = (one[:, None] - other[None, :]) / per_mm
        return np.asarray((0.3 * per_mm) ** 2 * np.exp(-((apart_mm / 90.0) ** 2) / 2))

    noise = kernel(counts, counts) + np.eye(len(counts)) * (1 + (0.1 * per_mm) ** 2)
    inverse = np.linalg.inv(noise)
    cross = kernel(aim.count_pulses, counts)
    basis = aim.slopes - cross @ inverse @ at.slopes
    spread = np.linalg.inv(np.eye(len(PARAMETERS)) + at.slopes.T @ inverse @ at.slopes)
    own = (0.3**2 + 0.1**2) * per_mm**2
    variance = own - np.diag(cross @ inverse @ cross.T) + np.diag(basis @ spread @ basis.T)
    mean = aim.count_pulses + cross @ inverse @ (counts - at.count_pulses)

    said = model.predict_many(wanted_deg)
    np.testing.assert_allclose(said.count_pulses, mean, atol=1e-3)
    np.testing.assert_allclose(said.sigma_pulses, np.sqrt(variance), rtol=1e-6)


@pytest.mark.parametrize("priors", [DOWNS, FEN], ids=["south, east", "north, west"])
def test_seven_peaks_find_the_arc_of_another_yard_than_was_taped(priors: Priors) -> None:
    birds = birds_of(priors)
    model = fit(priors, peaked(priors, birds), west_limit_pulses=None)
    slots_deg = float(np.asarray(priors.site.longitude_deg)) + np.linspace(-45, 30, 26)
    off = model.predict_many(slots_deg).count_pulses - true_counts(priors, slots_deg, **OFF)
    assert np.abs(off).max() < 0.5  # pulses; 5 pulses are some 0.4 deg here


def test_without_references_the_model_is_the_tape() -> None:
    model = fit(DOWNS, [], west_limit_pulses=None)
    slots_deg = np.array([140.0, 170.0])
    said = model.predict_many(slots_deg)
    np.testing.assert_allclose(said.count_pulses, true_counts(DOWNS, slots_deg), rtol=1e-12)
    assert (said.sigma_deg > 2).all()
    assert (model.references, model.suspects, model.residuals_pulses) == ((), (), ())


@pytest.mark.parametrize("side", Side)
def test_west_limit_sharpens_stroke_and_pulses_per_mm(side: Side) -> None:
    priors = replace(DOWNS, side=side)
    without = fit(priors, [], west_limit_pulses=None).estimates
    known = fit(priors, [], west_limit_pulses=1200).estimates
    assert known["pulses_per_mm"].sigma < without["pulses_per_mm"].sigma / 3
    product = known["pulses_per_mm"].value * known["stroke_mm"].value
    assert product == pytest.approx(1200, abs=0.1)


def test_more_references_never_widen_the_sigma() -> None:
    references = peaked(DOWNS, BIRDS)
    slots_deg = np.arange(115.0, 205.0, 4.0) + 0.37
    sigmas = [
        fit(DOWNS, references[:n], west_limit_pulses=None).predict_many(slots_deg).sigma_pulses
        for n in range(len(references) + 1)
    ]
    for fewer, more in pairwise(sigmas):
        # The slopes are taken at another solution each time, so it is not exact.
        assert (more < fewer * 1.1).all()


def wrong(references: list[Reference], name: str, pulses: float) -> list[Reference]:
    return [
        replace(r, count_pulses=r.count_pulses + pulses) if r.name == name else r
        for r in references
    ]


@pytest.mark.parametrize("name", list(BIRDS))
@pytest.mark.parametrize("pulses", [-34.0, -24.0, 24.0, 34.0])  # some 2 and 3 deg
def test_peak_on_a_neighbour_is_named_and_does_not_bend_the_model(name: str, pulses: float) -> None:
    references = peaked(DOWNS, BIRDS, noise=NOISE)
    model = fit(DOWNS, wrong(references, name, pulses), west_limit_pulses=TRAVEL_PULSES)
    assert model.suspects == (name,)
    assert model.notes == (
        f"{name} does not fit the others: probably a peak on a neighbour; peak it again",
    )
    without = fit(DOWNS, [r for r in references if r.name != name], west_limit_pulses=TRAVEL_PULSES)
    slots_deg = np.arange(115.0, 205.0, 5.0)
    np.testing.assert_array_equal(
        model.predict_many(slots_deg).count_pulses, without.predict_many(slots_deg).count_pulses
    )
    assert len(model.references) == len(model.residuals_pulses) == 7


def test_two_wrong_peaks_are_both_named() -> None:
    references = wrong(wrong(peaked(DOWNS, BIRDS), "Petrel", 31.0), "Plover", -27.0)
    assert set(fit(DOWNS, references, west_limit_pulses=TRAVEL_PULSES).suspects) == {
        "Petrel",
        "Plover",
    }


@pytest.mark.parametrize("sign", [-1, 1])
def test_ordinary_noise_accuses_nobody(sign: int) -> None:
    references = peaked(DOWNS, BIRDS, noise=1.5 * sign * NOISE)
    model = fit(DOWNS, references, west_limit_pulses=TRAVEL_PULSES)
    assert (model.suspects, model.notes) == ((), ())


def test_where_it_cannot_be_told_which_is_wrong_all_that_may_be_are_named() -> None:
    three = [r for r in peaked(DOWNS, BIRDS) if r.name in {"Petrel", "Gannet", "Shag"}]
    model = fit(DOWNS, wrong(three, "Gannet", 26.0), west_limit_pulses=None)
    assert model.suspects == ("Petrel", "Gannet", "Shag")
    assert "cannot be told which" in model.notes[0]
    right = np.array([true_counts(DOWNS, [150.0], **OFF)[0]])
    said = model.predict(150.0)
    assert abs(said.count_pulses - right[0]) < 3 * said.sigma_pulses


def test_with_two_references_a_wrong_one_may_pass() -> None:
    two = [r for r in peaked(DOWNS, BIRDS) if r.name in {"Curlew", "Gannet"}]
    assert fit(DOWNS, wrong(two, "Gannet", 12.0), west_limit_pulses=None).suspects == ()


def test_counts_lost_half_way_accuse_all_that_came_before() -> None:
    references = peaked(DOWNS, BIRDS, noise=0.5 * NOISE)
    shifted = [
        replace(r, count_pulses=r.count_pulses + 37) if i < 3 else r
        for i, r in enumerate(references)
    ]
    model = fit(DOWNS, shifted, west_limit_pulses=TRAVEL_PULSES)
    assert set(model.suspects) == {"Heron", "Petrel", "Curlew"}
    assert "pulses were lost" in model.notes[0]


def test_references_that_contradict_each_other_make_no_model() -> None:
    chaos = np.array([0, 90, -80, 60, -120, 110, -40.0])
    with pytest.raises(GeometryError, match=r"contradict each other: .*peak three satellites"):
        fit(DOWNS, peaked(DOWNS, BIRDS, noise=chaos), west_limit_pulses=None)


def test_order_of_references_makes_no_difference() -> None:
    references = peaked(DOWNS, BIRDS, noise=NOISE)
    there = fit(DOWNS, references, west_limit_pulses=TRAVEL_PULSES).predict(150.0)
    back = fit(DOWNS, references[::-1], west_limit_pulses=TRAVEL_PULSES).predict(150.0)
    assert back.count_pulses == pytest.approx(there.count_pulses, abs=1e-6)


def test_same_reference_twice_counts_once() -> None:
    references = peaked(DOWNS, BIRDS, noise=NOISE)
    once = fit(DOWNS, references, west_limit_pulses=None).predict(150.0)
    twice = fit(DOWNS, [*references, *references], west_limit_pulses=None).predict(150.0)
    assert twice == once


def test_one_satellite_peaked_twice_gets_the_mean_back() -> None:
    references = peaked(DOWNS, BIRDS)
    again = replace(references[2], count_pulses=references[2].count_pulses + 2)
    model = fit(DOWNS, [*references, again], west_limit_pulses=None)
    mean = references[2].count_pulses + 1
    assert model.predict(BIRDS["Curlew"]).count_pulses == pytest.approx(mean, abs=1e-9)


GOOD = Reference("Heron", 130.0, 1150.0, 1.0)


@pytest.mark.parametrize(
    ("bad", "said"),
    [
        (replace(GOOD, slot_deg=np.nan), r"'Heron': slot \(nan\).* must be numbers"),
        (replace(GOOD, count_pulses=np.inf), r"count \(inf\).* must be numbers"),
        (replace(GOOD, sigma_pulses=np.nan), r"sigma \(nan\).* must be numbers"),
        (replace(GOOD, sigma_pulses=0.0), "sigma_pulses must be above 0, not 0"),
        (replace(GOOD, slot_deg=-180.0), "not -180; are slot and count swapped"),
        (replace(GOOD, slot_deg=180.1), "not 180.1; are slot and count swapped"),
        (replace(GOOD, slot_deg=800.0, count_pulses=120.0), "are slot and count swapped"),
        (replace(GOOD, slot_deg=-20.0), "below the horizon here; check its sign"),
        (replace(GOOD, count_pulses=-30.1), "count must be 0 or more, not -30.1"),
        (replace(GOOD, count_pulses=1230.1), "at most 1200, the west limit, not 1230.1"),
    ],
)
def test_impossible_reference_is_refused_by_name(bad: Reference, said: str) -> None:
    with pytest.raises(GeometryError, match=said):
        fit(DOWNS, [*peaked(DOWNS, {"Curlew": 152.0}), bad], west_limit_pulses=1200)


@pytest.mark.parametrize("count_pulses", [-30.0, 0.0, 1230.0])
def test_reference_at_the_very_limit_is_not_refused_outright(count_pulses: float) -> None:
    fit(DOWNS, [replace(GOOD, count_pulses=count_pulses)], west_limit_pulses=1200)


@pytest.mark.parametrize("limit", [0, -5])
def test_impossible_west_limit_is_refused(limit: int) -> None:
    with pytest.raises(GeometryError, match=f"west_limit_pulses must be above 0, not {limit}"):
        fit(DOWNS, [], west_limit_pulses=limit)


def turned_round(references: list[Reference]) -> list[Reference]:
    return [replace(r, count_pulses=TRAVEL_PULSES - r.count_pulses) for r in references]


@pytest.mark.parametrize("count", [2, 7])
def test_counts_that_grow_toward_east_are_refused(count: int) -> None:
    references = turned_round(peaked(DOWNS, BIRDS))[-count:]
    with pytest.raises(GeometryError, match="must grow toward west"):
        fit(DOWNS, references, west_limit_pulses=None)


@pytest.mark.parametrize("count", [2, 7])
def test_references_on_one_spot_are_refused(count: int) -> None:
    references = [replace(r, count_pulses=512.0) for r in peaked(DOWNS, BIRDS)][:count]
    with pytest.raises(GeometryError, match="one spot"):
        fit(DOWNS, references, west_limit_pulses=None)


def test_two_names_on_one_slot_are_no_contradiction() -> None:
    pair = {"Heron": 120.0, "Egret": 120.05}
    assert fit(DOWNS, peaked(DOWNS, pair), west_limit_pulses=None).suspects == ()


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"stroke_mm": Taped(560.0, 0.0)}, "sigma of stroke_mm must be above 0, not 0"),
        ({"dish_arm_mm": Taped(520.0, np.nan)}, "sigma of dish_arm_mm must be above 0, not nan"),
        ({"retracted_mm": Taped(np.nan, 8.0)}, "retracted_mm must be a number, not nan"),
        ({"pulses_per_mm": Taped(0.0, 0.1)}, "pulses_per_mm must be above 0, not 0"),
        ({"stroke_mm": Taped(0.0, 8.0)}, "stroke_mm must be above 0, not 0"),
        ({"retracted_mm": Taped(-1.0, 8.0)}, "retracted_mm must be above 0, not -1"),
        ({"dish_diameter_m": 0.0}, "dish_diameter_m must be above 0, not 0"),
        ({"frequency_ghz": np.inf}, "frequency_ghz must be above 0, not inf"),
        ({"plumb_sigma_deg": -0.1}, "plumb_sigma_deg must lie between 0 and 45, not -0.1"),
        ({"collimation_sigma_deg": 45.0}, "collimation_sigma_deg must lie between 0 and 45"),
        ({"dish_arm_mm": Taped(0.0, 8.0)}, "dish_arm_mm must be above 0"),
        ({"stroke_mm": Taped(760.0, 8.0)}, r"cannot close: arms of 520 and 560 mm span 57 to 1081"),
        ({"mast_arm_mm": Taped(1050.0, 8.0)}, "cannot close.*measure arms"),
    ],
)
def test_priors_that_no_yard_has_are_refused(changed: dict[str, object], said: str) -> None:
    with pytest.raises(GeometryError, match=said):
        replace(DOWNS, **changed)  # type: ignore[arg-type]


@pytest.mark.parametrize(("beside_mm", "refused"), [(-0.1, False), (0.1, True)])
def test_tape_errors_may_explain_a_triangle_that_just_does_not_close(
    beside_mm: float, refused: bool
) -> None:
    longest_mm, slack_mm = DOWNS.linkage.longest_mm, 3 * 16.0
    stroke = Taped(longest_mm + slack_mm + beside_mm - DOWNS.retracted_mm.value, 8.0)
    if refused:
        with pytest.raises(GeometryError, match="even if the tape was 48 mm off"):
            replace(DOWNS, stroke_mm=stroke)
    else:
        assert replace(DOWNS, stroke_mm=stroke).stroke_mm == stroke


def test_priors_give_the_mount_as_set() -> None:
    mount = replace(DOWNS, axis_azimuth_error_deg=Taped(0.7, 1.0)).mount
    assert (mount.axis_elevation_deg, mount.axis_azimuth_error_deg) == (45.796, 0.7)
    assert mount.declination_offset_deg == 6.11


@settings(deadline=None, max_examples=40)
@given(
    st.lists(st.floats(-3, 3), min_size=9, max_size=9),
    st.sampled_from(Side),
    st.sampled_from([DOWNS, FEN]),
)
def test_stated_slopes_are_what_the_parameters_do(
    steps: list[float], side: Side, place: Priors
) -> None:
    chain, at = Chain(replace(place, side=side)), np.array(steps)
    slots_deg = float(np.asarray(place.site.longitude_deg)) + np.linspace(-50, 50, 7)
    links = chain.at(chain.parameters(at)).links(slots_deg)
    travel_slopes = chain.at(chain.parameters(at)).travel()[1]
    for i in range(len(PARAMETERS)):
        step = np.zeros(len(PARAMETERS))
        step[i] = 1e-4
        ahead, behind = (chain.at(chain.parameters(at + s)) for s in (step, -step))
        moved = (ahead.links(slots_deg).count_pulses - behind.links(slots_deg).count_pulses) / 2e-4
        np.testing.assert_allclose(links.slopes[:, i], moved, atol=1e-5)
        travelled = (ahead.travel()[0] - behind.travel()[0]) / 2e-4
        assert travel_slopes[i] == pytest.approx(travelled, abs=1e-5)


def test_model_that_was_fitted_keeps_every_reference_in_order() -> None:
    references = peaked(DOWNS, BIRDS)
    model = fit(DOWNS, references, west_limit_pulses=None)
    assert model.references == tuple(references)
