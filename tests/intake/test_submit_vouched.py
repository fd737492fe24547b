"""Who is vouched for by an access key, and what the database knows of that."""

from pathlib import Path
from random import Random
from typing import Any

import pytest

from kbapi.access.keys import KeyHolder, find_holder, give_key, revoke_key
from kbapi.errors import DocumentRefused
from kbapi.instance.backup import make_backup
from kbapi.instance.instance import Instance, open_instance
from kbapi.instance.restore import restore_backup
from kbapi.instance.secret import contributor_hash
from kbapi.intake import result_rows
from kbapi.intake.batch import accept_batch
from kbapi.intake.correct import correct_submission
from kbapi.intake.my_submissions import withdraw_own_results
from kbapi.intake.responses import Accepted
from kbapi.intake.submit import accept_submission, dry_run_submission
from kbapi.storage import pools
from kbapi.storage.keys import Voucher
from kbapi.storage.sql import find_number
from tests.makers import (
    GRAPHICS,
    a_body,
    a_fixed_clock_setting,
    a_submission,
    an_instance,
    row_counts,
    rows_of,
    send,
)

FIRST, SECOND = "tidewater-member-000001", "tidewater-member-000002"


def key_with(instance: Instance, *scopes: str) -> str:
    return give_key(instance, "", scopes or ("submit",)).key


def holder_of(instance: Instance, key: str) -> KeyHolder:
    return find_holder(instance, key)


def send_with(instance: Instance, key: str | None, token: Any = FIRST, **more: Any) -> Accepted:
    """The answer to a result of this contributor that came with this key."""
    voucher = None if key is None else holder_of(instance, key).voucher
    document = a_submission(**{"contributor_token": token, **more})
    return accept_submission(instance, a_body(document), None, voucher)


def is_vouched(instance: Instance, token: str | None) -> bool:
    with instance.reading() as connection:
        sql = "SELECT is_vouched FROM contributor WHERE token_hash = ?"
        return bool(find_number(connection, sql, (contributor_hash(instance.secret, token),)))


def vouched(instance: Instance) -> int:
    with instance.reading() as connection:
        return int(
            connection.exec_driver_sql("SELECT SUM(is_vouched) FROM contributor").scalar_one() or 0
        )


def test_a_key_vouches_for_the_first_contributor_that_it_sends_and_no_other(
    instance: Instance,
) -> None:
    key = key_with(instance)
    assert not holder_of(instance, key).has_vouched
    send_with(instance, key, FIRST)
    assert holder_of(instance, key).has_vouched
    assert holder_of(instance, key).voucher is None
    send_with(instance, key, SECOND)
    send_with(instance, None, "tidewater-member-000003")
    assert is_vouched(instance, FIRST)
    assert vouched(instance) == 1


def test_two_requests_at_once_do_not_make_a_key_vouch_twice(instance: Instance) -> None:
    # Both read the key before either stored its result.
    voucher = holder_of(instance, key_with(instance)).voucher
    assert voucher is not None
    for token in (FIRST, SECOND):
        document = a_submission(contributor_token=token)
        accept_submission(instance, a_body(document), None, voucher)
    assert is_vouched(instance, FIRST)
    assert not is_vouched(instance, SECOND)


def test_a_result_without_a_contributor_token_uses_up_nothing(instance: Instance) -> None:
    key = key_with(instance)
    send_with(instance, key, ...)
    send_with(instance, key, ..., unit_token=...)
    assert (is_vouched(instance, None), holder_of(instance, key).has_vouched) == (False, False)
    send_with(instance, key, FIRST)
    assert is_vouched(instance, FIRST)


def test_what_stores_nothing_uses_up_nothing(instance: Instance) -> None:
    key = key_with(instance)
    voucher = holder_of(instance, key).voucher
    dry_run_submission(instance, a_body(a_submission(contributor_token=FIRST)))
    accept_batch(instance, a_body([a_submission()]), dry_run=True, voucher=voucher)
    with pytest.raises(DocumentRefused):
        send_with(instance, key, FIRST, chip="no chip at all")
    assert not holder_of(instance, key).has_vouched
    assert "contributor" not in row_counts(instance)


