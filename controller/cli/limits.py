"""`limits`: find both ends of the travel, with a person at the dish."""

import click

from controller.cli.calling import called
from controller.cli.caution import agree, ask
from controller.cli.exits import DONE, REFUSED
from controller.cli.following import Show, follow, halt_and_wait, show_for
from controller.cli.place import Chosen, as_json_option, choosing
from controller.cli.wording import status_lines
from controller.edge.caller import Caller
from controller.errors import CommandRefused

TRIAL_PULSES = 5


@click.command("limits")
@choosing
@click.option("--yes", is_flag=True, help="Ask nothing and search at once, for scripts.")
@as_json_option
def limits_command(chosen: Chosen, yes: bool, as_json: bool) -> None:
    """Find both ends of the travel; the east one becomes count 0.

    \b
      arckeeper limits
      arckeeper limits --yes          asks nothing

    First it moves the dish a few pulses each way and asks whether it went the right
    way, unless the ends were found before. Then the dish runs to its east end and to
    its west end, where the actuator's own end switches stop it. Watch it all the way;
    Ctrl-C halts it.
    """
    with called(chosen) as caller:
        agree("Does somebody watch the dish, and may it move to both ends?", yes=yes)
        show = show_for(as_json=as_json)
        try:
            code = DONE if yes or _known(caller) else _try_both_ways(caller, show)
            code = code or follow(caller, "limits", show)
        except KeyboardInterrupt:
            code = halt_and_wait(caller, show)
        finally:
            show.close()
        if not as_json:
            click.echo("\n".join(status_lines(caller.status())))
    raise SystemExit(code)


def _known(caller: Caller) -> bool:
    return caller.status()["west_limit_pulses"] is not None


def _try_both_ways(caller: Caller, show: Show) -> int:
    """Nudge to each side and ask what the dish did; raise `CommandRefused` for a wrong answer."""
    ask(f"First a trial: {TRIAL_PULSES} pulses toward west, a hand's breadth of rod. Ready?")
    for sign, side in ((1, "west"), (-1, "east")):
        code = follow(caller, {"do": "nudge", "step_pulses": sign * TRIAL_PULSES}, show)
        if code != DONE:
            return REFUSED
        if not click.confirm(f"Did the dish move a little, toward {side}?", err=True):
            raise CommandRefused(
                f"then do not search: if it went the other way, exchange the two relay lines in "
                f"the configuration (or the motor's two wires); if it did not move toward {side} "
                f"at all, look at the motor's supply, the relays and the wiring"
            )
    return DONE
