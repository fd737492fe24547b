"""The versions that are stored with results and answers."""

from typing import Final

RULES_VERSION: Final = 3
"""Raised with every change of a refusal, a screening rule, a bound or the merge."""

ANSWERS_VERSION: Final = 9
"""Raised with every change of the statistics or the wording of answers; old ones go stale."""

ANSWER_STAMP: Final = f"{RULES_VERSION}.{ANSWERS_VERSION}"
