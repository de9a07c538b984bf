"""Every error the program raises on purpose.

A message says what, where, the bound and the value, and what to do instead.
"""


class ArckeeperError(Exception):
    """Something a person has to know about; its text is meant to be read."""


class ConfigError(ArckeeperError, ValueError):
    """The configuration asks for something that cannot be honoured."""


class GeometryError(ArckeeperError, ValueError):
    """Numbers that no site, mount or triangle can have."""


class CommandRefused(ArckeeperError):
    """A command that will not be carried out, and why."""


class StoreError(ArckeeperError):
    """The count, a reference or the history could not be written or read."""


class DoorError(ArckeeperError):
    """A pin, a broker or another outside thing cannot be reached or claimed."""
