"""Whether an instance takes writes at this moment; reads go on either way."""

import time
from threading import Lock
from typing import Final

from kbapi.errors import InstanceReadOnly, StorageFull, StorageUnwritable
from kbapi.settings import Settings
from kbapi.storage.disk import free_bytes, index_of, is_read_only, is_sealed, is_withheld, log_of

_LOOK_EVERY_S: Final = 1.0
"""A look costs ten calls of the kernel; nothing that it finds changes within a second by much."""

_FOR_TAKING_BACK: Final = 8
"""Which part of the room to keep stays untouched by what takes something back.

A withdrawal writes to the log before anything gets smaller, and a server that is started needs
some room even to read.
"""


class WriteGate:
    """Opens and closes by itself, with the host's word, the disk's room and the file's mode."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self.is_sealed = is_sealed(settings.database_path)
        database = settings.database_path
        beside = log_of(database), index_of(database)
        self._needed = (database, settings.write_lock_path, *beside)
        self._lock = Lock()
        self._looked_at_s = float("-inf")
        self._found: type[StorageUnwritable] | None = None

    def require_open(self, *, takes_back: bool = False) -> None:
        """Nothing, while writes are taken; what takes something back may use most of the reserve.

        Raises
        ------
        InstanceReadOnly
            When the host has set it so.
        StorageFull
            When the disk has less room than is to be kept free.
        StorageUnwritable
            When the folder, the file, or one beside it that writing needs is not ours to write.
        """
        found = self.why_closed()
        if found is None or (takes_back and found is StorageFull and self._has_room_to_take_back()):
            return
        raise found

    def _has_room_to_take_back(self) -> bool:
        settings = self._settings
        return free_bytes(settings.home) >= settings.min_free_bytes // _FOR_TAKING_BACK

    def why_closed(self) -> type[StorageUnwritable] | None:
        """What a write is answered with, None while writes are taken; a second old at most."""
        with self._lock:
            now_s = time.monotonic()
            if now_s - self._looked_at_s >= _LOOK_EVERY_S:
                self._looked_at_s, self._found = now_s, self._look()
            return self._found

    def _look(self) -> type[StorageUnwritable] | None:
        if self._settings.read_only:
            return InstanceReadOnly
        home = self._settings.home
        # Readers of a sealed file would not see what is written: a reload brings new ones.
        if self.is_sealed or is_read_only(home) or any(map(is_withheld, self._needed)):
            return StorageUnwritable
        if free_bytes(home) < self._settings.min_free_bytes:
            return StorageFull
        return None
