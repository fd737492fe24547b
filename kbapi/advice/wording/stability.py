"""The sentences of the stable share over all settings."""

from kbapi.advice.question import Question
from kbapi.advice.wording.start import based_on


def summary_of_stability(question: Question, units: int, borrowed_units: float) -> str:
    """Whose units the curve is from, and how to read it."""
    if units == 0 and borrowed_units == 0:
        return "No curve yet: there are no counted results."
    return " ".join(
        [
            "The curve is the share of machines that hold each setting.",
            based_on(question, units, borrowed_units),
            "A share is no promise for one machine.",
        ]
    )
