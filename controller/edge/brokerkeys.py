"""Where the broker is, and the secrets that open it; none of them shows in a text of ours."""

import ssl
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from controller.errors import ConfigError

if TYPE_CHECKING:
    from controller.config import Broker

PASSWORD_BYTES_MAX: Final = 65535  # what MQTT can carry


@dataclass(frozen=True, kw_only=True)
class Endpoint:
    """A broker, and how to be let in; holds file names, never what is in them."""

    host: str
    port: int = 1883
    user: str | None = None
    password_file: Path | None = None
    tls: bool = False
    ca_file: Path | None = None
    certificate_file: Path | None = None
    key_file: Path | None = None
    keepalive_s: int = 20

    @property
    def place(self) -> str:
        """Return host and port for people."""
        return f"{self.host}:{self.port}"


def endpoint_of(broker: "Broker", *, host: str | None = None, port: int | None = None) -> Endpoint:
    """Return the configured broker, or the one that really runs at `host` and `port`."""
    return Endpoint(
        host=host or broker.host or "127.0.0.1",
        port=broker.port if port is None else port,
        user=broker.user,
        password_file=broker.password_file,
        tls=broker.tls,
        ca_file=broker.ca_file,
        certificate_file=broker.certificate_file,
        key_file=broker.key_file,
        keepalive_s=broker.keepalive_s,
    )


def check(endpoint: Endpoint) -> None:
    """Raise `ConfigError` for options that only make sense together."""
    try:
        endpoint.host.encode("idna")
    except UnicodeError:
        raise ConfigError(f"broker.host {endpoint.host!r} cannot be the name of a host") from None
    if endpoint.password_file is not None and endpoint.user is None:
        raise ConfigError("broker.password_file needs broker.user")
    if not endpoint.tls:
        for option in ("ca_file", "certificate_file", "key_file"):
            if getattr(endpoint, option) is not None:
                raise ConfigError(f"broker.{option} needs broker.tls: true; nothing is encrypted")
    if endpoint.key_file is not None and endpoint.certificate_file is None:
        raise ConfigError("broker.key_file needs broker.certificate_file")


def password(endpoint: Endpoint) -> str | None:
    """Read the password file's first line; raise `ConfigError` if others may read it too."""
    path = endpoint.password_file
    if path is None:
        return None
    _check_private("broker.password_file", path)
    line = _first_line(path)
    if not line or len(line) > PASSWORD_BYTES_MAX:
        raise ConfigError(f"broker.password_file {path}: the first line must be the password")
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        # Not chained: the error object holds the bytes.
        raise ConfigError(f"broker.password_file {path}: must be UTF-8 text") from None


def _first_line(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.readline(PASSWORD_BYTES_MAX + 2).rstrip(b"\r\n")
    except OSError as error:
        raise ConfigError(f"broker.password_file {path}: {error.strerror}") from error


def _check_private(option: str, path: Path) -> None:
    try:
        mode = path.stat().st_mode
    except OSError as error:
        raise ConfigError(f"{option} {path}: {error.strerror}") from error
    if not stat.S_ISREG(mode):
        raise ConfigError(f"{option} {path}: is not a file")
    if mode & stat.S_IRWXO:
        raise ConfigError(
            f"{option} {path}: everybody on this machine may reach it "
            f"(mode {stat.S_IMODE(mode):04o}); run: chmod 640 {path}"
        )


def tls_context(endpoint: Endpoint) -> ssl.SSLContext:
    """Return a context that checks the broker's certificate and name, TLS 1.2 or newer."""
    context = _trusting(endpoint.ca_file)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if endpoint.certificate_file is not None:
        _load_certificate(context, endpoint.certificate_file, endpoint.key_file)
    return context


def _trusting(ca_file: Path | None) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))
    except (OSError, ssl.SSLError) as error:
        raise ConfigError(f"broker.ca_file {ca_file}: {_why(error)}") from error


def _load_certificate(context: ssl.SSLContext, certificate: Path, key: Path | None) -> None:
    _check_private("broker.key_file" if key else "broker.certificate_file", key or certificate)
    try:
        # An encrypted key would make OpenSSL ask on the terminal and stand still.
        context.load_cert_chain(certificate, key, password=lambda: "")
    except (OSError, ssl.SSLError, ValueError) as error:
        raise ConfigError(
            f"broker.certificate_file {certificate} with key {key or certificate}: "
            f"{_why(error)}; both must be PEM, belong together and the key must have no passphrase"
        ) from error


def _why(error: Exception) -> str:
    return getattr(error, "strerror", None) or getattr(error, "reason", None) or str(error)
