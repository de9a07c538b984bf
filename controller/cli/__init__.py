"""Words to commands, status to words and pictures."""

from controller.cli.group import main

__all__ = ["main"]
