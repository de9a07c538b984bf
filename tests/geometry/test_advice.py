"""What to peak next: against fits in which it was really peaked."""

from dataclasses import replace

import numpy as np
import pytest

from controller.geometry.advice import next_reference
from controller.geometry.fit import fit
from controller.geometry.model import Model
from controller.geometry.priors import Reference
from controller.geometry.residual import OwnPeaks
from tests.geometry.calibration import BIRDS, DOWNS, TRAVEL_PULSES, peaked

REFERENCES = {r.name: r for r in peaked(DOWNS, BIRDS)}
MANY = [float(slot) for slot in np.arange(132.0, 180.0, 2.0)]


def with_birds(*names: str) -> Model:
    return fit(DOWNS, [REFERENCES[name] for name in names], west_limit_pulses=TRAVEL_PULSES)


def worst_sigma_deg(model: Model, slots: list[float]) -> float:
    nothing = OwnPeaks(np.zeros(0), np.zeros(0), 1.0)
    said = replace(model, own_peaks=nothing).predict_many(slots)
    return float(said.sigma_deg[said.reachable].max())


@pytest.mark.parametrize("names", [(), ("Curlew",), ("Heron", "Plover"), ("Heron", "Gannet")])
def test_promised_sigma_is_what_the_peak_really_leaves(names: tuple[str, ...]) -> None:
    model = with_birds(*names)
    advice = next_reference(model, MANY)
    assert advice.slot_deg is not None
    there = model.predict(advice.slot_deg)
    # Peaked where the model expects it, the solution stays, and so do its slopes.
    peak = Reference("next", advice.slot_deg, there.count_pulses, 1.0)
    after = fit(DOWNS, [*model.references, peak], west_limit_pulses=TRAVEL_PULSES)
    assert advice.worst_sigma_deg == pytest.approx(worst_sigma_deg(model, MANY), rel=1e-9)
    assert advice.then_sigma_deg == pytest.approx(worst_sigma_deg(after, MANY), rel=0.05)
    assert advice.then_sigma_deg < advice.worst_sigma_deg
    assert not advice.enough


@pytest.mark.parametrize("names", [(), ("Curlew",), ("Heron", "Plover")])
def test_no_other_candidate_would_leave_a_much_smaller_worst(names: tuple[str, ...]) -> None:
    model = with_birds(*names)
    advice = next_reference(model, MANY)
    each = [next_reference(model, [slot], MANY).then_sigma_deg for slot in MANY]
    assert advice.then_sigma_deg <= min(each) * 1.0501


def test_worst_slot_is_the_one_with_the_largest_sigma() -> None:
    model = with_birds("Heron", "Petrel", "Curlew")
    advice = next_reference(model, MANY)
    assert advice.worst_slot_deg == max(MANY)
    assert advice.slot_deg is not None
    assert advice.slot_deg > BIRDS["Gannet"]


def test_only_the_wanted_slots_count() -> None:
    model = with_birds("Heron", "Petrel", "Curlew")
    near = next_reference(model, MANY, [140.0, 145.0])
    assert near.worst_slot_deg in {140.0, 145.0}
    assert near.worst_sigma_deg < next_reference(model, MANY).worst_sigma_deg


def test_slots_out_of_reach_are_passed_over() -> None:
    model = with_birds("Curlew")
    below, beyond = -20.0, 100.0
    advice = next_reference(model, [below, beyond, 160.0], [150.0, below])
    assert (advice.slot_deg, advice.worst_slot_deg) == (160.0, 150.0)


@pytest.mark.parametrize(
    ("candidates", "wanted"), [([], None), ([-20.0], None), ([150.0], [-20.0])]
)
def test_without_a_candidate_or_an_aim_there_is_no_advice(
    candidates: list[float], wanted: list[float] | None
) -> None:
    advice = next_reference(with_birds(), candidates, wanted)
    assert advice.slot_deg is None
    assert advice.worst_slot_deg is None
    assert not advice.enough
    assert advice.text == "no satellite is within reach"


def test_it_is_enough_when_the_worst_loss_cannot_be_seen() -> None:
    model = with_birds(*BIRDS)
    advice = next_reference(model, [145.0, 150.0, 155.0])
    assert advice.worst_loss_db <= 0.02
    assert advice.enough
    assert advice.text.startswith("enough: the worst satellite loses 0.0")


def test_it_is_enough_when_one_more_peak_changes_nothing() -> None:
    model = with_birds("Heron")
    poor = next_reference(model, [150.0], sigma_pulses=500.0)
    assert poor.enough
    assert "one more peak would shrink the worst sigma by" in poor.text
    assert not next_reference(model, [150.0]).enough
