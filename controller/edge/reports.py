"""What the dish says, as JSON bytes; nothing in it that JSON cannot hold."""

import json
import math
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any

from controller.config import Satellite
from controller.core.orders import Answer, Notice
from controller.core.status import Status
from controller.edge.topics import SCHEMA


def utc_text(at_utc: float) -> str:
    """Write seconds since 1970 the way a sender writes `sent_utc`."""
    at = datetime.fromtimestamp(at_utc, UTC)
    return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def as_bytes(value: object) -> bytes:
    """Write JSON as short as it goes; a float that is not finite becomes null."""
    return json.dumps(_finite(value), separators=(",", ":"), allow_nan=False).encode("ascii")


def _finite(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, dict):
        return {key: _finite(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(each) for each in value]
    return value


def status_report(status: Status, *, updated_utc: float) -> bytes:
    """Return the payload of `status`."""
    report = {"schema": SCHEMA, "updated_utc": utc_text(updated_utc), **status.as_json()}
    return as_bytes(report)


def answer_report(answer: Answer, *, at_utc: float) -> bytes:
    """Return the payload of `answer`."""
    return as_bytes(
        {
            "id": answer.command_id,
            "outcome": answer.outcome.value,
            "text": answer.text,
            "count_pulses": answer.count_pulses,
            "target_pulses": answer.target_pulses,
            "at_utc": utc_text(at_utc),
        }
    )


def notice_report(notice: Notice, *, at_utc: float) -> bytes:
    """Return the payload of `notice`."""
    return as_bytes(
        {
            "severity": notice.severity.value,
            "text": notice.text,
            "advice": notice.advice,
            "at_utc": utc_text(at_utc),
        }
    )


def satellites_report(satellites: Iterable[Satellite]) -> bytes:
    """Return the payload of `satellites`."""
    return as_bytes([satellite.model_dump() for satellite in satellites])
