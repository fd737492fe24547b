"""A program whose schema is later than today's: the migrations, and some made for a test."""

import shutil
import sys
from pathlib import Path

from kbapi.settings import bundled_folder
from kbapi.storage import schema

_MIGRATION = '''
"""made for a test"""

from alembic import op

revision = "{revision}"
down_revision = "{after}"
branch_labels = None
depends_on = None


def upgrade() -> None:
    {body}
'''
CREATE_A_TABLE = 'op.execute("CREATE TABLE {name} (id INTEGER PRIMARY KEY)")'
# A table that others refer to is copied, dropped and put back.
REBUILD = 'with op.batch_alter_table("{name}", recreate="always"):\n        pass'


def later_migrations(folder: Path, *bodies: str) -> Path:
    """A copy of the migrations with one of each body after the last one: t1, t2 ..."""
    copy = folder / "migrations"
    shutil.copytree(bundled_folder("migrations"), copy)
    after = schema.head_revision()
    for number, body in enumerate(bodies, 1):
        text = _MIGRATION.format(revision=f"t{number}", after=after, body=body)
        (copy / "versions" / f"t{number}_made_for_a_test.py").write_text(text)
        after = f"t{number}"
    return copy


def later_program(folder: Path, *bodies: str) -> list[str]:
    """The command of a program with these migrations."""
    copy = later_migrations(folder, *bodies)
    code = (
        "from pathlib import Path; from kbapi.storage import schema; "
        f"schema.bundled_folder = lambda _: Path({str(copy)!r}); "
        "from kbapi.cli.main import main; main()"
    )
    return [sys.executable, "-c", code]
