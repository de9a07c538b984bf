"""The example of a broker for a network: its encryption, its passwords, its rights."""

import gc
import logging
import subprocess
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from controller.core.commands import GotoSatellite
from controller.core.events import CommandReceived, SignalRead
from controller.edge.brokerkeys import Endpoint
from controller.edge.caller import Caller
from controller.edge.hub import discovery
from controller.edge.topics import TOPICS, Tree, Way
from tests.edge.realbroker import Loop, Onlooker, RealBroker, free_port, settings, until
from tests.edge.test_topics import FULL

EXAMPLE = Path(__file__).resolve().parents[2] / "config" / "broker"
FOLDER = "/etc/mosquitto/arckeeper"
ROLES = ("dish", "owner", "hub", "receiver", "onlooker")
TREE = Tree(base="arckeeper", dish="tussock-downs")
DISH = {"name": "tussock-downs", "diameter_m": 3.0}
SECRETS = {role: f"crossbill-{role}-teasel" for role in ROLES}


def openssl(*words: object) -> None:
    subprocess.run(["openssl", *words], check=True, capture_output=True)  # type: ignore[list-item]


def make_certificates(folder: Path) -> None:
    """Make an authority, and a broker and a client that it has signed, as openssl(1) tells."""
    curve = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes")
    for authority in ("ca", "stranger"):
        made = ("-keyout", folder / f"{authority}.key", "-out", folder / f"{authority}.pem")
        use = ("-addext", "keyUsage=critical,keyCertSign")
        openssl("req", "-x509", *curve, "-subj", f"/CN={authority}", "-days", "2", *use, *made)
    names = {"broker": "IP:127.0.0.1", "elsewhere": "DNS:broker.example", "client": "DNS:client"}
    for owner, name in names.items():
        openssl("req", *curve, "-subj", f"/CN={owner}", "-keyout", folder / f"{owner}.key",
                "-out", folder / f"{owner}.csr")  # fmt: skip
        (folder / f"{owner}.ext").write_text(f"subjectAltName={name}\n")
        openssl("x509", "-req", "-in", folder / f"{owner}.csr", "-CA", folder / "ca.pem",
                "-CAkey", folder / "ca.key", "-CAcreateserial", "-days", "2",
                "-extfile", folder / f"{owner}.ext", "-out", folder / f"{owner}.pem")  # fmt: skip


def make_passwords(folder: Path) -> None:
    listed = folder / "passwords"
    listed.touch(mode=0o600)
    for role, secret in SECRETS.items():
        subprocess.run(["mosquitto_passwd", "-b", listed, role, secret], check=True,
                       capture_output=True)  # fmt: skip
        own = folder / f"{role}.password"
        own.write_text(f"{secret}\n")
        own.chmod(0o600)


def example(folder: Path, port: int) -> str:
    conf = (EXAMPLE / "mosquitto.conf").read_text()
    assert conf.count("\nlistener 8883\n") == 1
    return conf.replace("listener 8883", f"listener {port} 127.0.0.1").replace(FOLDER, str(folder))


@dataclass(frozen=True)
class Network:
    """The running example, and how each role gets in."""

    folder: Path
    port: int

    def endpoint(self, role: str) -> Endpoint:
        return Endpoint(
            host="127.0.0.1",
            port=self.port,
            user=role,
            password_file=self.folder / f"{role}.password",
            tls=True,
            ca_file=self.folder / "ca.pem",
            keepalive_s=20,
        )

    def section(self) -> dict[str, Any]:
        return {
            "host": "127.0.0.1", "port": self.port, "user": "dish", "tls": True,
            "password_file": self.folder / "dish.password", "ca_file": self.folder / "ca.pem",
            "base_topic": "arckeeper",
        }  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("network")
    make_certificates(made)
    make_passwords(made)
    (made / "rights.acl").write_text((EXAMPLE / "rights.acl").read_text())
    (made / "rights.acl").chmod(0o600)
    return made


def running(folder: Path, conf: str, port: int) -> Iterator[Network]:
    real = RealBroker(folder, port=port, conf=conf)
    try:
        yield Network(folder=folder, port=port)
    finally:
        real.stop()


@pytest.fixture(scope="module")
def network(folder: Path) -> Iterator[Network]:
    port = free_port()
    yield from running(folder, example(folder, port), port)


Look = Callable[..., Onlooker]


def topics(way: Way) -> list[str]:
    return [TREE.topic(topic.name) for topic in TOPICS if topic.way is way]


