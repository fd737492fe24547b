import pytest

from kbapi.instance.secret import Secret, contributor_hash, is_receipt_of, receipt_of, unit_hash

SECRET, ANOTHER = Secret(b"s" * 32), Secret(b"t" * 32)
ID = "01a21000-8800-736b-8fa7-7e16bf7f60fd"
MEMBER, STRANGER, UNIT = "tidewater-member-000001", "tidewater-member-000002", "tidewater-unit-01"


def test_a_receipt_depends_only_on_the_id() -> None:
    assert receipt_of(SECRET, ID) == receipt_of(SECRET, ID)
    assert receipt_of(SECRET, ID).startswith("kbr_")
    assert len(receipt_of(SECRET, ID)) == 36
    assert receipt_of(SECRET, ID) != receipt_of(ANOTHER, ID)
    assert receipt_of(SECRET, ID) != receipt_of(SECRET, ID[:-1] + "e")


def test_the_right_receipt_is_accepted() -> None:
    assert is_receipt_of(SECRET, ID, receipt_of(SECRET, ID))


@pytest.mark.parametrize(
    "shown",
    [
        "",
        "kbr_",
        receipt_of(SECRET, ID)[:-1],
        receipt_of(SECRET, ID) + "A",
        receipt_of(SECRET, ID).removeprefix("kbr_"),
        receipt_of(SECRET, ID).swapcase(),
        receipt_of(SECRET, "another id"),
        receipt_of(ANOTHER, ID),
        "kbr_ä€",
        "\0",
    ],
)
def test_any_other_receipt_is_refused(shown: str) -> None:
    assert not is_receipt_of(SECRET, ID, shown)


def test_a_unit_is_recognised_only_with_its_contributor() -> None:
    assert unit_hash(SECRET, MEMBER, UNIT) == unit_hash(SECRET, MEMBER, UNIT)
    assert unit_hash(SECRET, MEMBER, UNIT) != unit_hash(SECRET, STRANGER, UNIT)
    assert unit_hash(SECRET, MEMBER, UNIT) != unit_hash(SECRET, MEMBER, "tidewater-unit-02")
    assert unit_hash(SECRET, MEMBER, UNIT) != unit_hash(ANOTHER, MEMBER, UNIT)


@pytest.mark.parametrize(("who", "which"), [(None, UNIT), (MEMBER, None), (None, None)])
def test_without_both_tokens_no_unit_is_recognised(who: str | None, which: str | None) -> None:
    assert unit_hash(SECRET, who, which) is None


def test_all_senders_without_a_token_are_one_contributor() -> None:
    assert contributor_hash(SECRET, None) == contributor_hash(SECRET, None)
    assert contributor_hash(SECRET, None) != contributor_hash(SECRET, MEMBER)
    assert contributor_hash(SECRET, MEMBER) != contributor_hash(SECRET, STRANGER)


def test_hashes_and_receipts_of_equal_input_differ() -> None:
    unit = unit_hash(SECRET, MEMBER, UNIT)
    assert unit != contributor_hash(SECRET, f"{MEMBER}\n{UNIT}")
    assert len({unit, contributor_hash(SECRET, MEMBER)}) == 2
