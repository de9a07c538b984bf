"""What is known now, put together for every door."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from controller.core.helm import Helm
from controller.core.motion import MotionState
from controller.core.safety import SafetySettings, soft_limits
from controller.core.status import Status

if TYPE_CHECKING:
    from controller.geometry.model import Model, Pointing

ON_TARGET_PULSES = 1.0  # a dish this near to a satellite's count rests on it


@dataclass(frozen=True, kw_only=True)
class Scene:
    """What the pilot knows beside the helm."""

    dish: str
    counts: Mapping[str, float]  # satellite to predicted count
    model: "Model | None"
    west_limit_pulses: int | None
    references_n: int
    target_pulses: int | None
    target_satellite: str | None
    from_pulses: int | None
    held: bool
    hold_reason: str
    stop_pressed: bool
    fault: str
    advice: str
    waiting: str
    current_a: float | None
    signal: float | None


def picture(helm: Helm, scene: Scene, safety: SafetySettings) -> Status:
    """Return the status for all doors."""
    known = helm.counter.is_known
    count = helm.counter.count_pulses
    pointing = _pointing(scene.model, count) if known else None
    soft = soft_limits(scene.west_limit_pulses, safety)
    return Status(
        dish=scene.dish,
        state=helm.state,
        direction=helm.direction if helm.runs else None,
        count_pulses=count if known else None,
        doubt_pulses=helm.counter.doubt_pulses,
        target_pulses=scene.target_pulses,
        satellite=_satellite_at(count, scene) if known and _rests(helm.state) else None,
        target_satellite=scene.target_satellite,
        slot_deg=pointing.slot_deg if pointing else None,
        hour_angle_deg=pointing.hour_angle_deg if pointing else None,
        sigma_deg=pointing.sigma_deg if pointing else None,
        loss_db=pointing.loss_db if pointing else None,
        west_limit_pulses=scene.west_limit_pulses,
        east_soft_pulses=soft.east_pulses if soft else None,
        west_soft_pulses=soft.west_pulses if soft else None,
        references_n=scene.references_n,
        held=scene.held,
        hold_reason=scene.hold_reason,
        stop_pressed=scene.stop_pressed,
        fault=scene.fault,
        advice=scene.advice,
        waiting=scene.waiting,
        progress=_progress(scene, count),
        rate_pulses_per_s=helm.rate_pulses_per_s if helm.runs else None,
        current_a=scene.current_a,
        signal=scene.signal,
    )


def _rests(state: MotionState) -> bool:
    return state in {MotionState.RESTING, MotionState.SETTLING, MotionState.FAULTED}


def _pointing(model: "Model | None", count_pulses: int) -> "Pointing | None":
    return model.pointing(float(count_pulses)) if model else None


def _satellite_at(count_pulses: int, scene: Scene) -> str | None:
    near = {name: abs(place - count_pulses) for name, place in scene.counts.items()}
    best = min(near, key=lambda name: near[name], default=None)
    return best if best is not None and near[best] <= ON_TARGET_PULSES else None


def _progress(scene: Scene, count_pulses: int) -> float | None:
    if scene.target_pulses is None or scene.from_pulses is None:
        return None
    way = abs(scene.target_pulses - scene.from_pulses)
    if way == 0:
        return 1.0
    return max(0.0, min(1.0, 1 - abs(scene.target_pulses - count_pulses) / way))