ASKS, SAID = topics(Way.TO_DISH), topics(Way.FROM_DISH)
DISCOVERED = list(discovery(settings(dish=DISH, motion={"park_count_pulses": 1}), TREE))
FOREIGN = ["arckeeper/other-dish/ask", "arckeeper/other-dish/status", "somewhere/else"]
EVERY = [*ASKS, *SAID, "receiver/level", "homeassistant/status", *DISCOVERED, *FOREIGN]
HUB_ASKS = [TREE.topic(f"ask{verb}") for verb in ("", "/goto", "/halt", "/park")]
HUB_READS = [topic for topic in SAID if "/fact/" in topic or topic.endswith("/alive")]

MAY_WRITE = {
    "dish": {*SAID, *DISCOVERED},
    "owner": set(ASKS),
    "hub": {*HUB_ASKS, "homeassistant/status"},
    "receiver": {"receiver/level"},
    "onlooker": {TREE.topic("ask/halt")},
}
MAY_READ = {
    "dish": {
        *ASKS,
        TREE.topic("hub-index"),
        TREE.topic("alive"),
        "receiver/level",
        "homeassistant/status",
    },
    "owner": {*ASKS, *SAID},
    "hub": {*HUB_READS, "homeassistant/status", *DISCOVERED},
    "receiver": set(),
    "onlooker": set(SAID) - {TREE.topic("hub-index")},
}


@pytest.mark.parametrize("role", ROLES)
def test_a_role_writes_where_it_may_and_nowhere_else(
    network: Network, onlooker: Look, role: str
) -> None:
    writer = onlooker(network.endpoint(role), "nothing")
    readers = [onlooker(network.endpoint(reader)) for reader in ROLES if reader != role]
    readable = set().union(*(MAY_READ[reader] for reader in ROLES if reader != role))
    for topic in EVERY:
        writer.say(topic, f"from {role}")
    for reader, name in zip(readers, [r for r in ROLES if r != role], strict=True):
        wanted = MAY_WRITE[role] & MAY_READ[name]
        until(lambda r=reader, w=wanted: w <= {t for t, _, _ in r.seen}, f"{name} sees all")  # type: ignore[misc]
    arrived = {topic for reader in readers for topic, said, _ in reader.seen
               if said == f"from {role}".encode()}  # fmt: skip
    assert arrived == MAY_WRITE[role] & readable


@pytest.mark.parametrize("role", ROLES)
def test_a_role_reads_what_it_may_and_nothing_else(
    network: Network, onlooker: Look, role: str
) -> None:
    reader = onlooker(network.endpoint(role))
    writers = {name: onlooker(network.endpoint(name), "nothing") for name in ROLES}
    for name, writer in writers.items():
        for topic in sorted(MAY_WRITE[name]):
            writer.say(topic, "read me")
    written = set().union(*MAY_WRITE.values())
    assert MAY_READ[role] <= written
    until(lambda: MAY_READ[role] <= {t for t, _, _ in reader.seen}, "it sees what it may")
    assert {topic for topic, _, _ in reader.seen} == MAY_READ[role]


def test_everybody_who_sees_the_dish_may_halt_it_and_the_receiver_may_not() -> None:
    halt = TREE.topic("ask/halt")
    assert {role for role in ROLES if halt in MAY_WRITE[role]} == {"owner", "hub", "onlooker"}


