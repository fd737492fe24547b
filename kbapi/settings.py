"""What a host can set, each by a variable `KBAPI_<NAME>`, and where an instance lives."""

import sys
from pathlib import Path

from pydantic import Field
from pydantic_settings import BaseSettings, SettingsConfigDict


class Settings(BaseSettings):
    """The settings of one instance, read once at start and never changed."""

    model_config = SettingsConfigDict(env_prefix="KBAPI_", frozen=True, extra="ignore")

    home: Path = Field(
        default=Path("kbapi-home"),
        description="Folder that holds the instance: the database, the secret, the write lock.",
    )
    max_body_bytes: int = Field(
        default=1_048_576,
        ge=1_024,
        description="Largest request body that is read; larger ones are answered with 413.",
    )
    max_batch_bytes: int = Field(
        default=16_777_216,
        ge=1_024,
        description="Largest body of a batch that is read; larger ones are answered with 413.",
    )
    read_only: bool = Field(
        default=False,
        description="Whether nothing is to be written: results are answered with 503, reads go on.",
    )
    min_free_bytes: int = Field(
        default=67_108_864,
        ge=0,
        description="Room to keep on the instance's disk; with less, nothing is written.",
    )
    log_level: str = Field(
        default="INFO",
        pattern="^(DEBUG|INFO|WARNING|ERROR)$",
        description="Least severe log lines that are written to standard error.",
    )

    @property
    def database_path(self) -> Path:
        """The one SQLite file."""
        return self.home / "kbapi.sqlite3"

    @property
    def secret_path(self) -> Path:
        """The secret that keys every hash; back it up apart from the database."""
        return self.home / "secret.key"

    @property
    def write_lock_path(self) -> Path:
        """The side file that writers queue on."""
        return self.home / "write.lock"

    @property
    def use_lock_path(self) -> Path:
        """The side file that everybody holds who has the instance open."""
        return self.home / "use.lock"


def bundled_folder(name: str) -> Path:
    """The folder `migrations`, `seed_data` or `openapi`: in a wheel, else beside the package."""
    package = Path(sys.modules["kbapi"].__file__ or "").parent
    inside_wheel = package / "bundled" / name
    return inside_wheel if inside_wheel.is_dir() else package.parent / name