def test_a_contributor_who_sent_before_is_vouched_for_by_the_next_result_or_a_repeat(
    instance: Instance,
) -> None:
    send_with(instance, None, FIRST)
    send_with(instance, None, SECOND)
    repeat = send_with(instance, key_with(instance), FIRST)
    assert repeat.duplicate_of is not None
    send_with(instance, key_with(instance), SECOND, measured_in="2026-07")
    assert (is_vouched(instance, FIRST), is_vouched(instance, SECOND)) == (True, True)


def test_who_is_vouched_for_later_outdates_answers_from_all_earlier_results(
    instance: Instance,
) -> None:
    send_with(instance, None, FIRST)
    graphics = a_submission(a_fixed_clock_setting(), contributor_token=FIRST, chip=GRAPHICS)
    send(instance, graphics)
    with instance.reading() as connection:
        before = {line.id: line.revision for line in pools.load_lines(connection)}
    assert len(before) == 2
    send_with(instance, key_with(instance), FIRST, measured_in="2026-07")
    with instance.reading() as connection:
        after = {line.id: line.revision for line in pools.load_lines(connection)}
    assert all(after[line] > before[line] for line in before)
    send_with(instance, key_with(instance), FIRST, measured_in="2026-06")
    with instance.reading() as connection:
        again = {line.id: line.revision for line in pools.load_lines(connection)}
    assert sum(again[line] > after[line] for line in after) == 1


def test_a_key_for_members_vouches_for_all_and_remembers_nothing(instance: Instance) -> None:
    key = key_with(instance, "submit_for_members")
    documents = [a_submission(number=n, contributor_token=f"{FIRST}-{n}") for n in range(4)]
    documents.append(a_submission(number=9, contributor_token=..., unit_token=...))
    accept_batch(instance, a_body(documents), voucher=holder_of(instance, key).voucher)
    assert (vouched(instance), is_vouched(instance, None)) == (4, False)
    assert not holder_of(instance, key).has_vouched


def test_of_a_batch_a_key_of_one_member_vouches_for_the_first_contributor_alone(
    instance: Instance,
) -> None:
    key = key_with(instance)
    documents = [
        a_submission(number=0, contributor_token=..., unit_token=...),
        a_submission(number=1, contributor_token=FIRST, chip="no chip at all"),
        a_submission(number=2, contributor_token=SECOND),
        a_submission(number=3, contributor_token=FIRST),
    ]
    accept_batch(instance, a_body(documents), voucher=holder_of(instance, key).voucher)
    assert (is_vouched(instance, SECOND), vouched(instance)) == (True, 1)


@pytest.mark.parametrize(
    ("scopes", "for_all"),
    [
        (("submit",), False),
        (("submit", "curate"), False),
        (("submit_for_members",), True),
        (("submit", "submit_for_members"), True),
        (("admin",), True),
        (("curate",), None),
    ],
)
def test_the_scopes_of_a_key_say_for_whom_it_vouches(
    instance: Instance, scopes: tuple[str, ...], for_all: bool | None
) -> None:
    holder = holder_of(instance, key_with(instance, *scopes))
    assert holder.voucher == (None if for_all is None else Voucher(holder.id, for_all))


def test_a_key_that_is_revoked_meanwhile_vouches_for_nobody_but_did_before(
    instance: Instance,
) -> None:
    early, late = key_with(instance), key_with(instance)
    send_with(instance, early, FIRST)
    voucher = holder_of(instance, late).voucher
    for key in (early, late):
        revoke_key(instance, holder_of(instance, key).id)
    body = a_body(a_submission(contributor_token=SECOND))
    accept_submission(instance, body, None, voucher)
    assert (is_vouched(instance, FIRST), is_vouched(instance, SECOND)) == (True, False)


