"""What a sender is told of a curator's word: the word, the reason, what would make it count."""

from dataclasses import dataclass
from typing import Final

CODE_OF_WORD: Final = {
    "count": "counted_by_curator",
    "keep_aside": "kept_aside_by_curator",
    "reject": "rejected_by_curator",
}
LEFT_WITH_SETTING: Final = "left_with_its_setting"
WORD_SENTENCES: Final = {
    "counted_by_curator": "Somebody who looks after this instance has looked at it: it counts, "
    "whatever the rules say of it.",
    "kept_aside_by_curator": "Somebody who looks after this instance has looked at it: it is kept "
    "and does not count for now. What would make it count stands beside this.",
    "rejected_by_curator": "Somebody who looks after this instance has looked at it: it can't be "
    "right and does not count. Withdraw it; a corrected one is welcome.",
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
        ("count",),
        "It was shown to the curator that the setting takes effect on this machine.",
    ),
    DecisionReason(
        "depth_confirmed",
        ("count",),
        "The testing was shown to the curator, and bears out how deep this is.",
    ),
    DecisionReason(
        "rule_does_not_fit",
        ("count",),
        "What the rules look for does not fit this case, and nothing else speaks against it.",
    ),
    DecisionReason(
        "effect_doubted",
        ("keep_aside", "reject"),
        "Nothing shows convincingly that the setting does anything: send it with what was read "
        "back, or with readings at stock and tuned under one load.",
    ),
    DecisionReason(
        "testing_doubted",
        ("keep_aside", "reject"),
        "The testing is thin for a setting this deep: test for half an hour or more under two "
        "loads, or with a load that checks its results, and send that.",
    ),
    DecisionReason(
        "machine_doubted",
        ("keep_aside", "reject"),
        "The machine itself may be out of order: test at stock, and send what passed there.",
    ),
    DecisionReason(
        "unlike_other_results",
        ("keep_aside", "reject"),
        "It is unlike what other units show and nothing explains it so far: test it again, and "
        "tell conditions and readings with it.",
    ),
    DecisionReason(
        "units_confused",
        ("reject",),
        "The numbers seem to be in another unit, or counted from another point than stock: "
        "withdraw it and send it in mV, or whole counts, below stock.",
    ),
    DecisionReason(
        "chip_confused",
        ("reject",),
        "It seems to be about another chip or another rail: withdraw it and send it under the "
        "right one.",
    ),
    DecisionReason(
        "not_measured",
        ("reject",),
        "It does not look like something that was measured. What you have measured is welcome.",
    ),
    DecisionReason(
        "script_at_fault",
        ("reject",),
        "The script that sent it writes wrong values: withdraw it, and send it again with a "
        "script that was corrected.",
    ),
    DecisionReason(
        "decided_in_error", ("undo",), "What was decided before was a mistake: the rules stand."
    ),
    DecisionReason(
        "rules_suffice", ("undo",), "The rules tell right by themselves now: they stand again."
    ),
)
DECISION_REASON: Final = {reason.code: reason for reason in _REASONS}
DECISION_SENTENCES: Final = WORD_SENTENCES | {reason.code: reason.sentence for reason in _REASONS}


def codes_of_decision(word: str, reason_code: str | None) -> tuple[str, ...]:
    """The codes that stand before the rules' reasons; none where the rules stand.

    >>> codes_of_decision("count", "depth_confirmed"), codes_of_decision("", None)
    (('counted_by_curator', 'depth_confirmed'), ())
    """
    if not word or reason_code is None:
        return ()
    return CODE_OF_WORD[word], reason_code
