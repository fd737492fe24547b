"""PostgreSQL servers of the tests' own: in a temporary folder, on a free port, gone afterwards.

Nothing of the machine's own PostgreSQL is touched but its programs. A server ends with the process
that owns it, also when that is killed: a shell watches the owner and clears up.
"""

import atexit
import fcntl
import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import cache
from itertools import count
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit, urlunsplit

import psycopg

from kbapi.storage.schema import METADATA, upgrade_to_head
from tests.needs import program
from tests.processes import free_port

CHOICE: Final = "TESTS_DATABASE"
VARIABLE: Final = "KBAPI_DATABASE"
USER: Final = "kbapi"
LOCALE: Final = "C.UTF-8"
_SYSTEM_USER: Final = "postgres"
"""Debian's package makes it: PostgreSQL refuses to run as the super-user."""
_START_TIMEOUT_S: Final = 120
_ONE_CLOCK_TICK_S: Final = 1 / os.sysconf("SC_CLK_TCK")
_CLEAR_UP: Final = """
if read -r process <"$2/postmaster.pid"; then
    if [ "$(readlink "/proc/$process/cwd")" = "$2" ]; then
        kill -QUIT "$process"
        while [ "$(readlink "/proc/$process/cwd")" = "$2" ]; do sleep 0.02; done
    fi
fi 2>/dev/null
# What a killed server leaves in the kernel.
[ -e "$2/postmaster.pid" ] && ipcrm -m "$(sed -n '7s/.* //p' "$2/postmaster.pid")" 2>/dev/null
rm -rf "$1" "$2" 2>/dev/null || true
"""
_WATCH: Final = f'tail --pid="$3" -f /dev/null\n{_CLEAR_UP}'
FEW_WRITES_TO_DISK: Final = {"fsync": "off", "full_page_writes": "off"}
"""For servers whose databases need not outlive a crash of the machine."""
_NUMBERS: Final = count(1)
_STARTED: Final[list["PostgresServer"]] = []
"""Servers that outlive this process: as long as they are named, Python does not complain."""


def binary(name: str) -> str:
    """The path of one of the server's programs, which Debian keeps apart from `PATH`."""
    found = Path("/usr/lib/postgresql").glob(f"*/bin/{name}")
    newest = max(found, key=lambda path: int(path.parts[-3]), default=None)
    return program(name) if newest is None else str(newest)


