"""Arckeeper keeps a large dish on a polar mount on the geostationary arc."""

__version__ = "0.1.0"
