"""Statements that read one setting as if a curator had said a word about it; nothing is written."""

from dataclasses import dataclass
from typing import Final, Literal


@dataclass(frozen=True, slots=True)
class WhatIf:
    """A setting, and the word that it is read with."""

    submission_id: int
    ordinal: int
    decision: Literal["include", "exclude"]

    @property
    def status(self) -> str:
        """What the setting would stand as; a setting without an end cannot be made to count."""
        return "counted" if self.decision == "include" else "excluded"


# In the place of the table for one statement: SQLite takes it apart, so that indexes serve as ever.
_IN_ITS_PLACE: Final = """
    WITH setting_result AS NOT MATERIALIZED (
        SELECT id, submission_id, ordinal, unit_id, pool_id, conditions_id, stable_steps,
               unstable_steps, early_stop_steps, measured_month, clock_mhz, stock_mv,
               CASE WHEN {here} THEN '{decision}' ELSE decision END AS decision,
               CASE WHEN {here} THEN '{status}' ELSE status END AS status
        FROM main.setting_result
    )
    """


def supposing(supposed: WhatIf | None, statement: str) -> str:
    """A question about settings, asked of the table as it would be with the word."""
    if supposed is None:
        return statement
    # Numbers and words of ours, so that the statement's own values keep their places.
    here = f"submission_id = {supposed.submission_id:d} AND ordinal = {supposed.ordinal:d}"
    prefix = _IN_ITS_PLACE.format(here=here, decision=supposed.decision, status=supposed.status)
    return prefix + statement
