"""`reference`, `settle` and `clear`: what a person at the dish knows and the daemon does not."""

import click

from controller.cli.calling import ask_once
from controller.cli.place import Chosen, as_json_option, choosing


@click.command("reference")
@click.argument("name")
@choosing
@click.option(
    "--sigma", type=click.FloatRange(0.01, 1000), metavar="PULSES",
    help="How well it is peaked, one standard deviation in pulses.",
)  # fmt: skip
@click.option("--drop", is_flag=True, help="Leave this satellite's references out from now on.")
@as_json_option
def reference_command(
    name: str, chosen: Chosen, sigma: float | None, drop: bool, as_json: bool
) -> None:
    """Say that the dish is peaked on this satellite now.

    \b
      arckeeper nudge +1              ... until the signal is at its best, then
      arckeeper reference Heron
      arckeeper reference Heron --sigma 2
      arckeeper reference Heron --drop

    Slot and count sharpen the model, and all others are found better. Arrive at the
    peak from the side that goto arrives from (motion.arrive), or the backlash is in it.
    """
    keys: dict[str, object] = {"do": "drop" if drop else "reference", "satellite": name}
    if sigma is not None and not drop:
        keys["sigma_pulses"] = sigma
    says = f"{name} is left out from now on" if drop else f"the dish is peaked on {name}: noted"
    ask_once(chosen, keys, as_json=as_json, says=says)


@click.command("settle")
@click.argument("name")
@choosing
@as_json_option
def settle_command(name: str, chosen: Chosen, as_json: bool) -> None:
    """Correct the count: the dish is peaked on this satellite now.

    \b
      arckeeper settle Heron

    For the day when pulses were lost: the model says which count belongs to the
    satellite, and that becomes the count. Nothing is learned by it.
    """
    ask_once(
        chosen, {"do": "settle", "satellite": name}, as_json=as_json, says="the count is settled"
    )


@click.command("clear")
@choosing
@as_json_option
def clear_command(chosen: Chosen, as_json: bool) -> None:
    """Clear the fault: you have looked, and its cause is gone.

    \b
      arckeeper status                what went wrong, and what to look at
      arckeeper clear
    """
    ask_once(chosen, "clear", as_json=as_json, says="the fault is cleared")
