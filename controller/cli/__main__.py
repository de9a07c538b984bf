"""Run the command line as `python -m controller.cli`."""

from controller.cli.group import main

main(prog_name="arckeeper")
