"""Codes and sentences of curators' decisions and their reasons, for the sender of a result."""

from dataclasses import dataclass
from typing import Final

CODE_OF_DECISION: Final = {
    "include": "included_by_curator",
    "exclude": "excluded_by_curator",
    "invalidate": "invalidated_by_curator",
}
LEFT_WITH_SETTING: Final = "setting_excluded"
_SENTENCES_OF_DECISIONS: Final = {
    "included_by_curator": "A curator of this instance included this setting. It counts whatever "
    "the screening rules say.",
    "excluded_by_curator": "A curator of this instance excluded this setting for now. The reason "
    "beside it describes what would make it count.",
    "invalidated_by_curator": "A curator of this instance found this setting impossible. It does "
    "not count: withdraw it and send a corrected result.",
    LEFT_WITH_SETTING: "A curator excluded the setting of this follow-up. The follow-up counts "
    "again when the setting does.",
}


@dataclass(frozen=True, slots=True)
class DecisionReason:
    """A reason that a curator can give: for which decisions, and the sentence for the sender."""

    code: str
    decisions: tuple[str, ...]
    sentence: str


_REASONS: Final = (
    DecisionReason(
        "effect_confirmed",
        ("include",),
        "The curator saw proof that the setting takes effect on this machine.",
    ),
    DecisionReason(
        "depth_confirmed",
        ("include",),
        "The curator saw test results that confirm this depth.",
    ),
    DecisionReason(
        "rule_does_not_fit",
        ("include",),
        "The rule does not fit this case, and the result has no other fault.",
    ),
    DecisionReason(
        "effect_doubted",
        ("exclude", "invalidate"),
        "The proof of effect is weak. Send the read-back, or readings at stock and tuned under "
        "one load.",
    ),
    DecisionReason(
        "testing_doubted",
        ("exclude", "invalidate"),
        "The testing is short for this depth. Test for 30 minutes or more, under two loads or "
        "with checked results.",
    ),
    DecisionReason(
        "machine_doubted",
        ("exclude", "invalidate"),
        "The machine itself may be faulty. Test at stock and send stock_passed.",
    ),
    DecisionReason(
        "unlike_other_results",
        ("exclude", "invalidate"),
        "This result differs from those of other units without an explanation. Test again, and "
        "send conditions and readings with it.",
    ),
    DecisionReason(
        "wrong_units",
        ("invalidate",),
        "The numbers seem to have the wrong unit or the wrong zero point. Withdraw the result, "
        "and send mV or whole counts below stock.",
    ),
    DecisionReason(
        "wrong_chip",
        ("invalidate",),
        "The result seems to belong to another chip or domain. Withdraw it and send it for the "
        "right one.",
    ),
    DecisionReason(
        "not_measured",
        ("invalidate",),
        "The numbers do not look measured. Send results that you measured.",
    ),
    DecisionReason(
        "script_error",
        ("invalidate",),
        "The sending script writes wrong values. Withdraw the result and send it again with a "
        "corrected script.",
    ),
    DecisionReason(
        "decided_in_error",
        ("undo",),
        "The earlier decision was an error. The screening rules apply again.",
    ),
    DecisionReason(
        "rules_apply", ("undo",), "The screening rules now give the right result. They apply again."
    ),
)
DECISION_REASON: Final = {reason.code: reason for reason in _REASONS}
DECISION_SENTENCES: Final = _SENTENCES_OF_DECISIONS | {
    reason.code: reason.sentence for reason in _REASONS
}
