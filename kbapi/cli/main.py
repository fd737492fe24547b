"""`kbapi`: all commands; each calls the library or the API."""

import click

import kbapi
from kbapi.cli.curation import notes_commands, review_commands
from kbapi.cli.demo import demo_command
from kbapi.cli.guidance import (
    diagnose_command,
    gains_command,
    longevity_command,
    power_command,
)
from kbapi.cli.host import (
    backup_command,
    catalogue_commands,
    check_command,
    database_commands,
    keys_commands,
    restore_command,
)
from kbapi.cli.import_results import find_outliers_command, import_command
from kbapi.cli.next_step import next_step_command
from kbapi.cli.questions import (
    cautions_command,
    chips_commands,
    identify_command,
    locks_command,
    stability_command,
    start_command,
)
from kbapi.cli.readings import before_after_command, reading_commands
from kbapi.cli.sending import (
    correct_command,
    follow_up_command,
    my_submissions_command,
    submit_command,
    withdraw_command,
)
from kbapi.cli.serve import serve_command
from kbapi.cli.submissions import submissions_commands


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80})
@click.version_option(kbapi.__version__, prog_name="kbapi")
def main() -> None:
    """A knowledge base of voltage tuning (undervolting) results.

    Ask where to start on a chip, send results, and look after an instance.
    Every number comes from user reports and is no promise for one machine.
    Save your work and back up before you change anything.
    """


for command in (
    demo_command,
    serve_command,
    start_command,
    stability_command,
    locks_command,
    next_step_command,
    gains_command,
    power_command,
    longevity_command,
    diagnose_command,
    cautions_command,
    reading_commands,
    before_after_command,
    submit_command,
    correct_command,
    follow_up_command,
    withdraw_command,
    my_submissions_command,
    identify_command,
    chips_commands,
    catalogue_commands,
    import_command,
    notes_commands,
    keys_commands,
    review_commands,
    submissions_commands,
    find_outliers_command,
    backup_command,
    restore_command,
    check_command,
    database_commands,
):
    main.add_command(command)
