"""The sections for who is spoken to: broker, hub, receiver."""

from pydantic import Field

from controller.config.section import FilePath, Section, Text


class Broker(Section):
    """The MQTT broker; without a host a private one is started on loopback."""

    host: str | None = Field(
        default=None,
        pattern=r"^[A-Za-z0-9.:_-]{1,253}$",
        description="Name or address of your broker; none: a private one on this machine.",
    )
    port: int = Field(
        default=1883,
        ge=0,
        le=65535,
        description="Port of the broker; 0: any free one, for the private broker only.",
    )
    user: Text | None = Field(default=None, description="User name at the broker.")
    password_file: FilePath | None = Field(
        default=None, description="File whose first line is the password."
    )
    tls: bool = Field(default=False, description="Encrypt the connection.")
    ca_file: FilePath | None = Field(
        default=None, description="Certificate of the authority; none: the system's own."
    )
    certificate_file: FilePath | None = Field(
        default=None, description="Certificate of this machine, if the broker asks for one."
    )
    key_file: FilePath | None = Field(default=None, description="Key of that certificate.")
    base_topic: str = Field(
        default="arckeeper",
        pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$",
        max_length=120,
        description="What every topic begins with; the dish's name follows.",
    )
    keepalive_s: int = Field(
        default=20, ge=5, le=600, description="Longest silence toward the broker, s."
    )
    stale_s: float = Field(
        default=10.0, ge=0.5, le=300, description="Commands older than this are refused, s."
    )


class Hub(Section):
    """How a home hub is told about the dish."""

    discovery: bool = Field(default=True, description="Announce the dish to the hub.")
    prefix: str = Field(
        default="homeassistant",
        pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$",
        max_length=120,
        description="Topic under which the hub listens for announcements.",
    )


class Signal(Section):
    """Where a receiver's signal level comes from."""

    topic: str | None = Field(
        default=None,
        pattern=r"^[^#+\x00]{1,200}$",
        description="Topic with the receiver's level; no wildcards.",
    )
    json_path: str | None = Field(
        default=None,
        pattern=r"^[^.]+(\.[^.]+)*$",
        max_length=120,
        description="Way to the number inside a JSON payload, dotted; none: it is the number.",
    )
    max_age_s: float = Field(
        default=5.0, gt=0, le=300, description="A level older than this is not known, s."
    )
