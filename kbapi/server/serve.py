"""The instance behind gunicorn, safe by default."""

import gc
import logging
import os
import resource
import signal
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from flask import Flask
from gunicorn.app.base import BaseApplication
from gunicorn.arbiter import Arbiter
from gunicorn.glogging import Logger

from kbapi.errors import KbapiError, UnsafeSetup
from kbapi.instance.file_locks import acquire_server_lock, acquire_shared_lock, hold_as_only_process
from kbapi.instance.instance import open_instance
from kbapi.logs import JsonLines, log_as_json
from kbapi.metrics.folder import keep_counts_of, share_between_processes
from kbapi.server.worker import HELD_BACK, HeadReadingWorker
from kbapi.settings import Settings
from kbapi.storage.sqlite.engine import (
    in_dots,
    is_wal_reset_affected,
    library_version,
    needs_one_process,
)
from kbapi.storage.sqlite.rate_counts import renew_rate_file

MOST_CONNECTIONS: Final = 1_000
_OF_A_WORKER: Final = 128
_OF_A_THREAD: Final = 4
"""A connection to the database by each of two ways, each with the file and its log."""


def files_wanted(threads: int) -> int:
    """How many files a worker with so many threads and as many connections as it takes opens.

    >>> files_wanted(64)
    1384
    """
    return _OF_A_WORKER + _OF_A_THREAD * threads + MOST_CONNECTIONS


def room_for_connections(threads: int) -> int:
    """How many connections a worker takes, so that files are left for what it answers from.

    This process, and what it forks, may have as many open from now on as that needs, as far as it
    is allowed to.

    Raises
    ------
    UnsafeSetup
        When that is not even one for each thread, and one more that waits.
    """
    wanted = files_wanted(threads)
    allowed, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    if 0 <= allowed < wanted:
        raised = wanted if most == resource.RLIM_INFINITY else min(wanted, most)
        with suppress(ValueError, OSError):
            resource.setrlimit(resource.RLIMIT_NOFILE, (raised, most))
        allowed, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    room = MOST_CONNECTIONS if allowed < 0 else MOST_CONNECTIONS - max(0, wanted - allowed)
    if room <= threads:
        raise UnsafeSetup(
            f"A process may open only {allowed} files here, too few for {threads} threads. Raise "
            f"the limit (ulimit -n, LimitNOFILE=) to {wanted}, or use fewer --threads."
        )
    return room


GRACE_S: Final = 30
"""How long workers may take to answer what they accepted: above the longest transaction."""

_ONE_PROCESS: Final = (
    "SQLite {} can damage a database that two processes use, so one process serves. Until it "
    "stops, only 'kbapi backup', 'kbapi check' and commands with --to work on this folder."
)


def require_safe_library(workers: int, version: tuple[int, int, int]) -> None:
    """Nothing, unless several processes would write with a SQLite that can corrupt the file.

    Raises
    ------
    UnsafeSetup
        Saying which version is needed.
    """
    if workers > 1 and is_wal_reset_affected(version):
        raise UnsafeSetup(
            f"SQLite {in_dots(version)} can corrupt a database that several processes "
            "write. Install 3.51.3 or newer, or use --workers 1."
        )


def usual_workers() -> int:
    """How many processes serve where none are asked for."""
    return 1 if needs_one_process() else 2


def one_process_notice() -> str | None:
    """What to tell the host where SQLite allows one process, None where it allows several."""
    return _ONE_PROCESS.format(in_dots(library_version())) if needs_one_process() else None


