"""The model as others ask it: predictions, the way back, own peaks, the end of the arc."""

from dataclasses import FrozenInstanceError, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.errors import GeometryError
from controller.geometry.beam import beamwidth_deg, pointing_loss_db, wavelength_m
from controller.geometry.earth import half_span_deg, wrap_deg
from controller.geometry.fit import fit
from controller.geometry.linkage import Side
from controller.geometry.model import Model, Priors
from controller.geometry.priors import Reference, Taped
from controller.geometry.residual import OWN_WIDTH_DEG, own_peaks
from tests.geometry.calibration import BIRDS, DOWNS, FEN, TRAVEL_PULSES, birds_of, peaked

NOISE = np.array([0.8, -1.1, 0.3, 1.4, -0.6, -0.2, 0.9])


def calibrated(priors: Priors = DOWNS, *, times: float = 1.0) -> Model:
    references = [
        replace(r, sigma_pulses=times)
        for r in peaked(priors, birds_of(priors), noise=times * NOISE)
    ]
    return fit(priors, references, west_limit_pulses=None)


MODEL, ABROAD = calibrated(), calibrated(FEN)
models = st.sampled_from([MODEL, ABROAD])
aheads = st.floats(min_value=-55, max_value=55)


@pytest.mark.parametrize("model", [MODEL, ABROAD])
def test_peaked_satellite_gets_exactly_its_own_peak_back(model: Model) -> None:
    for reference in model.references:
        said = model.predict(reference.slot_deg)
        assert said.count_pulses == pytest.approx(reference.count_pulses, abs=1e-9)


def test_own_peak_reaches_no_further_than_its_width() -> None:
    bare = replace(MODEL, own_peaks=own_peaks(*[np.zeros(0)] * 3, pulses_per_deg=np.zeros(0)))
    centre_deg, width_deg = BIRDS["Gannet"], MODEL.own_peaks.width_deg
    at_deg = centre_deg + width_deg * np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
    added = MODEL.predict_many(at_deg).count_pulses - bare.predict_many(at_deg).count_pulses
    own = MODEL.residuals_pulses[list(BIRDS).index("Gannet")]
    np.testing.assert_allclose(added, own * np.array([0, 0.5, 1, 0.5, 0]), atol=1e-9)
    assert abs(own) > 0.2


def test_sigma_at_an_own_peak_owns_up_to_the_way_it_was_drawn() -> None:
    slot_deg = BIRDS["Gannet"]
    own = MODEL.residuals_pulses[list(BIRDS).index("Gannet")]
    beside = MODEL.predict(slot_deg + MODEL.own_peaks.width_deg)
    assert MODEL.predict(slot_deg).sigma_pulses == pytest.approx(
        np.hypot(beside.sigma_pulses, own), rel=0.01
    )


@settings(deadline=None, max_examples=100)
@given(models, aheads)
def test_count_leads_back_to_its_slot(model: Model, ahead_deg: float) -> None:
    slot_deg = wrap_deg(float(np.asarray(model.priors.site.longitude_deg)) + ahead_deg)
    said = model.predict(slot_deg)
    back = model.pointing(said.count_pulses)
    assert back is not None
    assert abs(wrap_deg(back.slot_deg - slot_deg)) < 2e-4
    assert back.hour_angle_deg == pytest.approx(said.hour_angle_deg, abs=2e-4)
    assert back.sigma_deg == pytest.approx(said.sigma_deg, rel=0.02, abs=1e-3)
    assert back.loss_db == pytest.approx(said.loss_db, rel=0.05, abs=1e-3)


@pytest.mark.parametrize("times", [1.0, 4.0])
def test_count_grows_toward_west_even_beside_own_peaks(times: float) -> None:
    model = calibrated(times=times)
    slots_deg = 169.4 + np.arange(50.0, -50.0, -0.01)
    assert (np.diff(model.predict_many(slots_deg).count_pulses) > 0).all()