class PostgresServer:
    """A server with a data folder of its own; it is stopped, killed and started again at will."""

    def __init__(
        self,
        *,
        folder: Path | None = None,
        data: Path | None = None,
        locale: str = LOCALE,
        fsync: bool = True,
        owner: int | None = None,
        copy_of: "PostgresServer | None" = None,
        **settings: str,
    ) -> None:
        self.user = _SYSTEM_USER if os.getuid() == 0 else pwd.getpwuid(os.getuid()).pw_name
        self.folder = folder or Path(tempfile.mkdtemp(prefix="kbapi-postgres-"))
        """Of the socket and the log."""
        self.data = data or self.folder / "data"
        self.log = self.folder / "log"
        self.port = free_port()
        self.settings = {
            "max_connections": "60",
            "shared_buffers": "16MB",
            "unix_socket_directories": str(self.folder),
            "listen_addresses": "127.0.0.1",
            # In the data folder: a killed server leaves nothing in /dev/shm.
            "dynamic_shared_memory_type": "mmap",
            # One call instead of one for each file, after a kill.
            "recovery_init_sync_method": "syncfs",
            **({} if fsync else FEW_WRITES_TO_DISK),
            **settings,
        }
        self._watch(owner or os.getpid())
        self._own(self.folder)
        self.data.mkdir(exist_ok=True)
        self._own(self.data)
        if copy_of is None:
            self._initialise(locale)
        else:
            self._copy(copy_of)

    def __enter__(self) -> "PostgresServer":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def url(self, database: str = "postgres", port: int | None = None) -> str:
        """Where a client finds a database, also through a proxy at another port."""
        return f"postgresql://{USER}@127.0.0.1:{port or self.port}/{database}"

    def start(self) -> None:
        """Nothing; the server accepts connections then."""
        options = [word for item in self.settings.items() for word in ("-c", "=".join(item))]
        command = [binary("postgres"), "-D", str(self.data), "-p", str(self.port), *options]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, **self._as_user()
            )
        deadline = time.monotonic() + _START_TIMEOUT_S
        while not self.is_ready():
            assert self.process.poll() is None, self.log.read_text()
            assert time.monotonic() < deadline, self.log.read_text()
            time.sleep(0.02)

    def is_ready(self) -> bool:
        """Whether it accepts connections, by what it writes in its data folder."""
        try:
            lines = (self.data / "postmaster.pid").read_text().splitlines()
        except OSError:
            return False
        own = len(lines) > 7 and int(lines[0]) == self.process.pid
        return own and lines[7].strip() in ("ready", "standby")

    def stop(self, how: signal.Signals = signal.SIGINT) -> None:
        """Nothing; SIGINT ends every session, SIGTERM waits for them, SIGQUIT ends at once."""
        self.process.send_signal(how)
        self.process.wait(timeout=_START_TIMEOUT_S)

    def kill(self) -> None:
        """kill -9 of every process at once, as a power cut would."""
        while processes := self.processes():
            for process in processes:
                _kill(process)
            self.process.poll()
            time.sleep(0.005)
        self.process.wait()

    def restart(self, how: signal.Signals = signal.SIGINT) -> None:
        """Nothing; every session has ended, and new ones are accepted."""
        self.stop(how)
        self.start()

    def processes(self) -> list[int]:
        """Every process of the server that runs now: each works in the data folder."""
        place = str(self.data.resolve())
        numbers = (entry for entry in Path("/proc").iterdir() if entry.name.isdigit())
        return [int(entry.name) for entry in numbers if _link(entry / "cwd") == place]

    def cpu_seconds(self) -> float:
        """CPU time of all its processes since the start, those that have ended included."""
        ticks = 0
        for process in self.processes():
            fields = _stat(process)
            # Of ended children, the first process sums up all.
            ticks += sum(map(int, fields[11 : 15 if process == self.process.pid else 13]))
        return ticks * _ONE_CLOCK_TICK_S

    def create_database(self, template: str = "template0", tablespace: str | None = None) -> str:
        """The URL of a new database: a copy of the template, with nothing else in it."""
        return create_database(self.url(), template, tablespace)

    def drop_database(self, url: str) -> None:
        """Nothing; the database is gone, and its sessions have ended."""
        self.execute(f"DROP DATABASE IF EXISTS {database_name(url)} WITH (FORCE)")

    def make_replica(self) -> "PostgresServer":
        """A streaming replica of this server, not yet started; the caller closes it."""
        alike = {name: of for name, of in self.settings.items() if name not in FEW_WRITES_TO_DISK}
        alike["unix_socket_directories"] = ""
        return PostgresServer(fsync=False, copy_of=self, **alike)

    def _copy(self, other: "PostgresServer") -> None:
        command = [binary("pg_basebackup"), "-D", str(self.data), "-R", "-c", "fast", "--no-sync"]
        command += ["-h", "127.0.0.1", "-p", str(other.port), "-U", USER]
        done = subprocess.run(
            command, capture_output=True, text=True, check=False, **self._as_user()
        )
        assert done.returncode == 0, done.stderr

    def create_tablespace(self, name: str, folder: Path) -> None:
        """Nothing; databases can lie in this folder, which may be a disk of its own."""
        self._own(folder)
        self.execute(f"CREATE TABLESPACE {name} LOCATION '{folder}'")

    def execute(self, statement: str) -> None:
        """Nothing; one statement ran, outside of transactions."""
        execute(self.url(), statement)

    def close(self) -> None:
        """Nothing; the server has ended and its folders are gone."""
        os.killpg(self._watcher.pid, signal.SIGKILL)
        self._watcher.wait()
        subprocess.run(["sh", "-c", _CLEAR_UP, "sh", *self._places], check=True)
        if hasattr(self, "process"):
            self.process.wait()

    def let_go(self) -> None:
        """Nothing; the processes go on after this one, until their owner ends."""
        self.process.returncode = self._watcher.returncode = 0

    @property
    def _places(self) -> Sequence[str]:
        return str(self.folder), str(self.data)

    def _watch(self, owner: int) -> None:
        # A session of its own: what ends the tests does not end it.
        command = ["sh", "-c", _WATCH, "sh", *self._places, str(owner)]
        self._watcher = subprocess.Popen(command, start_new_session=True)

    def _own(self, folder: Path) -> None:
        shutil.chown(folder, self.user)
        folder.chmod(0o700)

    def _as_user(self) -> dict[str, object]:
        if os.getuid():
            return {"start_new_session": True, "cwd": self.folder}
        entry = pwd.getpwnam(self.user)
        ids = {"user": entry.pw_uid, "group": entry.pw_gid, "extra_groups": []}
        return {"start_new_session": True, "cwd": self.folder, **ids}

    def _initialise(self, locale: str) -> None:
        if (self.data / "PG_VERSION").exists():
            return
        command = [binary("initdb"), "-D", str(self.data), "-U", USER, "-A", "trust", "-E", "UTF8"]
        command += ["--locale", locale, "--no-sync", "--no-instructions"]
        done = subprocess.run(
            command, capture_output=True, text=True, check=False, **self._as_user()
        )
        assert done.returncode == 0, done.stderr


