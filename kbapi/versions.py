"""The versions that are stored with results and answers."""

from typing import Final

RULES_VERSION: Final = 6
"""Raised with every change of a refusal, a screening rule, a bound or the merge."""

ANSWERS_VERSION: Final = 14
"""Raised with every change of the statistics or the wording of answers; old ones go stale."""

ANSWER_STAMP: Final = str(ANSWERS_VERSION)
"""Screening again under new rules raises the revision of the line, so it needs no stamp."""

BUILT_MONTH: Final = "2026-09"
"""Set with each release: a clock that shows an earlier month is wrong."""
