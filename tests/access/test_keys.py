"""Access keys: shown once, kept as hashes, wrong or revoked ones open nothing."""

import re
from pathlib import Path

import pytest
from alembic import command

from kbapi.access.keys import find_holder, give_key, has_live_key, list_keys, revoke_key
from kbapi.errors import AccessKeyWrong, KeyRefused
from kbapi.instance.backup import make_backup
from kbapi.instance.instance import Instance, open_instance
from kbapi.instance.restore import restore_backup
from kbapi.settings import Settings
from kbapi.storage import keys
from kbapi.storage.keys import Voucher
from kbapi.storage.schema import alembic_config
from kbapi.storage.sqlite.engine import checkpoint, make_writing_engine
from tests.makers import rows_of

CURATE = ("curate",)


def test_a_created_key_gives_its_holder_and_scopes(instance: Instance) -> None:
    given = give_key(instance, "evening shift", CURATE)
    assert re.fullmatch(r"kbk_[A-Za-z0-9_-]{48}", given.key)
    holder = find_holder(instance, given.key)
    assert (holder.id, holder.scopes) == (given.id, CURATE)


def test_no_two_keys_are_alike(instance: Instance) -> None:
    assert len({give_key(instance, "", CURATE).key for _ in range(20)}) == 20


def test_only_a_keyed_hash_is_kept(instance: Instance) -> None:
    given = give_key(instance, "", CURATE)
    (row,) = rows_of(instance)["access_key"]
    assert instance.secret.keyed_hash("access_key", given.key.encode()) in row
    assert given.key[4:] not in repr(row)
    files = [path.read_bytes() for path in instance.settings.home.iterdir() if path.is_file()]
    assert not any(given.key[4:].encode() in content for content in files)


@pytest.mark.parametrize(
    "spoilt",
    [
        lambda key: key[:-1] + ("A" if key[-1] != "A" else "B"),
        lambda key: key[:20] + ("A" if key[20] != "A" else "B") + key[21:],
        lambda key: key[:-4],
        lambda key: key + "AAAA",
        lambda key: key.lower(),
        lambda _: "kbk_",
        lambda _: "kbk_\xe9",
        lambda _: "",
    ],
)
def test_a_key_that_was_never_created_is_refused(instance: Instance, spoilt: object) -> None:
    given = give_key(instance, "", CURATE)
    with pytest.raises(AccessKeyWrong):
        find_holder(instance, spoilt(given.key))


def test_a_key_of_another_instance_is_refused(
    instance: Instance, tmp_path_factory: pytest.TempPathFactory
) -> None:
    from tests.makers import an_instance

    other = an_instance(tmp_path_factory.mktemp("other"))
    foreign = give_key(other, "", CURATE)
    give_key(instance, "", CURATE)
    other.close()
    with pytest.raises(AccessKeyWrong):
        find_holder(instance, foreign.key)


def test_a_revoked_key_is_refused_and_keeps_its_first_day(instance: Instance) -> None:
    given = give_key(instance, "", CURATE)
    revoke_key(instance, given.id)
    revoke_key(instance, given.id)
    with pytest.raises(AccessKeyWrong):
        find_holder(instance, given.key)
    (row,) = list_keys(instance)
    assert row.revoked_day == instance.today()


def test_only_a_live_key_counts_as_live(instance: Instance) -> None:
    assert not has_live_key(instance)
    given = give_key(instance, "", CURATE)
    assert has_live_key(instance)
    revoke_key(instance, given.id)
    assert not has_live_key(instance)