def test_the_door_works_there_with_all_its_topics(
    network: Network, onlooker: Look, stack: ExitStack, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    dish = Loop(
        settings(network.port, broker=network.section(), dish=DISH,
                 signal={"topic": "receiver/level"})
    )  # fmt: skip
    stack.callback(dish.door.close)
    dish.start().door.tell(FULL)
    owner = onlooker(network.endpoint("owner"), f"{TREE.root}/#")
    hub = onlooker(network.endpoint("hub"), "homeassistant/#", f"{TREE.root}/fact/#")
    until(lambda: owner.last(TREE.topic("status")), "the owner sees the status")
    until(lambda: hub.last(TREE.topic("fact/count")) == b"512", "the hub sees the count")
    until(lambda: any(topic in DISCOVERED for topic, _, _ in hub.seen), "and the announcement")
    hub.say(TREE.topic("ask/goto"), "Heron")
    onlooker(network.endpoint("receiver"), "nothing").say("receiver/level", "11.5")
    until(lambda: len(dish.heard()) == 2, "command and level arrive")
    command = next(event for event in dish.heard() if isinstance(event, CommandReceived))
    assert command.command == GotoSatellite(name="Heron")
    assert any(isinstance(event, SignalRead) and event.level == 11.5 for event in dish.heard())
    assert "refuses the subscription" not in caplog.text
    shown = f"{caplog.text}{dish.door!r}{vars(dish.door)!r}{network.endpoint('dish')!r}"
    assert not [secret for secret in SECRETS.values() if secret in shown]


def test_the_command_line_gets_in_as_owner(network: Network, stack: ExitStack) -> None:
    dish = Loop(settings(network.port, broker=network.section(), dish=DISH))
    stack.callback(dish.door.close)
    dish.start().door.tell(FULL)
    with Caller(
        host="127.0.0.1",
        port=network.port,
        base=TREE.base,
        dish=TREE.dish,
        user="owner",
        password_file=network.folder / "owner.password",
        tls=True,
        ca_file=network.folder / "ca.pem",
    ) as caller:
        assert caller.status()["count_pulses"] == 512
        assert caller.halt()["outcome"] == "accepted"


# paho leaves the socket of a failed handshake to the garbage collector.
left_to_the_collector = pytest.mark.filterwarnings(
    "ignore:Exception ignored in. <ssl.SSLSocket:pytest.PytestUnraisableExceptionWarning"
)


def refusal(stack: ExitStack, endpoint: Endpoint) -> str:
    stranger = Onlooker(endpoint)
    stack.callback(stranger.close)
    until(lambda: stranger.downs, "the connection fails")
    assert stranger.seen == []
    stranger.close()
    gc.collect()
    return stranger.downs[0]


def test_a_wrong_password_is_refused(network: Network, stack: ExitStack) -> None:
    wrong = replace(network.endpoint("owner"), password_file=network.folder / "hub.password")
    assert "refuses us: Not authorized" in refusal(stack, wrong)


def test_nobody_gets_in_without_a_name(network: Network, stack: ExitStack) -> None:
    nobody = replace(network.endpoint("owner"), user=None, password_file=None)
    assert "refuses us: Not authorized" in refusal(stack, nobody)


def test_nobody_gets_in_unencrypted(network: Network, stack: ExitStack) -> None:
    plain = replace(network.endpoint("owner"), tls=False, ca_file=None)
    assert "lost the broker" in refusal(stack, plain)


@left_to_the_collector
def test_a_broker_of_an_unknown_authority_is_refused(network: Network, stack: ExitStack) -> None:
    stranger = replace(network.endpoint("owner"), ca_file=network.folder / "stranger.pem")
    assert "unable to get local issuer certificate" in refusal(stack, stranger)


@left_to_the_collector
def test_a_broker_that_is_not_the_one_that_was_called_is_refused(
    folder: Path, stack: ExitStack
) -> None:
    port = free_port()
    conf = example(folder, port).replace("broker.pem", "elsewhere.pem")
    conf = conf.replace("broker.key", "elsewhere.key")
    for other in running(folder, conf, port):
        assert "IP address mismatch" in refusal(stack, other.endpoint("owner"))


def test_the_commented_lines_let_in_only_certificates(folder: Path, stack: ExitStack) -> None:
    port = free_port()
    conf = example(folder, port).replace("#cafile", "cafile").replace("#require", "require")
    assert "\nrequire_certificate true\n" in conf
    (folder / "client.key").chmod(0o600)
    for other in running(folder, conf, port):
        without = other.endpoint("owner")
        assert "lost the broker" in refusal(stack, without)
        own = Onlooker(
            replace(without, certificate_file=folder / "client.pem", key_file=folder / "client.key")
        )
        stack.callback(own.close)
        own.ready()


def test_too_long_a_message_throws_its_sender_out(network: Network, onlooker: Look) -> None:
    owner = onlooker(network.endpoint("owner"), f"{TREE.root}/answer")
    owner.throw(TREE.topic("ask/halt"), b"x" * 1_100_000)
    until(lambda: owner.downs, "the sender is thrown out")


def test_every_topic_of_the_rights_is_one_that_exists() -> None:
    listed = {
        line.split(" ", 2)[2]
        for line in (EXAMPLE / "rights.acl").read_text().splitlines()
        if line.startswith("topic ")
    }
    known = {*EVERY, f"{TREE.root}/#", TREE.asks(), TREE.topic("ask"), f"{TREE.root}/fact/#",
             "homeassistant/#", "homeassistant/+/arckeeper_tussock-downs/+/config"}  # fmt: skip
    assert listed <= known
