"""Tables that fit where they go."""

import sys

from rich.console import Console
from rich.table import Table

PIPE_WIDTH = 120  # characters; who pipes a table cuts it himself


def show(table: Table) -> None:
    """Print a table: as wide as the terminal, without colours into a pipe."""
    width = None if sys.stdout.isatty() else PIPE_WIDTH
    Console(width=width, highlight=False).print(table)