def test_a_key_of_a_secret_that_is_lost_is_not_live(instance: Instance, tmp_path: Path) -> None:
    given = give_key(instance, "evening shift", CURATE)
    file = make_backup(instance.settings, tmp_path / "backups", None).file
    instance.close()
    settings = Settings(home=tmp_path / "other")
    restore_backup(settings, file, without_secret=True)
    other = open_instance(settings, instance.now)
    with pytest.raises(AccessKeyWrong):
        find_holder(other, given.key)
    assert not has_live_key(other)
    (row,) = list_keys(other)
    assert (row.id, row.revoked_day, row.fits_secret) == (given.id, None, False)
    give_key(other, "", CURATE)
    assert has_live_key(other)
    assert [key.fits_secret for key in list_keys(other)] == [False, True]
    other.close()


def test_unknown_scopes_are_refused(instance: Instance) -> None:
    for scopes in (("everything",), ("curate", "read"), ()):
        with pytest.raises(KeyRefused):
            give_key(instance, "", scopes)
    assert rows_of(instance)["access_key"] == []


@pytest.mark.parametrize(
    "name", ["anna@mail.example", "DESKTOP-AB12CD3", "192.0.2.17", "a" * 41, "line\nend", "<b>"]
)
def test_a_name_with_personal_data_or_odd_characters_is_refused(
    instance: Instance, name: str
) -> None:
    with pytest.raises(KeyRefused) as refused:
        give_key(instance, name, CURATE)
    assert name not in repr(refused.value.problems)
    assert rows_of(instance)["access_key"] == []


def test_an_unknown_key_cannot_be_revoked(instance: Instance) -> None:
    with pytest.raises(KeyRefused):
        revoke_key(instance, 7)


@pytest.mark.parametrize("schema_of_keys", ["0004", "head"])
def test_no_byte_of_the_database_shows_in_which_order_keys_vouched(
    tmp_path: Path, schema_of_keys: str
) -> None:
    """A row that moves within its page would show it: each flag is written where it was."""
    orders = ([3, 9, 17, 25, 4], [25, 4, 3, 17, 9])
    one, other = (
        file_after(tmp_path / f"{order[0]}.sqlite3", order, schema_of_keys) for order in orders
    )
    assert one == other
    assert one != file_after(tmp_path / "fewer.sqlite3", orders[0][1:], schema_of_keys)


def file_after(database: Path, order: list[int], schema_of_keys: str) -> bytes:
    """The file after the keys with these numbers vouched in this order, without its counter.

    The keys were created under a schema, and vouched under the present one.
    """
    database.touch()
    engine = make_writing_engine(database, checks_foreign_keys=False)
    config = alembic_config()
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, schema_of_keys)
        for number in range(1, 31):
            connection.exec_driver_sql(
                "INSERT INTO access_key (id, name, key_hash, key_id, scopes, created_day) "
                "VALUES (?, '', ?, '0a1b2c3d', 'submit', '2026-09-15')",
                (number, bytes([number]) * 32),
            )
        command.upgrade(config, "head")
    for number in order:
        with engine.begin() as connection:
            assert keys.use_vouch(connection, Voucher(number, for_all=False))
            assert not keys.use_vouch(connection, Voucher(number, for_all=False))
    assert checkpoint(engine, database)
    engine.dispose()
    content = database.read_bytes()
    # The header counts changes at 24 and 92, and so differs between more and fewer of them.
    return content[:24] + content[28:92] + content[96:]


def test_keys_are_listed_in_the_order_of_their_creation(instance: Instance) -> None:
    numbers = [give_key(instance, name, CURATE).id for name in ("one", "", "three")]
    assert [(key.id, key.name) for key in list_keys(instance)] == list(
        zip(numbers, ("one", "", "three"), strict=True)
    )


def test_a_key_row_has_known_scopes_only(instance: Instance) -> None:
    from sqlalchemy.exc import IntegrityError

    for scopes in (("curate", "everything"), ("",), ("curate ",)):
        with pytest.raises(IntegrityError), instance.writing() as connection:
            keys.add_key(
                connection,
                name="",
                key_hash=b"h" * 32,
                key_id="0a1b2c3d",
                scopes=scopes,
                today=instance.today(),
            )
