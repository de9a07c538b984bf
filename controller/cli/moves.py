"""`goto`, `nudge` and `park`: what makes the dish move to a place."""

import click

from controller.cli.caution import before_the_first_move, yes_option
from controller.cli.following import move
from controller.cli.place import Chosen, as_json_option, choosing
from controller.cli.targets import goto_keys, nudge_keys

wait_option = click.option(
    "--no-wait", "wait", flag_value=False, default=True, help="Return once it is accepted."
)


@click.command("goto", context_settings={"ignore_unknown_options": True})
@click.argument("target", metavar="NAME|SLOT|count:N")
@choosing
@wait_option
@as_json_option
@yes_option
def goto_command(target: str, chosen: Chosen, wait: bool, as_json: bool, yes: bool) -> None:
    """Go to a satellite, a slot or a count, and wait until it is there.

    \b
      arckeeper goto Heron            a satellite of the configuration
      arckeeper goto 147.6E           a slot; "30.5 W" and -30.5 work as well
      arckeeper goto count:512        pulses from the east limit

    Ctrl-C halts the dish and waits until it stands. Exit code 0: arrived; 1: refused
    or stopped, and it says why.
    """
    keys = goto_keys(target)
    before_the_first_move(yes=yes)
    raise SystemExit(move(chosen, keys, as_json=as_json, wait=wait))


@click.command("nudge", context_settings={"ignore_unknown_options": True})
@click.argument("step", metavar="STEP")
@choosing
@wait_option
@as_json_option
@yes_option
def nudge_command(step: str, chosen: Chosen, wait: bool, as_json: bool, yes: bool) -> None:
    """Move a little; plus is toward west, minus toward east, in both hemispheres.

    \b
      arckeeper nudge +3              three pulses toward west
      arckeeper nudge -1.5deg         1.5 degrees of hour angle toward east

    A nudge works before the limits are known: it is how wiring and sensor are tried.
    """
    keys = nudge_keys(step)
    before_the_first_move(yes=yes)
    raise SystemExit(move(chosen, keys, as_json=as_json, wait=wait))


@click.command("park")
@choosing
@wait_option
@as_json_option
@yes_option
def park_command(chosen: Chosen, wait: bool, as_json: bool, yes: bool) -> None:
    """Go to the parking place of the configuration and wait until it is there.

    \b
      arckeeper park
      arckeeper park --no-wait

    Park early: a motor is not made to hold a dish against a storm. The place is
    motion.park_slot_deg or motion.park_count_pulses.
    """
    before_the_first_move(yes=yes)
    raise SystemExit(move(chosen, "park", as_json=as_json, wait=wait))
