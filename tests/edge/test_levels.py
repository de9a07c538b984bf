"""A receiver's signal level."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.edge.levels import SIZE_MAX, read_level


@pytest.mark.parametrize(
    ("payload", "json_path", "level"),
    [
        (b"11.5", None, 11.5),
        (b" -3\n", None, -3.0),
        (b'"11.5"', None, 11.5),
        (b'{"snr": 11.5}', "snr", 11.5),
        (b'{"tuner": [{"snr": 1}, {"snr": "2.5"}]}', "tuner.1.snr", 2.5),
        (b"1" + b" " * (SIZE_MAX - 1), None, 1.0),
    ],
)
def test_numbers_are_found(payload: bytes, json_path: str | None, level: float) -> None:
    assert read_level(payload, json_path) == level


@pytest.mark.parametrize(
    ("payload", "json_path"),
    [
        (b"", None),
        (b"strong", None),
        (b"true", None),
        (b"null", None),
        (b"NaN", None),
        (b"1e400", None),
        (b'"inf"', None),
        (b"9" * 5000, None),
        (b"\xff", None),
        (b"[" * 20_000, None),
        (b'{"snr": 1}', None),
        (b'{"snr": 1}', "level"),
        (b'{"snr": [1]}', "snr.1"),
        (b'{"snr": [1]}', "snr.first"),
        (b'{"snr": 1}', "snr.level"),
        (b"1" + b" " * SIZE_MAX, None),
    ],
)
def test_what_is_no_number_is_unknown(payload: bytes, json_path: str | None) -> None:
    assert read_level(payload, json_path) is None


quick = settings(deadline=None, max_examples=100)


@quick
@given(st.binary(max_size=100) | st.text(max_size=50).map(str.encode), st.none() | st.just("a.0"))
def test_no_payload_raises(payload: bytes, json_path: str | None) -> None:
    level = read_level(payload, json_path)
    assert level is None or math.isfinite(level)