def test_a_new_key_of_the_same_member_vouches_for_the_same_contributor(instance: Instance) -> None:
    send_with(instance, key_with(instance), FIRST)
    again = key_with(instance)
    send_with(instance, again, FIRST, measured_in="2026-07")
    send_with(instance, again, SECOND)
    assert (is_vouched(instance, FIRST), vouched(instance)) == (True, 1)


def test_who_withdrew_everything_needs_another_key_to_be_vouched_for_again(
    instance: Instance,
) -> None:
    key = key_with(instance)
    send_with(instance, key, FIRST)
    withdraw_own_results(instance, FIRST)
    assert "contributor" not in row_counts(instance)
    assert holder_of(instance, key).has_vouched
    send_with(instance, key, FIRST)
    assert not is_vouched(instance, FIRST)
    send_with(instance, key_with(instance), FIRST)
    assert is_vouched(instance, FIRST)


def test_a_correction_moves_a_result_but_no_vouching(instance: Instance) -> None:
    sent = send_with(instance, key_with(instance), FIRST)
    body = a_body(a_submission(contributor_token=SECOND))
    correct_submission(instance, sent.id, sent.receipt, body)
    assert not is_vouched(instance, SECOND)
    assert row_counts(instance)["contributor"] == 1


@pytest.mark.sqlite("kbapi copies its file; PostgreSQL makes its own backups")
def test_a_restored_backup_has_contributors_and_keys_as_they_were(
    instance: Instance, tmp_path: Path
) -> None:
    early, late = key_with(instance), key_with(instance)
    send_with(instance, early, FIRST)
    made = make_backup(instance.settings, tmp_path / "backups", None)
    send_with(instance, late, SECOND)
    instance.close()
    restore_backup(instance.settings, made.file)
    restored = open_instance(instance.settings)
    assert is_vouched(restored, FIRST)
    assert holder_of(restored, early).voucher is None
    # What it vouched for since the backup is gone, so it is one contributor again.
    send_with(restored, late, SECOND)
    assert vouched(restored) == 2
    restored.close()


def everything(
    folder: Path, monkeypatch: pytest.MonkeyPatch, plan: list[tuple[int, str]]
) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of an instance, after keys sent results of contributors in this order.

    Everything random is drawn from one seed, so that only the plan makes a difference.
    """
    rng = Random(7)
    ids = iter(range(1, 1_000))
    monkeypatch.setattr(result_rows, "_new_public_id", lambda _: f"{next(ids):036}")
    monkeypatch.setattr(pools, "randbits", rng.getrandbits)
    monkeypatch.setattr("kbapi.access.keys.secrets.token_bytes", rng.randbytes)
    monkeypatch.setattr("kbapi.instance.secret.os.urandom", rng.randbytes)
    instance = an_instance(folder)
    keys = [key_with(instance) for _ in range(3)]
    for place, token in plan:
        send_with(instance, keys[place], token)
    rows = rows_of(instance)
    instance.close()
    return rows


def test_no_row_shows_which_key_vouched_for_whom(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Other keys for the same contributors, and the same keys in another order: the same rows."""
    third = "tidewater-member-000003"
    straight = [(0, FIRST), (1, SECOND), (2, third)]
    crossed = [(2, FIRST), (0, SECOND), (1, third)]
    one = everything(tmp_path / "straight", monkeypatch, straight)
    other = everything(tmp_path / "crossed", monkeypatch, crossed)
    assert [row[-1] for row in one["contributor"]] == [1, 1, 1]
    assert [row[-1] for row in one["access_key"]] == [1, 1, 1]
    assert one == other
    # Not because nothing shows: a key that has not vouched is another row.
    fewer = everything(tmp_path / "fewer", monkeypatch, [(0, FIRST), (0, SECOND), (2, third)])
    assert {name for name in one if one[name] != fewer[name]} == {"contributor", "access_key"}
