"""A real broker, doors and onlookers, ended after each test."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from controller.edge.brokerkeys import Endpoint
from tests.edge.realbroker import Loop, Onlooker, RealBroker, settings


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    with ExitStack() as stack:
        yield stack


@pytest.fixture
def broker(tmp_path: Path, stack: ExitStack) -> RealBroker:
    real = RealBroker(tmp_path)
    stack.callback(real.stop)
    return real


@pytest.fixture
def onlooker(stack: ExitStack) -> Callable[..., Onlooker]:
    def look(endpoint: Endpoint | int, *topics: str) -> Onlooker:
        new = Onlooker(endpoint, topics or ("#",))
        stack.callback(new.close)
        return new.ready()

    return look


@pytest.fixture
def loop(stack: ExitStack) -> Callable[..., Loop]:
    def begin(port: int, **sections: Any) -> Loop:
        new = Loop(settings(port, **sections))
        stack.callback(new.door.close)
        return new.start()

    return begin