@settings(deadline=None, max_examples=50)
@given(models, st.lists(aheads, min_size=1, max_size=5))
def test_many_predictions_are_the_single_ones(model: Model, ahead_deg: list[float]) -> None:
    longitude_deg = float(np.asarray(model.priors.site.longitude_deg))
    slots_deg = [wrap_deg(longitude_deg + a) for a in ahead_deg]
    many = model.predict_many(slots_deg)
    for i, slot_deg in enumerate(slots_deg):
        one = model.predict(slot_deg)
        assert one.slot_deg == slot_deg == many.slot_deg[i]
        for name in ("count_pulses", "sigma_pulses", "hour_angle_deg", "sigma_deg", "loss_db"):
            assert getattr(one, name) == pytest.approx(getattr(many, name)[i], rel=1e-6)


@pytest.mark.parametrize("model", [MODEL, ABROAD])
@pytest.mark.parametrize("way", [-1, 1])
def test_arc_ends_at_the_horizon(model: Model, way: int) -> None:
    longitude_deg = float(np.asarray(model.priors.site.longitude_deg))
    half_deg = float(half_span_deg(model.priors.site, minimum_elevation_deg=0.0))
    inside_deg = wrap_deg(longitude_deg + way * (half_deg - 0.01))
    beyond_deg = wrap_deg(longitude_deg + way * (half_deg + 0.01))
    last = model.predict(inside_deg)
    assert model.pointing(last.count_pulses) is not None
    assert model.pointing(last.count_pulses - way * 5) is None
    with pytest.raises(GeometryError, match=r"below the horizon: .* seen from .* to "):
        model.predict(beyond_deg)
    many = model.predict_many([inside_deg, beyond_deg])
    assert np.isfinite(many.count_pulses[0])
    assert np.isnan(many.count_pulses[1])
    assert np.isnan(many.sigma_deg[1])
    assert not many.reachable[1]


def test_slot_that_is_no_number_is_refused() -> None:
    with pytest.raises(GeometryError, match="slot must be a number"):
        MODEL.predict(np.nan)
    assert np.isnan(MODEL.predict_many([np.nan]).count_pulses).all()


def test_slot_past_a_dead_point_is_refused() -> None:
    # 150 deg between the arms at the top: in line before the arc ends in the west.
    priors = replace(
        DOWNS,
        opening_at_top_deg=Taped(150.0, 3.0),
        retracted_mm=Taped(700.0, 8.0),
        stroke_mm=Taped(370.0, 8.0),
    )
    model = fit(priors, [], west_limit_pulses=None)
    with pytest.raises(GeometryError, match="past the dead point of the actuator at hour angle"):
        model.predict(130.0)
    assert np.isnan(model.predict_many([130.0]).count_pulses).all()
    farthest = np.nanmax(model.predict_many(np.arange(100.0, 200.0)).count_pulses)
    assert model.pointing(float(farthest) + 3) is None


@pytest.mark.parametrize("count_pulses", [np.nan, np.inf, -np.inf, 1e9])
def test_count_beyond_all_points_nowhere(count_pulses: float) -> None:
    assert MODEL.pointing(count_pulses) is None


@pytest.mark.parametrize("side", Side)
@pytest.mark.parametrize("limit", [None, TRAVEL_PULSES])
def test_reachable_is_what_lies_between_the_limits(side: Side, limit: int | None) -> None:
    model = fit(replace(DOWNS, side=side), [], west_limit_pulses=limit)
    many = model.predict_many(169.4 + np.arange(60.0, -60.1, -0.5))
    travel = 610 * 1.89 if limit is None else limit
    assert model.travel_pulses == pytest.approx(travel)
    expected = (many.count_pulses >= 0) & (many.count_pulses <= travel)
    np.testing.assert_array_equal(many.reachable, expected)
    assert many.reachable.any()
    assert not many.reachable.all()


def test_loss_is_that_of_the_beam_one_sigma_off() -> None:
    said = MODEL.predict(150.0)
    width_deg = beamwidth_deg(3.0, wavelength_m(4.0))
    assert said.loss_db == pytest.approx(float(pointing_loss_db(said.sigma_deg, width_deg)))
    assert 0 < said.loss_db < 1


