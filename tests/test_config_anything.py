"""Files that nobody would write on purpose."""

from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.config import (
    Settings,
    load,
)
from controller.errors import ConfigError


@settings(deadline=None)
@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(
                st.sampled_from([*Settings.model_fields, "kind", "pin", "drive"]), inner, max_size=4
            )
        ),
        max_leaves=20,
    )
)
def test_whatever_values_a_file_holds_are_refused_politely(
    tmp_path_factory: pytest.TempPathFactory, table: Any
) -> None:
    path = tmp_path_factory.getbasetemp() / "anything.yaml"
    path.write_text(yaml.safe_dump(table, allow_unicode=True), "utf-8")
    with pytest.raises(ConfigError):
        load(path)


@settings(deadline=None)
@given(st.binary(max_size=200))
def test_whatever_bytes_a_file_holds_are_refused_politely(
    tmp_path_factory: pytest.TempPathFactory, raw: bytes
) -> None:
    path = tmp_path_factory.getbasetemp() / "bytes.yaml"
    path.write_bytes(raw)
    with pytest.raises(ConfigError, match=r"bytes\.yaml"):
        load(path)
