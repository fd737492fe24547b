"""Sessions and form tokens are signed for one purpose, and end."""

from datetime import timedelta

import pytest

from kbapi.access.keys import KeyHolder, find_holder, give_key, revoke_key
from kbapi.access.sessions import (
    FORM_S,
    SESSION_S,
    FormToken,
    begin_session,
    check_form_token,
    find_session_holder,
    make_form_token,
)
from kbapi.instance.instance import Instance
from tests.makers import HandMovedClock


@pytest.fixture
def holder(instance: Instance) -> KeyHolder:
    return find_holder(instance, give_key(instance, "", ("submit",)).key)


def test_a_session_has_the_scopes_of_its_key_for_eight_hours(
    instance: Instance, clock: HandMovedClock, holder: KeyHolder
) -> None:
    session = begin_session(instance, holder)
    assert find_session_holder(instance, session) == holder
    clock.moment += timedelta(seconds=SESSION_S - 1)
    assert find_session_holder(instance, session) == holder
    clock.moment += timedelta(seconds=1)
    assert find_session_holder(instance, session) is None


def test_a_revoked_key_ends_its_sessions_at_once(instance: Instance, holder: KeyHolder) -> None:
    session = begin_session(instance, holder)
    other = find_holder(instance, give_key(instance, "", ("submit",)).key)
    revoke_key(instance, holder.id)
    assert find_session_holder(instance, session) is None
    assert find_session_holder(instance, begin_session(instance, other)) == other


def test_a_session_of_a_clock_that_was_ahead_is_not_longer(
    instance: Instance, clock: HandMovedClock, holder: KeyHolder
) -> None:
    clock.moment += timedelta(days=300)
    session = begin_session(instance, holder)
    clock.moment -= timedelta(days=300)
    assert find_session_holder(instance, session) is None


def test_no_changed_text_and_no_form_token_is_a_session(
    instance: Instance, holder: KeyHolder
) -> None:
    session = begin_session(instance, holder)
    number, until, signature = session.split(".")
    changed = (
        f"{int(number) + 1}.{until}.{signature}",
        f"{number}.{int(until) + 1}.{signature}",
        f"{number}.{until}.{signature[:-1]}",
        f"0{number}.{until}.{signature}",
        f"{number}.{until}.{'A' * 43}",
        f"{number}.{until}",
        "",
        "٣.٣." + "A" * 43,
        make_form_token(instance, holder),
    )
    assert [one for one in changed if find_session_holder(instance, one) is not None] == []
    assert check_form_token(instance, holder, session) is FormToken.WRONG


def test_a_form_token_is_valid_for_its_member_and_seven_days(
    instance: Instance, clock: HandMovedClock, holder: KeyHolder
) -> None:
    other = find_holder(instance, give_key(instance, "", ("submit",)).key)
    own, of_anyone = make_form_token(instance, holder), make_form_token(instance, None)
    assert check_form_token(instance, holder, own) is FormToken.VALID
    assert check_form_token(instance, other, own) is FormToken.OLD
    # Anyone can get such a token, so it must not open the forms of a member.
    assert check_form_token(instance, holder, of_anyone) is FormToken.OLD
    assert check_form_token(instance, None, of_anyone) is FormToken.VALID
    assert check_form_token(instance, None, own) is FormToken.VALID
    clock.moment += timedelta(seconds=FORM_S)
    assert check_form_token(instance, holder, own) is FormToken.VALID
    clock.moment += timedelta(seconds=1)
    assert check_form_token(instance, holder, own) is FormToken.OLD


@pytest.mark.parametrize("sent", ["", "1.2.3", "x" * 100, "0.0." + "A" * 43])
def test_a_made_up_form_token_is_wrong(instance: Instance, sent: str) -> None:
    assert check_form_token(instance, None, sent) is FormToken.WRONG
