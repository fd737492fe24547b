"""What tests look up beside the answers."""

from flask import Flask
from sqlalchemy import func, select

from kbapi.storage.schema import METADATA


def row_counts(app: Flask) -> dict[str, int]:
    """How many rows each table has."""
    with app.extensions["kbapi"].reading() as connection:
        return {
            table.name: connection.execute(select(func.count()).select_from(table)).scalar_one()
            for table in METADATA.sorted_tables
        }
