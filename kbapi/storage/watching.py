"""What whoever watches an instance is told of its storage: room, sizes, what waits."""

import kbapi
from kbapi.errors import InstanceReadOnly, KbapiError, StorageFull, StorageUnwritable
from kbapi.metrics.state import InstanceState
from kbapi.storage.disk import free_bytes, log_of
from kbapi.storage.instance import Instance
from kbapi.storage.migrations import head_revision
from kbapi.storage.review_rows import count_waiting
from kbapi.versions import ANSWERS_VERSION, RULES_VERSION


def look_at(instance: Instance) -> InstanceState:
    """The instance at this moment; a database that can't be read is told as such."""
    settings = instance.settings
    closed = instance.gate.why_closed()
    database = settings.database_path
    files = {"database": database, "log": log_of(database)}
    return InstanceState(
        versions={
            "version": kbapi.__version__,
            "schema": head_revision(),
            "rules": str(RULES_VERSION),
            "answers": str(ANSWERS_VERSION),
        },
        writes="accepted" if closed is None else closed.code,
        ways_to_stop=tuple(
            fault.code for fault in (InstanceReadOnly, StorageFull, StorageUnwritable)
        ),
        file_bytes={
            name: file.stat().st_size if file.exists() else 0 for name, file in files.items()
        },
        free_bytes=free_bytes(settings.home),
        waiting=_waiting(instance),
        is_rescreening_due=_is_rescreening_due(instance),
    )


def _waiting(instance: Instance) -> dict[str, int] | None:
    try:
        with instance.reading() as connection:
            return count_waiting(connection)
    except KbapiError:
        return None


def _is_rescreening_due(instance: Instance) -> bool | None:
    try:
        return instance.rules.has_older()
    except KbapiError:
        return None
