"""`halt`, `hold` and `release`: what keeps the dish from moving."""

import click

from controller.cli.calling import ask_once
from controller.cli.place import Chosen, as_json_option, choosing


@click.command("halt")
@choosing
@as_json_option
def halt_command(chosen: Chosen, as_json: bool) -> None:
    """Have every motor relay opened now; this is never refused.

    \b
      arckeeper halt

    It is not an emergency stop. That is the button which cuts the motor's supply
    by itself. Without a daemon, arckeeper safe opens the relays.
    """
    ask_once(chosen, "halt", as_json=as_json)


@click.command("hold")
@click.argument("reason", nargs=-1)
@choosing
@as_json_option
def hold_command(reason: tuple[str, ...], chosen: Chosen, as_json: bool) -> None:
    """Refuse every move, from everybody, until a person says release.

    \b
      arckeeper hold
      arckeeper hold greasing the bearing

    A courtesy to others, not an isolator: before you touch the dish, cut the
    motor's supply and lock it.
    """
    ask_once(chosen, {"do": "hold", "reason": " ".join(reason)}, as_json=as_json, says="held")


@click.command("release")
@choosing
@as_json_option
def release_command(chosen: Chosen, as_json: bool) -> None:
    """Lift the hold; look first that nobody is at the dish.

    \b
      arckeeper release
    """
    ask_once(chosen, "release", as_json=as_json, says="released")
