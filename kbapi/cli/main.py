"""`kbapi`: the commands, each a thin door to what the library does."""

import click

import kbapi
from kbapi.cli.asking import start_command, submit_command
from kbapi.cli.chips import chips_commands, identify_command
from kbapi.cli.database import database_commands
from kbapi.cli.demo import demo_command
from kbapi.cli.serving import serve_command


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80})
@click.version_option(kbapi.__version__, prog_name="kbapi")
def main() -> None:
    """A knowledge base of voltage-tuning results: where to begin, and how sure.

    Every number here stands on what people report and is no promise for one
    machine. Save your work and back up before you change anything.
    """


main.add_command(demo_command)
main.add_command(serve_command)
main.add_command(start_command)
main.add_command(submit_command)
main.add_command(identify_command)
main.add_command(chips_commands)
main.add_command(database_commands)