def serve(settings: Settings, host: str, port: int, workers: int, threads: int) -> None:
    """Serve until a signal ends it; what was accepted by then is answered first.

    On SIGHUP new workers open the instance anew and the old ones end when they have answered;
    they load the same program, for which only a restart brings in another.

    Raises
    ------
    InstanceInUse
        When another server serves the folder; nothing was touched.
    UnsafeSetup
        When a process may not have enough files open for so many threads.
    """
    connections = room_for_connections(threads)
    # Loaded before workers are forked, so that a reload takes them no time; opened in each of them.
    from kbapi.wsgi import application

    # Workers' garbage collectors leave it alone: touching it would give each a copy of 30 MiB.
    gc.freeze()

    settings = settings.model_copy(update={"home": settings.home.resolve()})
    log_as_json(settings.log_level)
    # Held by this process and all that it forks: no second server empties what these count in...
    hold = hold_as_only_process if needs_one_process() else acquire_server_lock
    _ = hold(settings.home)
    # ...and no database is put in place between two of them.
    _ = acquire_shared_lock(settings.use_lock_path)
    # Workers read their settings from the environment, as any other WSGI server's would.
    os.environ["KBAPI_HOME"] = str(settings.home)
    share_between_processes(settings.home / "metrics")
    renew_rate_file(settings.rates_path)
    shared_memory = Path("/dev/shm")  # noqa: S108 - a worker's heartbeat file, no data
    _Server(
        application,
        {
            "bind": f"{host}:{port}",
            "workers": workers,
            "threads": threads,
            "worker_connections": connections,
            "worker_class": HeadReadingWorker,
            "worker_tmp_dir": str(shared_memory) if shared_memory.is_dir() else None,
            "graceful_timeout": GRACE_S,
            "timeout": 60,
            "keepalive": 5,
            "sendfile": False,  # the kernel knows no deadline of a whole answer
            "limit_request_line": 8190,
            "limit_request_fields": 64,
            "limit_request_field_size": 4094,
            # No header names another folder or scheme: who stands in front is told by a setting.
            "forwarded_allow_ips": "",
            "logger_class": _AddresslessLog,
            "accesslog": None,
            "control_socket_disable": True,  # nobody asked for a second door
            "proc_name": "kbapi",
            "child_exit": lambda _arbiter, worker: keep_counts_of(worker.pid),
        },
    ).run()


class _Server(BaseApplication):
    """gunicorn with its options given, none of them read from files or the command line."""

    def __init__(self, application: Callable[[], Flask], options: dict[str, Any]) -> None:
        self.application = application
        self.options = options
        super().__init__()

    def load_config(self) -> None:
        for name, value in self.options.items():
            self.cfg.set(name, value)

    def run(self) -> None:
        _CarefulArbiter(self).run()

    def load(self) -> Any:
        return self.application()


class _CarefulArbiter(Arbiter):
    """gunicorn's master, which reloads only into what can be opened."""

    def reload(self) -> None:
        """Exchange the workers; where new ones could not begin, the old ones go on."""
        try:
            open_instance(Settings()).close()
        except KbapiError as error:
            self.log.error("reload failed, the workers stay: %s", error.detail)
            return
        if needs_one_process():
            # gunicorn begins a new worker when the old one has ended; connections wait for it.
            self.kill_workers(signal.SIGTERM)
        else:
            super().reload()

    def handle_ttin(self) -> None:
        """Begin one more worker, unless SQLite allows only one."""
        if needs_one_process():
            self.log.error("no worker was added: this SQLite allows one process")
        else:
            super().handle_ttin()

    def spawn_worker(self) -> Any:
        """The process id of a new worker, which a request to end reaches however soon it comes.

        Between the fork and its own handlers a worker would put the signal where its parent does,
        and nobody looks there: the server would wait for it as long as for a long answer.
        """
        signal.pthread_sigmask(signal.SIG_BLOCK, HELD_BACK)
        try:
            return super().spawn_worker()
        finally:
            signal.pthread_sigmask(signal.SIG_UNBLOCK, HELD_BACK)


class _AddresslessLog(Logger):
    """gunicorn's own log lines, without the addresses and paths that it writes into them."""

    def setup(self, cfg: Any) -> None:
        super().setup(cfg)
        for handler in self.error_log.handlers:
            handler.setFormatter(_WithoutRequests())


class _WithoutRequests(JsonLines):
    """Lines of a server that tell of its own life, and of requests only that they failed."""

    def format(self, record: logging.LogRecord) -> str:
        told = str(record.msg)
        if told.startswith("Error handling request"):
            record.msg, record.args = "Error handling request", ()
        elif " from ip=" in told:
            record.msg, record.args = told.partition(" from ip=")[0], ()
        # What an error says, or where it came from, may hold what somebody sent.
        record.exc_info = None
        return super().format(record)