def test_sigma_in_degrees_is_on_the_sky() -> None:
    said, beside = MODEL.predict(150.0), MODEL.predict(149.9)
    pulses_per_deg = (beside.count_pulses - said.count_pulses) / (
        beside.hour_angle_deg - said.hour_angle_deg
    )
    declination_deg = 6.7  # of the beam to the axis: the topocentric declination, roughly
    on_the_sky = said.sigma_pulses / pulses_per_deg * np.cos(np.radians(declination_deg))
    assert said.sigma_deg == pytest.approx(on_the_sky, rel=0.005)


def test_estimates_move_from_the_tape_toward_the_truth() -> None:
    taped, found = DOWNS.pulses_per_mm, MODEL.estimates["pulses_per_mm"]
    assert found.sigma < taped.sigma
    assert abs(found.value - (taped.value + 0.07)) < 3 * found.sigma
    assert MODEL.estimates["declination_offset_deg"] == DOWNS.declination_offset_deg
    assert set(MODEL.estimates) == set(DOWNS.taped())


def test_residuals_are_in_the_order_of_the_references() -> None:
    turned = fit(DOWNS, MODEL.references[::-1], west_limit_pulses=None)
    np.testing.assert_allclose(turned.residuals_pulses[::-1], MODEL.residuals_pulses, atol=1e-6)


def test_model_cannot_be_changed() -> None:
    with pytest.raises(FrozenInstanceError):
        MODEL.suspects = ("Heron",)  # type: ignore[misc]


def test_asking_for_more_slots_than_are_remembered_changes_no_answer() -> None:
    before = MODEL.predict(150.25)
    for slot_deg in np.linspace(140, 149, 1100):
        MODEL.predict(float(slot_deg))
    assert MODEL.predict(150.25) == before


def test_own_peaks_widen_until_the_count_cannot_turn_back() -> None:
    excess, slope = 6.0, 10.0
    peaks = own_peaks(
        np.array([150.0]), np.array([excess]), np.array([1.0]), pulses_per_deg=np.array([slope])
    )
    assert peaks.width_deg == pytest.approx(2 * excess / slope)
    steepest = excess / peaks.width_deg
    assert steepest <= slope / 2


def test_own_peaks_of_close_slots_are_all_exact() -> None:
    slots_deg = np.array([150.2, 150.0, 150.1])
    excess = np.array([1.0, -0.5, 0.4])
    peaks = own_peaks(slots_deg, excess, np.ones(3), pulses_per_deg=np.full(3, 12.0))
    np.testing.assert_allclose(peaks.pulses(slots_deg), excess, atol=1e-12)


def test_own_peaks_on_one_slot_are_averaged_by_how_sure_they_are() -> None:
    peaks = own_peaks(
        np.array([150.0, 150.0]),
        np.array([0.0, 1.0]),
        np.array([3.0, 1.0]),
        pulses_per_deg=np.full(2, 12.0),
    )
    assert peaks.pulses(np.array([150.0])) == pytest.approx(0.25)


def test_own_peak_beside_the_date_line_is_met_from_both_sides() -> None:
    peaks = own_peaks(
        np.array([180.0]), np.array([1.0]), np.array([1.0]), pulses_per_deg=np.array([12.0])
    )
    both = peaks.pulses(np.array([179.9, -179.9]))
    np.testing.assert_allclose(both, 1 - 0.1 / OWN_WIDTH_DEG)


def test_suspect_gets_the_models_count_and_not_its_own() -> None:
    references = [
        replace(r, count_pulses=r.count_pulses + 30) if r.name == "Curlew" else r
        for r in MODEL.references
    ]
    model = fit(DOWNS, references, west_limit_pulses=None)
    said = model.predict(BIRDS["Curlew"])
    right = Reference("Curlew", BIRDS["Curlew"], said.count_pulses, 1.0)
    assert model.suspects == ("Curlew",)
    assert right.count_pulses == pytest.approx(MODEL.predict(BIRDS["Curlew"]).count_pulses, abs=3)
