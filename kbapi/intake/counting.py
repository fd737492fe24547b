"""Which rules applied to a document, counted once its fate is certain."""

from kbapi.errors import DocumentRefused
from kbapi.intake.accepted import Accepted
from kbapi.metrics.counters import count_rule, count_submission


def count_accepted(accepted: Accepted) -> None:
    """Count a stored document, with each rule that applied to its settings and readings."""
    if accepted.duplicate_of is not None:
        count_submission("repeated")
        return
    count_submission("stored")
    for setting in accepted.settings:
        for reason in setting.reasons:
            count_rule(reason.code, "setting")
    for ignored in accepted.reading_ignored:
        count_rule(ignored.code, "reading")


def count_refused(refused: DocumentRefused) -> None:
    """Count a refused document, with each rule that it broke."""
    count_submission("refused")
    for problem in refused.problems:
        count_rule(problem.code, "refusal")
