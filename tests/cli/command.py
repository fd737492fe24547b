"""`kbapi` in a forked process, which does not load the package again.

What a person types goes through the installed command in other tests; here there are many.
"""

import os
import sys
import tempfile
from multiprocessing import get_context
from pathlib import Path
from subprocess import CompletedProcess

import click

from kbapi.cli.main import COMMANDS

_FORKED = get_context("forkserver")
_MODULES = {f"kbapi.cli.{place.partition(':')[0]}" for place, _ in COMMANDS.values()}
_FORKED.set_forkserver_preload([*sorted(_MODULES), "kbapi.app"])
_EXIT_TIMEOUT_S = 120


def commands_of(group: click.Group) -> dict[str, click.Command]:
    """The commands of a group by name, loaded."""
    context = click.Context(group)
    found = {name: group.get_command(context, name) for name in group.list_commands(context)}
    return {name: command for name, command in found.items() if command is not None}


def run(*arguments: str, stdin: str = "") -> CompletedProcess[str]:
    """The output and exit status of `kbapi` with these arguments."""
    with tempfile.TemporaryDirectory() as folder:
        streams = [Path(folder) / name for name in ("in", "out", "err")]
        streams[0].write_text(stdin, "utf-8")
        process = _FORKED.Process(
            target=_leave_as_kbapi, args=(arguments, streams, dict(os.environ), Path.cwd())
        )
        process.start()
        process.join(_EXIT_TIMEOUT_S)
        process.kill()
        assert process.exitcode is not None, f"kbapi {' '.join(arguments)} did not end"
        output, errors = (stream.read_text("utf-8") for stream in streams[1:])
        return CompletedProcess(["kbapi", *arguments], process.exitcode, output, errors)


def _leave_as_kbapi(
    arguments: tuple[str, ...], streams: list[Path], environment: dict[str, str], folder: Path
) -> None:
    for number, path in enumerate(streams):
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT)
        os.dup2(descriptor, number)
        os.close(descriptor)
    sys.stdin, sys.stdout, sys.stderr = (
        open(number, mode, encoding="utf-8", closefd=False)  # noqa: SIM115 - as long as it lives
        for number, mode in enumerate("rww")
    )
    os.environ.clear()
    os.environ.update(environment)
    os.chdir(folder)
    sys.argv = ["kbapi", *arguments]
    from kbapi.cli.main import main

    main()
