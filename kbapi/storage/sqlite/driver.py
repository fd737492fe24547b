"""The module that speaks to SQLite, chosen here and nowhere else, once per process.

`pysqlite3` carries a recent SQLite. Where it has no wheel (`pyproject.toml`), and where
KBAPI_SQLITE_MODULE is `standard`, the standard library's module uses the SQLite of the system.
A process never loads both: each would drop the file locks of the other.
"""

import os
from typing import Any, Final

from kbapi.settings import variable_of

_VARIABLE: Final = variable_of("sqlite_module")


def _is_standard_wanted() -> bool:
    # Settings are read after this module is imported; they refuse any other value.
    given = {name.upper(): value for name, value in os.environ.items()}
    return given.get(_VARIABLE) == "standard"


def _chosen() -> Any:
    if not _is_standard_wanted():
        try:
            from pysqlite3 import dbapi2 as with_its_own_library
        except ImportError:
            pass
        else:
            return with_its_own_library
    import sqlite3

    return sqlite3


dbapi2: Final = _chosen()
"""The chosen module; both have the same names."""