@contextmanager
def a_postgres_server(**chosen: object) -> Iterator[PostgresServer]:
    """A running server that is gone after the block."""
    server = PostgresServer(**chosen)
    try:
        server.start()
        yield server
    finally:
        server.close()


@contextmanager
def a_pooler(url: str, folder: Path, connections: int = 4) -> Iterator[str]:
    """The URL of this database through a pooler in transaction mode with so few connections."""
    place, port = urlsplit(url), free_port()
    lines = [
        "[databases]",
        f"* = host={place.hostname} port={place.port} user={USER}",
        "[pgbouncer]",
        f"listen_addr = 127.0.0.1\nlisten_port = {port}\nunix_socket_dir =",
        f"auth_type = any\npool_mode = transaction\ndefault_pool_size = {connections}",
        # It refuses to run as the super-user, as PostgreSQL does.
        *([] if os.getuid() else [f"user = {_SYSTEM_USER}"]),
    ]
    chosen, log = folder / "pgbouncer.ini", folder / "pgbouncer.log"
    chosen.write_text("\n".join(lines) + "\n")
    found = urlunsplit(place._replace(netloc=f"{USER}@127.0.0.1:{port}"))
    with log.open("wb") as opened:
        pooler = subprocess.Popen([program("pgbouncer"), str(chosen)], stderr=opened)
    try:
        deadline = time.monotonic() + _START_TIMEOUT_S
        while not _answers(found):
            assert pooler.poll() is None, log.read_text()
            assert time.monotonic() < deadline, log.read_text()
            time.sleep(0.02)
        yield found
    finally:
        pooler.kill()
        pooler.wait()


def _answers(url: str) -> bool:
    try:
        execute(url, "SELECT 1")
    except psycopg.OperationalError:
        return False
    return True


@cache
def shared_server_url() -> str:
    """The URL of the server that all tests of this run share, started by the first that asks.

    With several test processes, it belongs to the process that started them.
    """
    owner = os.getppid() if "PYTEST_XDIST_TESTRUNUID" in os.environ else os.getpid()
    folder = Path(tempfile.gettempdir()) / f"kbapi-postgres-of-{owner}"
    folder.mkdir(mode=0o700, exist_ok=True)
    with _locked(folder):
        noted = folder / "url"
        if not noted.exists():
            server = PostgresServer(folder=folder, owner=owner, fsync=False, max_connections="200")
            server.start()
            _STARTED.append(server)
            # It outlives a process that belongs to the owner, where Python would complain.
            atexit.register(server.close if owner == os.getpid() else server.let_go)
            noted.write_text(server.url())
        return noted.read_text()


@contextmanager
def an_empty_database(template: str = "template0") -> Iterator[str]:
    """The URL of a database of its own on the shared server, which is gone after the block."""
    server = shared_server_url()
    made = create_database(server, template)
    try:
        yield made
    finally:
        execute(server, f"DROP DATABASE {database_name(made)} WITH (FORCE)")


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


def is_chosen() -> bool:
    """Whether tests of instances run on PostgreSQL: `--database postgres`, or this variable."""
    return os.environ.get(CHOICE) == "postgres"


def settings_at(home: Path) -> dict[str, str]:
    """The variables of a process whose instance is in this folder, on the chosen database."""
    return {VARIABLE: DATABASES.of(home)} if is_chosen() else {}


