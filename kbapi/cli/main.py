"""`kbapi`: all commands; each calls the library or the API, and is loaded when it is used."""

from collections.abc import Mapping
from importlib import import_module
from typing import Any, Final

import click
from click.shell_completion import CompletionItem

import kbapi

COMMANDS: Final[Mapping[str, tuple[str, str]]] = {
    "demo": ("demo:demo_command", "Create an instance with invented results, and serve it."),
    "serve": ("serve:serve_command", "Serve the instance in --home over HTTP."),
    "start": ("questions:start_command", "Suggest where to start on CHIP."),
    "stability": (
        "questions:stability_command",
        "Draw the share of stable units of CHIP at each setting.",
    ),
    "locks": ("questions:locks_command", "Show which controls of CHIP are locked."),
    "next-step": (
        "next_step:next_step_command",
        "Search for the limit of this machine's CHIP, step by step.",
    ),
    "gains": ("guidance:gains_command", "Show what tuning changed on CHIP."),
    "power": ("guidance:power_command", "Suggest a power limit for CHIP."),
    "longevity": (
        "guidance:longevity_command",
        "Show how long settings of CHIP stayed stable.",
    ),
    "diagnose": (
        "guidance:diagnose_command",
        "Find out why a setting of CHIP is no longer stable.",
    ),
    "cautions": ("questions:cautions_command", "Print every caution that belongs to answers."),
    "submit": ("sending:submit_command", "Send the result in FILE, or enter it step by step."),
    "correct": ("sending:correct_command", "Replace the result ID by the document in FILE."),
    "follow-up": (
        "sending:follow_up_command",
        "Report what became of a setting of the result ID.",
    ),
    "withdraw": (
        "sending:withdraw_command",
        "Withdraw the result ID; older backups still contain it.",
    ),
    "my-submissions": (
        "sending:my_submissions_command",
        "List your results, settings in use and due re-tests.",
    ),
    "reading": ("readings:reading_commands", "Turn sensor logs into readings, or record sensors."),
    "before-after": (
        "readings:before_after_command",
        "Compare your own runs at stock and tuned; no server is needed.",
    ),
    "identify": (
        "questions:identify_command",
        "Show which chip TEXT names, or the chips of this machine.",
    ),
    "chips": ("questions:chips_commands", "List the chips that the instance knows."),
    "catalogue": ("host:catalogue_commands", "Check and explain the catalogue of chips."),
    "import": ("import_results:import_command", "Send many results from FILES."),
    "notes": (
        "curation:notes_commands",
        "Manage curated notes on chips, series and machine classes.",
    ),
    "keys": ("serve:keys_commands", "Create, list and revoke access keys."),
    "review": ("curation:review_commands", "Review excluded settings and pools, and decide."),
    "submissions": (
        "submissions:submissions_commands",
        "List all results, show one, or erase results.",
    ),
    "find-outliers": (
        "submissions:find_outliers_command",
        "Check all pools for outliers, and show what changed.",
    ),
    "backup": ("host:backup_command", "Copy the database into the folder TARGET."),
    "restore": (
        "host:restore_command",
        "Replace the database of the instance by the backup FILE.",
    ),
    "move": ("host:move_command", "Move the instance to another database."),
    "check": ("host:check_command", "Check the database, secret, evidence, disk and clock."),
    "db": ("host:database_commands", "Create or upgrade the database of an instance."),
}
"""Module and name of each command, and its first line of help: the list of commands loads none."""


class LoadedWhenUsed(click.Group):
    """A group that imports the module of a command when the command is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The names in the order of the table."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of this name, None if there is none."""
        if cmd_name not in COMMANDS:
            return None
        module, _, name = COMMANDS[cmd_name][0].partition(":")
        command: Any = getattr(import_module(f"kbapi.cli.{module}"), name)
        return command if isinstance(command, click.Command) else None

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        """The commands and options that begin so; none is loaded for its help."""
        found = [
            CompletionItem(name, help=text)
            for name, (_, text) in COMMANDS.items()
            if name.startswith(incomplete)
        ]
        return found + click.Command.shell_complete(self, ctx, incomplete)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list of commands with whole lines of help."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


@click.group(
    cls=LoadedWhenUsed,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80},
)
@click.version_option(kbapi.__version__, prog_name="kbapi")
def main() -> None:
    """A knowledge base of voltage tuning (undervolting) results.

    Ask where to start on a chip, send results, and look after an instance.
    Every number comes from user reports and is no promise for one machine.
    Save your work and back up before you change anything.
    """
