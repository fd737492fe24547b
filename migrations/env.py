"""How alembic runs: on the connection it is handed, or on the instance of KBAPI_HOME."""

from alembic import context
from sqlalchemy import Connection

from kbapi.instance.file_locks import exclusive_lock
from kbapi.settings import Settings
from kbapi.storage.schema import METADATA
from kbapi.storage.sqlite.engine import make_writing_engine


def run(connection: Connection) -> None:
    context.configure(
        connection=connection,
        target_metadata=METADATA,
        render_as_batch=True,
        # SQLite's DDL is transactional once the driver keeps its hands off (storage/sqlite.py).
        transactional_ddl=True,
        transaction_per_migration=False,
    )
    with context.begin_transaction():
        context.run_migrations()


if (handed := context.config.attributes.get("connection")) is not None:
    run(handed)
else:
    settings = Settings()
    engine = make_writing_engine(settings.database_path, checks_foreign_keys=False)
    with exclusive_lock(settings.use_lock_path), engine.begin() as own:
        run(own)
