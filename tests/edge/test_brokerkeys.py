"""Where the broker is, and what opens it."""

import subprocess
from pathlib import Path
from typing import Any

import pytest

from controller.edge.brokerkeys import Endpoint, check, endpoint_of, password, tls_context
from controller.errors import ConfigError
from tests.edge.realbroker import settings

SECRET = "crossbill-and-teasel"


def secret_file(tmp_path: Path, content: bytes = SECRET.encode(), mode: int = 0o600) -> Path:
    path = tmp_path / "password"
    path.write_bytes(content)
    path.chmod(mode)
    return path


def endpoint(**keys: Any) -> Endpoint:
    return Endpoint(host="broker.lan", **keys)


@pytest.mark.parametrize("mode", [0o400, 0o600, 0o640, 0o660])
@pytest.mark.parametrize("end", [b"", b"\n", b"\r\n", b"\nsecond line\n"])
def test_the_first_line_is_the_password(tmp_path: Path, mode: int, end: bytes) -> None:
    path = secret_file(tmp_path, SECRET.encode() + end, mode)
    assert password(endpoint(user="dish", password_file=path)) == SECRET


def test_without_a_file_there_is_no_password() -> None:
    assert password(endpoint(user="dish")) is None


@pytest.mark.parametrize("mode", [0o604, 0o602, 0o601, 0o644, 0o666])
def test_a_password_that_everybody_may_reach_is_refused(tmp_path: Path, mode: int) -> None:
    path = secret_file(tmp_path, mode=mode)
    with pytest.raises(ConfigError) as caught:
        password(endpoint(user="dish", password_file=path))
    assert f"broker.password_file {path}: everybody on this machine" in str(caught.value)
    assert f"(mode {mode:04o}); run: chmod 640" in str(caught.value)


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"", "the first line must be the password"),
        (b"\nsecret", "the first line must be the password"),
        (b"x" * 65536, "the first line must be the password"),
        (SECRET.encode() + b"\xff", "must be UTF-8 text"),
    ],
)
def test_a_broken_password_is_refused_without_showing_it(
    tmp_path: Path, content: bytes, reason: str
) -> None:
    path = secret_file(tmp_path, content)
    with pytest.raises(ConfigError, match=reason) as caught:
        password(endpoint(user="dish", password_file=path))
    chain = f"{caught.value!r} {caught.value.__cause__!r} {caught.value.__context__}"
    assert SECRET not in str(caught.value)
    assert caught.value.__cause__ is None
    assert SECRET not in chain


def test_a_missing_password_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"broker.password_file .*/none: No such file"):
        password(endpoint(user="dish", password_file=tmp_path / "none"))


def test_a_folder_is_no_password_file(tmp_path: Path) -> None:
    tmp_path.chmod(0o700)
    with pytest.raises(ConfigError, match="is not a file"):
        password(endpoint(user="dish", password_file=tmp_path))


@pytest.mark.parametrize(
    ("keys", "reason"),
    [
        ({"password_file": Path("p")}, "broker.password_file needs broker.user"),
        ({"ca_file": Path("c")}, "broker.ca_file needs broker.tls: true"),
        ({"certificate_file": Path("c")}, "broker.certificate_file needs broker.tls: true"),
        ({"key_file": Path("c")}, "broker.key_file needs broker.tls: true"),
        ({"tls": True, "key_file": Path("c")}, "broker.key_file needs broker.certificate_file"),
    ],
)
def test_options_that_do_nothing_alone_are_refused(keys: dict[str, Any], reason: str) -> None:
    with pytest.raises(ConfigError, match=reason):
        check(endpoint(**keys))


def test_options_that_fit_together_are_taken() -> None:
    check(endpoint(user="u", password_file=Path("p"), tls=True, ca_file=Path("c"),
                   certificate_file=Path("c"), key_file=Path("k")))  # fmt: skip


@pytest.mark.parametrize("host", ["a..b", "." * 3, "x" * 70])
def test_a_name_that_no_host_can_have_is_refused(host: str) -> None:
    with pytest.raises(ConfigError, match="cannot be the name of a host"):
        check(Endpoint(host=host))


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "::1", "broker.lan"])
def test_names_and_addresses_are_taken(host: str) -> None:
    check(Endpoint(host=host))


def test_the_broker_that_really_runs_is_used() -> None:
    broker = settings(1234).broker
    assert endpoint_of(broker).place == "127.0.0.1:1234"
    assert endpoint_of(broker, host="other", port=5).place == "other:5"
    assert endpoint_of(settings(broker={"host": None}).broker).host == "127.0.0.1"


@pytest.mark.parametrize("content", [None, "not a certificate\n"])
def test_a_broken_authority_is_named(tmp_path: Path, content: str | None) -> None:
    path = tmp_path / "ca.pem"
    if content is not None:
        path.write_text(content)
    with pytest.raises(ConfigError, match=f"broker.ca_file {path}: "):
        tls_context(endpoint(tls=True, ca_file=path))


def own_certificate(tmp_path: Path, *secret: str) -> tuple[Path, Path]:
    certificate, key = tmp_path / "own.pem", tmp_path / "own.key"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256",
         "-subj", "/CN=dish", "-keyout", key, "-out", certificate, *(secret or ["-nodes"])],
        check=True, capture_output=True,
    )  # fmt: skip
    key.chmod(0o600)
    return certificate, key


def test_a_certificate_of_our_own_is_loaded(tmp_path: Path) -> None:
    certificate, key = own_certificate(tmp_path)
    context = tls_context(endpoint(tls=True, certificate_file=certificate, key_file=key))
    assert context.check_hostname
    assert context.verify_mode.name == "CERT_REQUIRED"
    assert context.minimum_version.name == "TLSv1_2"


def test_a_key_with_a_passphrase_is_refused_and_nobody_is_asked(tmp_path: Path) -> None:
    certificate, key = own_certificate(tmp_path, "-passout", f"pass:{SECRET}")
    with pytest.raises(ConfigError, match="the key must have no passphrase"):
        tls_context(endpoint(tls=True, certificate_file=certificate, key_file=key))


def test_a_key_that_everybody_may_reach_is_refused(tmp_path: Path) -> None:
    certificate, key = own_certificate(tmp_path)
    key.chmod(0o644)
    with pytest.raises(ConfigError, match=r"broker.key_file .*: everybody on this machine"):
        tls_context(endpoint(tls=True, certificate_file=certificate, key_file=key))
