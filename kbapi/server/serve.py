"""`kbapi serve`: an instance behind gunicorn, with safe options."""

import gc
import logging
import os
import resource
import signal
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any, Final

from flask import Flask
from gunicorn.app.base import BaseApplication
from gunicorn.arbiter import Arbiter
from gunicorn.glogging import Logger

from kbapi.access.limits import body_memory_mib, memory_limit
from kbapi.bounds import MOST_CONNECTIONS
from kbapi.errors import KbapiError, UnsafeSetup
from kbapi.instance.file_locks import acquire_server_lock, acquire_shared_lock, hold_as_only_process
from kbapi.instance.instance import is_one_process, open_instance
from kbapi.instance.write_gate import share_health
from kbapi.logs import JsonLines, log_as_json
from kbapi.metrics.folder import add_counts_of_ended, share_between_processes
from kbapi.server.worker import BLOCKED_AT_FORK, CUT_OFF, HeadReadingWorker
from kbapi.settings import SECRET_VARIABLE, Settings
from kbapi.storage.sqlite.engine import (
    in_dots,
    is_wal_reset_affected,
    library_version,
)
from kbapi.storage.sqlite.rate_counts import renew_rate_file

_FILES_OF_A_WORKER: Final = 128
_FILES_OF_A_THREAD: Final = 4
"""Two connections to the database, each with the file and its log."""


def files_needed(threads: int) -> int:
    """The number of open files of a worker with so many threads and all its connections.

    >>> files_needed(64)
    1384
    """
    return _FILES_OF_A_WORKER + _FILES_OF_A_THREAD * threads + MOST_CONNECTIONS


def connection_limit(threads: int) -> int:
    """The number of connections that a worker accepts, so that its other files can be opened.

    Raises the limit of open files of this process and its forks as far as needed and allowed.

    Raises
    ------
    UnsafeSetup
        When not every thread could have a connection, with one more connection waiting.
    """
    wanted = files_needed(threads)
    allowed, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    if 0 <= allowed < wanted:
        raised = wanted if most == resource.RLIM_INFINITY else min(wanted, most)
        with suppress(ValueError, OSError):
            resource.setrlimit(resource.RLIMIT_NOFILE, (raised, most))
        allowed, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    limit = MOST_CONNECTIONS if allowed < 0 else MOST_CONNECTIONS - max(0, wanted - allowed)
    if limit <= threads:
        raise UnsafeSetup(
            f"A process may open only {allowed} files here, too few for {threads} threads. Raise "
            f"the limit (ulimit -n, LimitNOFILE=) to {wanted}, or use fewer --threads."
        )
    return limit


GRACE_S: Final = 30
"""The time for workers to answer accepted requests: longer than the longest transaction."""

_CUT_OFF_STATUS: Final = 3
"""The exit status of commands that could not do what they should."""

_ONE_PROCESS: Final = (
    "SQLite {} can damage a database that two processes use, so one process serves. Until it "
    "stops, only 'kbapi backup', 'kbapi check' and commands with --to work on this folder."
)


def require_safe_library(workers: int, version: tuple[int, int, int]) -> None:
    """Raise if several processes would write with a SQLite that can corrupt the file.

    Raises
    ------
    UnsafeSetup
        With the version that is needed.
    """
    if workers > 1 and is_wal_reset_affected(version):
        raise UnsafeSetup(
            f"SQLite {in_dots(version)} can corrupt a database that several processes "
            "write. Install 3.51.3 or newer, or use --workers 1."
        )


def default_workers(settings: Settings) -> int:
    """The default number of worker processes."""
    return 1 if is_one_process(settings) else 2


def one_process_notice(settings: Settings) -> str | None:
    """A notice for the host if SQLite allows only one process, None otherwise."""
    if not is_one_process(settings):
        return None
    return _ONE_PROCESS.format(in_dots(library_version()))


def serve(settings: Settings, host: str, port: int, workers: int, threads: int) -> None:
    """Serve until a signal; accepted requests are answered first.

    On SIGHUP new workers open the instance again, and the old ones end after their last answer.
    They run the same program: a new version needs a restart.

    Raises
    ------
    InstanceInUse
        When another server serves the folder; nothing was changed.
    UnsafeSetup
        When the limit of open files is too low for so many threads.
    """
    connections = connection_limit(threads)
    # Loaded before workers are forked, so that a reload takes them no time; opened in each of them.
    from kbapi.wsgi import application

    # The garbage collectors of workers skip these objects: a visit would copy 30 MiB in each.
    gc.freeze()

    settings = settings.model_copy(update={"home": settings.home.resolve()})
    log_as_json(settings.log_level)
    _hold_folder(settings)
    _forget_secret_variable()
    settings = settings.model_copy(
        update={
            "address": settings.address or link_to(host, port),
            "body_memory_mib": body_memory_mib(settings, workers, memory_limit()),
        }
    )
    share_between_processes(settings.home / "metrics")
    share_health(settings.home)
    renew_rate_file(settings.rates_path)
    options = _OPTIONS | {
        "bind": address_of(host, port),
        "workers": workers,
        "threads": threads,
        "worker_connections": connections,
    }
    _Server(settings, partial(application, settings), options).run()


def _forget_secret_variable() -> None:
    """Remove the secret from the environment: workers have it in memory, other programs not."""
    for name in [one for one in os.environ if one.upper() == SECRET_VARIABLE]:
        del os.environ[name]