class _Databases:
    """Databases with the schema of today on the shared server: each is emptied and lent again."""

    def __init__(self) -> None:
        self._lent: dict[Path, str] = {}
        self._free: list[str] = []
        self._made: dict[str, tuple[object, ...]] = {}

    def of(self, home: Path) -> str:
        """The URL of the database that belongs to this folder, in which nothing is stored."""
        if home not in self._lent:
            self._lent[home] = self._free.pop() if self._free else self._create()
        return self._lent[home]

    def take_back(self, folder: Path | None) -> None:
        """Nothing; what instances below this folder had is empty again, and may be lent.

        So is what instances had whose folder is gone. A test may have changed the schema of its
        database: then that is dropped.
        """
        for home in [one for one in self._lent if folder in one.parents or not one.exists()]:
            url = self._lent.pop(home)
            with psycopg.connect(url, autocommit=True) as connection:
                connection.execute(_END_OTHER_SESSIONS)
                schema, *marks = self._made[url]
                if connection.execute(_SCHEMA).fetchone() == schema:
                    connection.execute(_empty_tables())
                    connection.cursor().executemany("INSERT INTO mark VALUES (%s, %s)", marks)
                    self._free.append(url)
                    continue
            execute(with_database(url, "postgres"), f"DROP DATABASE {database_name(url)}")

    def _create(self) -> str:
        url = create_database(shared_server_url())
        upgrade_to_head(url)
        with psycopg.connect(url) as connection:
            schema = connection.execute(_SCHEMA).fetchone()
            self._made[url] = (schema, *connection.execute("SELECT name, value FROM mark"))
        return url


DATABASES: Final = _Databases()


@cache
def _empty_tables() -> str:
    # Much less work than TRUNCATE, where a test leaves few rows.
    tables = ("mark", *(table.name for table in reversed(METADATA.sorted_tables)))
    deleted = [f"DELETE FROM {table}" for table in tables]
    return ";".join([*deleted, _BEGIN_NUMBERS_AGAIN])


_BEGIN_NUMBERS_AGAIN: Final = (
    "SELECT setval(oid::regclass, 1, false) FROM pg_class WHERE relkind = 'S'"
)
_END_OTHER_SESSIONS: Final = (
    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
    "WHERE datname = current_database() AND pid <> pg_backend_pid()"
)
# Each table, index, constraint and trigger has a number of its own; these are of tests, not of
# PostgreSQL.
_SCHEMA: Final = " UNION ALL ".join(
    f"SELECT count(*), sum(oid::bigint) FROM {catalog} WHERE oid >= 16384"
    for catalog in ("pg_class", "pg_constraint", "pg_trigger")
).join(("SELECT array_agg(found::text) FROM (", ") AS found"))


def create_database(server: str, template: str = "template0", tablespace: str | None = None) -> str:
    """The URL of a new database on the server of this URL: a copy of the template."""
    name = f"kbapi_{os.getpid()}_{next(_NUMBERS)}"
    where = f" TABLESPACE {tablespace}" if tablespace else ""
    execute(server, f"CREATE DATABASE {name} TEMPLATE {template}{where}")
    return with_database(server, name)


def with_database(url: str, name: str) -> str:
    """The URL of another database of the same server."""
    return urlunsplit(urlsplit(url)._replace(path=f"/{name}"))


def database_name(url: str) -> str:
    """The name of a database in its URL."""
    return urlsplit(url).path.removeprefix("/")


def is_sound(url: str) -> bool:
    """Whether every row and every entry of an index can be read, and they agree."""
    command = [binary("pg_amcheck"), "--install-missing", "--heapallindexed", url]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        print(done.stdout, done.stderr)
    return not done.returncode


def execute(url: str, statement: str) -> None:
    """Nothing; one statement ran in this database, outside of transactions."""
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute(statement)


def _kill(process: int) -> None:
    with suppress(ProcessLookupError):
        os.kill(process, signal.SIGKILL)


def _link(path: Path) -> str | None:
    try:
        return str(path.readlink())
    except OSError:
        return None


def _stat(process: int) -> list[str]:
    """The fields of /proc/PID/stat after the name, none of a process that has ended."""
    try:
        text = Path(f"/proc/{process}/stat").read_text()
    except OSError:
        return []
    return text.rpartition(")")[2].split()
