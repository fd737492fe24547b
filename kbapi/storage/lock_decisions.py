"""What curators decided about lock reports: those of a rejected setting's document, or alone."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection, text

from kbapi.storage.decision_rows import Origin
from kbapi.storage.statements import find_row

REPORT_STANDS: Final = """
    NOT EXISTS (
        SELECT 1 FROM decision
        WHERE decision.submission_id = report.submission_id AND decision.decision = 'invalidate'
          AND NOT EXISTS (SELECT 1 FROM decision AS later
                          WHERE later.submission_id = decision.submission_id
                            AND later.ordinal = decision.ordinal AND later.id > decision.id)
    )
    """
"""Whether a row `report` of lock reports counts: not where anything of its document is rejected.

Whoever mistook a setting so that it can't be right may have mistaken the lock as well."""


@dataclass(frozen=True, slots=True)
class LocksAt:
    """A document that tells of locks alone, where somebody may decide."""

    submission_id: int
    public_id: str
    line_id: int
    decision: str
    """The decision in force, empty where there is none."""
    decision_reason: str | None


# It has no settings to carry a word: its history stands under the first ordinal.
_LOCKS_ALONE: Final = """
    SELECT submission.id, submission.public_id, chip.line_id,
           COALESCE(NULLIF(latest.decision, 'undo'), ''), latest.reason_code
    FROM submission
    JOIN chip ON chip.id = submission.chip_id
    JOIN unit ON unit.id = submission.unit_id
    LEFT JOIN decision AS latest
      ON latest.id = (SELECT MAX(id) FROM decision WHERE submission_id = submission.id)
    WHERE NOT EXISTS (SELECT 1 FROM setting_result WHERE submission_id = submission.id)
      AND EXISTS (SELECT 1 FROM lock_report AS report
                  WHERE report.submission_id = submission.id
                    AND (:firmware IS NULL OR report.firmware = :firmware)
                    AND (:machine IS NULL OR report.machine = :machine))
      AND (:public_id IS NULL OR submission.public_id = :public_id)
      AND (:contributor_id IS NULL OR unit.contributor_id = :contributor_id)
      AND (:client IS NULL OR json_extract(submission.document, '$.client') = :client)
    ORDER BY submission.id LIMIT :most
    """
_ANY: Final = dict.fromkeys(("public_id", "contributor_id", "client", "firmware", "machine"))


def _find(connection: Connection, most: int, which: Mapping[str, object]) -> list[LocksAt]:
    rows = connection.execute(text(_LOCKS_ALONE), {**_ANY, **which, "most": most})
    return [LocksAt(*row) for row in rows]


def find_locks_alone(connection: Connection, public_id: str) -> list[LocksAt]:
    """The document with this id, if it is here and tells of locks alone."""
    return _find(connection, 1, {"public_id": public_id})


def find_locks_alone_of_contributor(
    connection: Connection, contributor_id: int, most: int
) -> list[LocksAt]:
    """Documents of a contributor that tell of locks alone, oldest first."""
    return _find(connection, most, {"contributor_id": contributor_id})


def find_locks_alone_of_origin(connection: Connection, origin: Origin, most: int) -> list[LocksAt]:
    """Documents that a script, a firmware or a machine class brought, oldest first.

    Reads every document, as `find_settings_of_origin` does.
    """
    which = {"client": origin.client, "firmware": origin.firmware, "machine": origin.machine}
    return _find(connection, most, which)


_WORD: Final = """
    SELECT decision, reason_code FROM decision WHERE submission_id = ? ORDER BY id DESC LIMIT 1
    """


def find_word_about_locks(connection: Connection, submission_id: int) -> tuple[str, str] | None:
    """The word and the reason that stand about a document of locks alone, if one does."""
    row = find_row(connection, _WORD, (submission_id,))
    return None if row is None or row[0] == "undo" else (row[0], row[1])
