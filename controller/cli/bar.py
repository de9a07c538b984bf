"""A move on a terminal: one line that fills."""

from typing import Any

from rich.console import Console
from rich.live import Live
from rich.progress_bar import ProgressBar
from rich.table import Table
from rich.text import Text

from controller.cli.following import notice_text

COLOUR = {"arrived": "green", "refused": "red", "stopped": "yellow", "fault": "red"}


class Bar:
    """State, bar, count and pace in one line that is overwritten."""

    def __init__(self, console: Console | None = None) -> None:
        self._console = console or Console(highlight=False)
        self._live = Live(console=self._console, refresh_per_second=8, transient=True)
        self._live.start()

    def status(self, status: dict[str, Any]) -> None:
        """Redraw the line."""
        self._live.update(line_of(status))

    def answer(self, answer: dict[str, Any]) -> None:
        """Write the answer above the line."""
        self._say(f"{answer['outcome']}: {answer['text']}", answer["outcome"])

    def notice(self, notice: dict[str, Any]) -> None:
        """Write the notice above the line."""
        self._say(notice_text(notice), notice["severity"])

    def close(self) -> None:
        """Take the line away."""
        self._live.stop()

    def _say(self, text: str, kind: str) -> None:
        self._live.console.print(Text(text, style=COLOUR.get(kind, "")))


def line_of(status: dict[str, Any]) -> Table:
    """Return the line for a status."""
    progress = status["progress"]
    table = Table.grid(padding=(0, 1), expand=True)
    table.add_column(width=9)
    table.add_column(ratio=1)
    table.add_column(justify="right", no_wrap=True)
    table.add_row(
        Text(status["state"]),
        ProgressBar(total=1.0, completed=progress or 0.0, pulse=progress is None),
        Text(_figures(status)),
    )
    if status["waiting"]:
        table.add_row("", Text(status["waiting"], style="yellow", overflow="fold"), "")
    return table


def _figures(status: dict[str, Any]) -> str:
    count, target = status["count_pulses"], status["target_pulses"]
    text = "count not known" if count is None else f"{count}"
    if target is not None:
        text += f" of {target}"
    pace = status["rate_pulses_per_s"]
    return text if pace is None else f"{text}  {pace:.0f}/s"
