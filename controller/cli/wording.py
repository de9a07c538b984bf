"""The status in a few lines for people."""

from collections.abc import Iterator
from typing import Any

LABEL_WIDTH = 10


def slot_text(slot_deg: float, decimals: int = 1) -> str:
    """Write a slot as people say it; the twin in the mathematics would load numpy."""
    side = "W" if round(slot_deg, decimals) < 0 else "E"
    return f"{abs(slot_deg):.{decimals}f}{side}"


def status_lines(status: dict[str, Any]) -> list[str]:
    """Return the lines of `arckeeper status`."""
    return [f"{status['dish']}: {_headline(status)}", *_details(status)]


def _headline(status: dict[str, Any]) -> str:
    if status["fault"]:
        return f"FAULT, {status['fault']}"
    if status["stop_pressed"]:
        return "the stop input is pressed"
    target = _target(status)
    if status["waiting"]:
        return f"waiting{target}: {status['waiting']}"
    if status["state"] == "resting":
        return _resting(status)
    return f"{status['state']}{target}{_percent(status)}"


def _target(status: dict[str, Any]) -> str:
    if status["target_satellite"]:
        return f" to {status['target_satellite']}"
    if status["target_pulses"] is not None:
        return f" to count {status['target_pulses']}"
    return ""


def _percent(status: dict[str, Any]) -> str:
    return "" if status["progress"] is None else f", {100 * status['progress']:.0f} %"


def _resting(status: dict[str, Any]) -> str:
    return f"rests on {status['satellite']}" if status["satellite"] else "rests"


def _details(status: dict[str, Any]) -> Iterator[str]:
    if status["advice"]:
        yield _row("do", status["advice"])
    if status["fault"]:
        yield _row("then", "arckeeper clear")
    if status["held"]:
        reason = f": {status['hold_reason']}" if status["hold_reason"] else ""
        yield _row("held", f"every move is refused{reason}; lift it with: arckeeper release")
    yield _row("count", _count(status))
    yield _row("points", _pointing(status))
    yield _row("knows", _knowledge(status))
    if status["signal"] is not None:
        yield _row("signal", f"{status['signal']:.1f}")
    if status["current_a"] is not None:
        yield _row("current", f"{status['current_a']:.1f} A")


def _row(label: str, text: str) -> str:
    return f"  {label:<{LABEL_WIDTH}}{text}"


def _count(status: dict[str, Any]) -> str:
    count, doubt = status["count_pulses"], status["doubt_pulses"]
    if count is None or doubt is None:
        return "not known; find both ends with: arckeeper limits"
    text = f"{count}" if doubt == 0 else f"{count}, may be wrong by {doubt}"
    east, west = status["east_soft_pulses"], status["west_soft_pulses"]
    if east is None:
        return f"{text}; the ends are not known yet: arckeeper limits"
    return f"{text}; goes from {east} to {west}, the ends are 0 and {status['west_limit_pulses']}"


def _pointing(status: dict[str, Any]) -> str:
    if status["slot_deg"] is None:
        return "not known"
    text = f"{slot_text(status['slot_deg'], 2)}, hour angle {status['hour_angle_deg']:+.2f} deg"
    if status["sigma_deg"] is None:
        return text
    loss = "" if status["loss_db"] is None else f" ({status['loss_db']:.1f} dB)"
    return f"{text}, sure to {status['sigma_deg']:.2f} deg{loss}"


def _knowledge(status: dict[str, Any]) -> str:
    count = status["references_n"]
    if count == 0:
        return "no reference yet; peak a satellite, then: arckeeper reference NAME"
    return f"{count} reference{'s' if count > 1 else ''}"
