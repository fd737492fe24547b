"""Counted settings become evidence rows: the only writer of evidence."""

from collections.abc import Iterable

from sqlalchemy import Connection

from kbapi.evidence.merge import merge_outcomes
from kbapi.storage.evidence_rows import load_counted_outcomes, replace_evidence
from kbapi.storage.places import EvidenceKey


def book_evidence(
    connection: Connection, places: Iterable[EvidenceKey], contributor_id: int
) -> None:
    """Rebuild the evidence at each place from all that is counted there now.

    Adding and withdrawing take the same road, so that one undoes the other to the byte.
    """
    for place in sorted(set(places)):
        levels = merge_outcomes(load_counted_outcomes(connection, place))
        replace_evidence(connection, place, contributor_id, levels)
