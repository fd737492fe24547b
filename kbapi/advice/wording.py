"""The sentences of answers: numbers in, words for people out, and nowhere else."""

from kbapi.advice.question import Question
from kbapi.evidence.pools import PoolEvidence


def share_in_words(stable_share: float) -> str:
    """The share that may fail, as people say it.

    >>> share_in_words(0.9), share_in_words(0.95), share_in_words(0.87)
    ('1 in 10', '1 in 20', '13 in 100')
    """
    failing = round((1 - stable_share) * 100)
    return f"1 in {100 // failing}" if 100 % failing == 0 else f"{failing} in 100"


def meaning_of(question: Question) -> str:
    """What a start stands for, and for whom it can't speak."""
    return (
        f"with {question.confidence * 100:.0f} % confidence at most "
        f"{share_in_words(question.stable_share)} reported units fails here or earlier; "
        "only people who report are counted"
    )


def setting_in_words(control: str, enter: int) -> str:
    """What a person types, or sets.

    The whole number lies toward stock of the grid step, so typing it is never deeper.
    """
    if control == "count_offset":
        return f"{enter} counts"
    if control == "fixed_clock_voltage":
        return f"{-enter} mV below your own stock voltage at that clock"
    return f"{enter} mV"


def moved_in_words(question: Question, pool: PoolEvidence) -> str:
    """The domains that the number is for."""
    others = [code for code in pool.key.domains.split("+") if code != question.domain]
    return " with ".join([question.domain, " and ".join(others)]) if others else question.domain


def summary_of_start(question: Question, pool: PoolEvidence, enter: int) -> str:
    """One sentence: where to begin, and on how much that stands."""
    return (
        f"{question.chip.name}: begin {moved_in_words(question, pool)} at "
        f"{setting_in_words(pool.key.control, enter)}, then test; this stands on {pool.units} "
        f"reported units, {pool.failures} of them seen to fail."
    )


def no_results(question: Question, control: str) -> str:
    """Why there is no start: nobody has sent anything that counts."""
    return (
        f"No result that counts for {question.chip.name} with {control} on "
        f"{question.domain} has been sent yet. Begin at stock with the smallest step, and send "
        "what you find: a failure is worth most."
    )


def too_few_units(question: Question, pool: PoolEvidence) -> str:
    """Why there is no start: the evidence does not reach that far."""
    return (
        f"{pool.units} units are not enough to say with {question.confidence * 100:.0f} % "
        f"confidence at which setting {question.stable_share * 100:.0f} % of units hold. A lower "
        "share or confidence may be answerable; begin at stock with the smallest step."
    )


def fails_near_stock(question: Question, pool: PoolEvidence) -> str:
    """Why there is no start: too many units fail at the first step below stock."""
    return (
        f"Of {pool.units} reported units too many fail so close to stock that no setting below it "
        f"holds on {question.stable_share * 100:.0f} % of them with "
        f"{question.confidence * 100:.0f} % confidence."
    )
