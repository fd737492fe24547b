"""The settings of a host, each a variable `KBAPI_<NAME>`, and the paths of an instance."""

import os
import re
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Any, Final, Literal

from pydantic import Field, SecretStr, ValidationInfo, field_validator, model_validator
from pydantic_settings import BaseSettings, NoDecode, SettingsConfigDict

Join = Literal["open", "invite", "closed"]
ANY_ORIGIN: Final = "*"
"""In place of a list of origins: all web pages."""
_ORIGIN: Final = re.compile(r"https?://[a-z0-9.-]+(:[0-9]{1,5})?")
_PREFIX: Final = "KBAPI_"
_SERVICE_VARIABLE: Final = re.compile(
    rf"{_PREFIX}(SERVICE_HOST|SERVICE_PORT(_[A-Z0-9_]+)?|PORT_[0-9]+_(TCP|UDP)(_[A-Z]+)?)"
)
_SECRET: Final = re.compile("[0-9a-fA-F]{64}")
SECRET_VARIABLE: Final = f"{_PREFIX}SECRET"
COMMAND_VARIABLES: Final = ("to", "key", "contributor_token", "sender")
"""Variables that only commands read; they are no settings of an instance."""


class Settings(BaseSettings):
    """The settings of one instance, read once at start and never changed.

    An unknown variable with the prefix is refused: a mistyped one could leave an instance open
    that the host meant to close.
    """

    model_config = SettingsConfigDict(
        env_prefix=_PREFIX, frozen=True, extra="forbid", hide_input_in_errors=True
    )

    home: Path = Field(
        default=Path("kbapi-home"),
        description="Folder of the instance. It contains `kbapi.sqlite3` (with `-wal` and `-shm` "
        "beside it in use), `secret.key`, `use.lock`, `write.lock`, `move.lock`, "
        "`rates.sqlite3`, and `metrics/`.",
    )
    secret: SecretStr | None = Field(
        default=None,
        description="The secret of the instance, 64 hex digits, where an orchestrator sets it. A "
        "file is safer: programs that show variables show this one.",
    )
    secret_file: Path | None = Field(
        default=None,
        description="File with the secret, where an orchestrator mounts it. Without both settings "
        "the secret is `secret.key` in the folder.",
    )
    database: str = Field(
        default="",
        repr=False,  # it may hold a password
        pattern=r"^(postgres(ql)?://.+)?$",
        description="Where results are stored: empty for the file `kbapi.sqlite3` of the folder, "
        "or a `postgresql://` URL (needs `kbapi[postgres]`).",
    )
    database_pooler: bool = Field(
        default=False,
        description="Whether connections go through a pooler in transaction mode. If so, the "
        "program prepares no statement.",
    )
    database_replica: str = Field(
        default="",
        pattern=r"^(postgres(ql)?://.+)?$",
        description="A read replica of PostgreSQL (`postgresql://` URL). Answers are computed from "
        "it while it has all that was stored.",
    )
    name: str = Field(
        default="kbapi",
        min_length=1,
        max_length=60,
        pattern=r"^[^\x00-\x1f\x7f]+$",
        description="Name of the instance, as pages and pictures show it.",
    )
    address: str = Field(
        default="",
        pattern=r"^(https?://([a-z0-9.-]+|\[[0-9a-f:]+\])(:[0-9]{1,5})?)?$",
        description="Public address, such as `https://club.example`, for links that members share "
        "and for pictures. Unless it is set, `kbapi serve` takes the address that it listens on.",
    )
    max_body_bytes: int = Field(
        default=1_048_576,
        ge=1_024,
        description="Largest request body in bytes. The server answers larger ones with 413.",
    )
    max_batch_bytes: int = Field(
        default=16_777_216,
        ge=1_024,
        description="Largest body of a batch in bytes. The server answers larger ones with 413.",
    )
    body_memory_mib: int = Field(
        default=0,
        ge=0,
        description="Memory in MiB that bodies above 32 KiB may take at once in each worker. More "
        "get 503. With 0, the workers share half of what the container's limit leaves beside "
        "256 MiB; without a limit, 256 MiB.",
    )
    read_only: bool = Field(
        default=False,
        description="Whether the instance is read-only. Results get 503, and questions are still "
        "answered.",
    )
    min_free_bytes: int = Field(
        default=67_108_864,
        ge=0,
        description="Bytes to keep free on the disk. With less, the instance accepts only "
        "withdrawals.",
    )
    join: Join = Field(
        default="open",
        description="Who needs an access key. `open`: no one; `invite`: senders; `closed`: "
        "senders and readers.",
    )
    rate_per_key: int = Field(
        default=600, ge=1, description="Requests per minute with one access key. More get 429."
    )
    rate_per_network: int = Field(
        default=300,
        ge=1,
        description="Requests per minute from one network (IPv4 /24, IPv6 /56) without an access "
        "key. More get 429.",
    )
    cpu_ms_per_key: int = Field(
        default=40_000,
        ge=1,
        description="Milliseconds of CPU time per minute for the requests with one access key. "
        "More get 429.",
    )
    cpu_ms_per_network: int = Field(
        default=20_000,
        ge=1,
        description="Milliseconds of CPU time per minute for the requests of one network without "
        "an access key. More get 429.",
    )
    rate_storage: str = Field(
        default="",
        pattern=r"^((redis|rediss|redis\+unix)://.+)?$",
        description="Where requests are counted: empty for a file of the instance, or a "
        "`redis://` URL for several hosts (needs `kbapi[redis]`).",
    )
    trusted_proxies: int = Field(
        default=0,
        ge=0,
        le=10,
        description="Number of your own reverse proxies that add to X-Forwarded-For. With 0 the "
        "server ignores this header.",
    )
    cors_origins: Annotated[tuple[str, ...] | None, NoDecode] = Field(
        default=None,
        description="Origins of web pages that may send requests from a browser, separated by "
        "commas; `*` for all pages, empty for none. Without the setting: all pages where "
        "`KBAPI_JOIN` is `open`, otherwise none.",
    )
    sqlite_module: Literal["automatic", "standard"] = Field(
        default="automatic",
        description="Which module opens SQLite. `automatic`: `pysqlite3` if it is installed; "
        "`standard`: the `sqlite3` of Python, with the SQLite of the system.",
    )
    log_level: str = Field(
        default="INFO",
        pattern="^(DEBUG|INFO|WARNING|ERROR)$",
        description="Lowest level of log lines on standard error: `DEBUG`, `INFO`, `WARNING` or "
        "`ERROR`.",
    )

    @model_validator(mode="before")
    @classmethod
    def _add_unknown(cls, values: dict[str, Any]) -> dict[str, Any]:
        # As fields that do not exist, they are reported together with all other problems.
        ours = [name for name, value in os.environ.items() if not _is_of_a_service(name, value)]
        return dict.fromkeys(sorted(_unknown(ours, cls.model_fields))) | values

    @field_validator("secret")
    @classmethod
    def _has_digits(cls, secret: SecretStr | None) -> SecretStr | None:
        if secret is not None and not _SECRET.fullmatch(secret.get_secret_value()):
            raise ValueError("write 64 hex digits")
        return secret

    @field_validator("secret_file", mode="before")
    @classmethod
    def _is_only_secret(cls, file: object, info: ValidationInfo) -> object:
        if file == "":
            raise ValueError("name a file")
        if file is not None and info.data.get("secret") is not None:
            raise ValueError(f"set either it or {SECRET_VARIABLE}")
        return file

    @field_validator("cors_origins", mode="before")
    @classmethod
    def _split(cls, value: object) -> object:
        if not isinstance(value, str):
            return value
        return [one.strip() for one in value.split(",")] if value.strip() else []

    @field_validator("cors_origins")
    @classmethod
    def _are_origins(cls, origins: tuple[str, ...] | None) -> tuple[str, ...] | None:
        for origin in origins or ():
            if not _ORIGIN.fullmatch(origin) and origins != (ANY_ORIGIN,):
                raise ValueError(
                    "write an origin as https://club.example, without a path, or * alone"
                )
        return origins

    @property
    def allowed_origins(self) -> tuple[str, ...]:
        """The origins of web pages that may send requests; `*` means all."""
        if self.cors_origins is not None:
            return self.cors_origins
        return (ANY_ORIGIN,) if self.join == "open" else ()

    @property
    def database_path(self) -> Path:
        """The SQLite file."""
        return self.home / "kbapi.sqlite3"

    @property
    def database_at(self) -> Path | str:
        """The SQLite file, or the URL of the database on a server."""
        return self.database or self.database_path

    @property
    def secret_path(self) -> Path:
        """The file of the secret that keys every hash; back it up apart from the database.

        It is not used where the secret is given from outside the folder.
        """
        return self.home / "secret.key"

    @property
    def has_given_secret(self) -> bool:
        """Whether a variable or a mounted file gives the secret, so that none is created."""
        return self.secret is not None or self.secret_file is not None

    @property
    def catalogue_path(self) -> Path:
        """The folder with the host's own files about chips; they overrule the bundled ones."""
        return self.home / "catalogue"

    @property
    def write_lock_path(self) -> Path:
        """The lock file on which writers queue."""
        return self.home / "write.lock"

    @property
    def use_lock_path(self) -> Path:
        """The lock file that every process with the open instance holds."""
        return self.home / "use.lock"

    @property
    def move_lock_path(self) -> Path:
        """The lock file that a move out of the SQLite file holds, with text after the move."""
        return self.home / "move.lock"

    @property
    def rates_path(self) -> Path:
        """The file with the request counts of the last minute; a new server empties it."""
        return self.home / "rates.sqlite3"


def _is_of_a_service(name: str, value: str) -> bool:
    """Whether an orchestrator set this variable for a service that is called kbapi."""
    is_address = name == f"{_PREFIX}PORT" and "://" in value
    return is_address or _SERVICE_VARIABLE.fullmatch(name) is not None


def _unknown(variables: Iterable[str], fields: Iterable[str]) -> set[str]:
    ours = {name.lower() for name in variables if name.upper().startswith(_PREFIX)}
    return {name.removeprefix(_PREFIX.lower()) for name in ours} - {*fields, *COMMAND_VARIABLES}


def variable_of(field: str) -> str:
    """The environment variable of a field.

    >>> variable_of("rate_per_key")
    'KBAPI_RATE_PER_KEY'
    """
    return _PREFIX + field.upper()


def bundled_folder(name: str) -> Path:
    """The folder `migrations`, `seed_data` or `openapi`, in a wheel or next to the package."""
    package = Path(sys.modules["kbapi"].__file__ or "").parent
    inside_wheel = package / "bundled" / name
    return inside_wheel if inside_wheel.is_dir() else package.parent / name
