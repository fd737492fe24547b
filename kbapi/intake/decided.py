"""What a sender is told of a curator's word: the word, the reason, what would make it count."""

from dataclasses import dataclass
from typing import Final

CODE_OF_WORD: Final = {
    "include": "included_by_curator",
    "exclude": "excluded_by_curator",
    "invalidate": "invalidated_by_curator",
}
LEFT_WITH_SETTING: Final = "setting_excluded"
WORD_SENTENCES: Final = {
    "included_by_curator": "Somebody who looks after this instance has looked at it: it counts, "
    "whatever the rules say of it.",
    "excluded_by_curator": "Somebody who looks after this instance has looked at it: it is kept "
    "and does not count for now. What would make it count stands beside this.",
    "invalidated_by_curator": "A curator of this instance looked at it: it can't be right and "
    "does not count. Withdraw it; a corrected one is welcome.",
    LEFT_WITH_SETTING: "A curator's word took the setting that this follows out of what counts, "
    "and this along with it: it is kept, and counts again with the setting.",
}


@dataclass(frozen=True, slots=True)
class DecisionReason:
    """A reason that a curator can give: for which words, and the sentence for the sender."""

    code: str
    words: tuple[str, ...]
    sentence: str


_REASONS: Final = (
    DecisionReason(
        "effect_confirmed",
        ("include",),
        "It was shown to the curator that the setting takes effect on this machine.",
    ),
    DecisionReason(
        "depth_confirmed",
        ("include",),
        "The testing was shown to the curator, and bears out how deep this is.",
    ),
    DecisionReason(
        "rule_does_not_fit",
        ("include",),
        "What the rules look for does not fit this case, and nothing else speaks against it.",
    ),
    DecisionReason(
        "effect_doubted",
        ("exclude", "invalidate"),
        "Nothing shows convincingly that the setting does anything: send it with what was read "
        "back, or with readings at stock and tuned under one load.",
    ),
    DecisionReason(
        "testing_doubted",
        ("exclude", "invalidate"),
        "The testing is thin for a setting this deep: test for half an hour or more under two "
        "loads, or with a load that checks its results, and send that.",
    ),
    DecisionReason(
        "machine_doubted",
        ("exclude", "invalidate"),
        "The machine itself may be out of order: test at stock, and send what passed there.",
    ),
    DecisionReason(
        "unlike_other_results",
        ("exclude", "invalidate"),
        "It is unlike what other units show and nothing explains it so far: test it again, and "
        "tell conditions and readings with it.",
    ),
    DecisionReason(
        "wrong_units",
        ("invalidate",),
        "The numbers seem to be in another unit, or counted from another point than stock: "
        "withdraw it and send it in mV, or whole counts, below stock.",
    ),
    DecisionReason(
        "wrong_chip",
        ("invalidate",),
        "It seems to be about another chip or another rail: withdraw it and send it under the "
        "right one.",
    ),
    DecisionReason(
        "not_measured",
        ("invalidate",),
        "It does not look like something that was measured. What you have measured is welcome.",
    ),
    DecisionReason(
        "script_error",
        ("invalidate",),
        "The script that sent it writes wrong values: withdraw it, and send it again with a "
        "script that was corrected.",
    ),
    DecisionReason(
        "decided_in_error", ("undo",), "What was decided before was a mistake: the rules stand."
    ),
    DecisionReason(
        "rules_apply", ("undo",), "The rules tell right by themselves now: they stand again."
    ),
)
DECISION_REASON: Final = {reason.code: reason for reason in _REASONS}
DECISION_SENTENCES: Final = WORD_SENTENCES | {reason.code: reason.sentence for reason in _REASONS}


def codes_of_decision(word: str, reason_code: str | None) -> tuple[str, ...]:
    """The codes that stand before the rules' reasons; none where the rules stand.

    >>> codes_of_decision("include", "depth_confirmed"), codes_of_decision("", None)
    (('included_by_curator', 'depth_confirmed'), ())
    """
    if not word or reason_code is None:
        return ()
    return CODE_OF_WORD[word], reason_code