def address_of(host: str, port: int) -> str:
    """The address to listen on, with brackets around an IPv6 address.

    Without brackets the port would be read as the end of the address.

    >>> address_of("127.0.0.1", 8080), address_of("::1", 8080), address_of("[::]", 80)
    ('127.0.0.1:8080', '[::1]:8080', '[::]:80')
    """
    return f"[{host}]:{port}" if ":" in host and not host.startswith("[") else f"{host}:{port}"


def link_to(host: str, port: int) -> str:
    """The web address of a server; empty if it listens on every address or on any free port.

    >>> link_to("127.0.0.1", 8080), link_to("::1", 80), link_to("0.0.0.0", 80), link_to("::", 80)
    ('http://127.0.0.1:8080', 'http://[::1]:80', '', '')
    """
    is_every = host.strip("[]") in ("", "0.0.0.0", "::")  # noqa: S104 - not listened on here
    return "" if is_every or not port else f"http://{address_of(host, port).lower()}"


def _hold_folder(settings: Settings) -> None:
    """Lock the folder for this process and all its forks until they end."""
    # No second server may empty the files in which these processes count.
    hold = hold_as_only_process if is_one_process(settings) else acquire_server_lock
    _ = hold(settings.home)
    # No restore may replace the database between two workers.
    _ = acquire_shared_lock(settings.use_lock_path)


class _Server(BaseApplication):
    """gunicorn with these options; files and the command line are not read."""

    def __init__(
        self, settings: Settings, application: Callable[[], Flask], options: dict[str, Any]
    ) -> None:
        self.settings = settings
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
    """gunicorn's master, which reloads only if the instance can be opened.

    It ends with a status of its own if requests were cut off.
    """

    def halt(self, reason: str | None = None, exit_status: int = 0) -> None:
        """End the workers, then this process.

        Raises
        ------
        SystemExit
            With the status 3 if requests were cut off.
        """
        try:
            super().halt(reason, exit_status)
        except SystemExit as end:
            raise SystemExit(end.code or (_CUT_OFF_STATUS if CUT_OFF[0] else 0)) from None

    def kill_workers(self, sig: int) -> None:
        """Send a signal to all workers; log how many have to be killed."""
        if sig == signal.SIGKILL and self.WORKERS:
            self.log.error("requests_cut_off: %s workers did not end in time", len(self.WORKERS))
            CUT_OFF[0] = 1
        super().kill_workers(sig)

    def reload(self) -> None:
        """Replace the workers; keep the old ones if new ones could not start."""
        try:
            open_instance(self.app.settings).close()
            share_health(self.app.settings.home)
        except KbapiError as error:
            self.log.error("reload failed, the workers stay: %s", error.detail)
            return
        if is_one_process(self.app.settings):
            # gunicorn starts a new worker when the old one has ended; connections wait for it.
            self.kill_workers(signal.SIGTERM)
        else:
            super().reload()

    def handle_ttin(self) -> None:
        """Start one more worker, unless SQLite allows only one."""
        if is_one_process(self.app.settings):
            self.log.error("no worker was added: this SQLite allows one process")
        else:
            super().handle_ttin()

    def spawn_worker(self) -> Any:
        """The process id of a new worker, which receives SIGTERM at any time after the fork.

        Before its own handlers are installed, a worker would pass the signal to the handler of its
        parent, where it is lost: the server would wait for the worker until the timeout.
        """
        signal.pthread_sigmask(signal.SIG_BLOCK, BLOCKED_AT_FORK)
        try:
            return super().spawn_worker()
        finally:
            signal.pthread_sigmask(signal.SIG_UNBLOCK, BLOCKED_AT_FORK)


class _AddresslessLog(Logger):
    """gunicorn's log lines, without addresses and paths."""

    def setup(self, cfg: Any) -> None:
        super().setup(cfg)
        for handler in self.error_log.handlers:
            handler.setFormatter(_WithoutRequests())


class _WithoutRequests(JsonLines):
    """Log lines about the server; of a failed request only the failure."""

    def format(self, record: logging.LogRecord) -> str:
        message = str(record.msg)
        if message.startswith("Error handling request"):
            record.msg, record.args = "Error handling request", ()
        elif " from ip=" in message:
            record.msg, record.args = message.partition(" from ip=")[0], ()
        # The text of an error and its traceback may contain data from a request.
        record.exc_info = None
        return super().format(record)


_SHARED_MEMORY: Final = Path("/dev/shm")  # noqa: S108 - a worker's heartbeat file, no data
_OPTIONS: Final[dict[str, Any]] = {
    "worker_class": HeadReadingWorker,
    "worker_tmp_dir": str(_SHARED_MEMORY) if _SHARED_MEMORY.is_dir() else None,
    "graceful_timeout": GRACE_S,
    "timeout": 60,
    "keepalive": 5,
    "sendfile": False,  # the kernel has no deadline for a whole answer
    "limit_request_line": 8190,
    "limit_request_fields": 64,
    "limit_request_field_size": 4094,
    # No header may change folder or scheme: a setting names the trusted proxies.
    "forwarded_allow_ips": "",
    "logger_class": _AddresslessLog,
    "accesslog": None,
    "control_socket_disable": True,  # unused, so not opened
    "proc_name": "kbapi",
    "child_exit": lambda _arbiter, worker: add_counts_of_ended(worker.pid),
}
"""The options of gunicorn that are the same for every server."""
