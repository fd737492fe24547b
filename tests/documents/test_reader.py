"""Every field of the wire format is read, kept, and refused by name when its shape is wrong."""

from typing import Any

import pytest

from kbapi.errors import DocumentRefused
from kbapi.instance.instance import Instance
from kbapi.storage.tables import Conditions
from kbapi.storage.tables_reports import LockReport
from tests.intake.whole_document import a_whole_document
from tests.makers import a_fixed_clock_setting, a_submission, rows_of, send


def pointers_of(instance: Instance, document: Any) -> set[str]:
    with pytest.raises(DocumentRefused) as refused:
        send(instance, document)
    return {problem.pointer for problem in refused.value.problems}


def row_of(instance: Instance, table: Any) -> dict[str, Any]:
    (row,) = rows_of(instance)[table.__tablename__]
    return dict(zip(table.model_fields, row, strict=True))


def test_a_document_that_uses_everything_counts(instance: Instance) -> None:
    accepted = send(instance, a_whole_document())
    assert accepted.screening.status == "counted"
    assert accepted.reading_ignored == ()
    assert accepted.chip_conflict is None


def test_its_conditions_are_stored_with_the_firmware_era(instance: Instance) -> None:
    send(instance, a_whole_document())
    row = row_of(instance, Conditions)
    assert row["loads"] == "all_core,vector_heavy"
    assert (row["firmware"], row["microcode"]) == ("1.14", "0x2b")
    assert (row["machine"], row["cooling"], row["supply"]) == (
        "harbour-15",
        "cleaned,repasted",
        "mains",
    )


def test_its_locks_are_stored_with_their_platform(instance: Instance) -> None:
    send(instance, a_whole_document())
    row = row_of(instance, LockReport)
    assert (row["domain"], row["control"], row["status"]) == ("core", "voltage_offset", "open")
    assert row["found_by"] == "written_and_read_back"
    assert (row["firmware_month"], row["os"]) == ("2026-03", "linux-6")
    assert (row["hypervisor"], row["kernel_lockdown"]) == ("off", "unknown")


def test_locks_alone_are_a_result(instance: Instance) -> None:
    lock = {"domain": "core", "control": "voltage_offset", "status": "chip_locked"}
    accepted = send(instance, a_submission(settings=..., locks=[lock]))
    assert accepted.screening.status == "counted"
    assert accepted.settings == ()
    assert row_of(instance, LockReport)["found_by"] == "owner_says"


@pytest.mark.parametrize("empty", [..., None, []])
def test_a_result_without_settings_and_locks_is_refused(instance: Instance, empty: Any) -> None:
    assert pointers_of(instance, a_submission(settings=empty)) == {"/settings"}


@pytest.mark.parametrize(
    "empty", ["locks", "trials", "readings", "platform", "power", "chip_ids", "stock_passed"]
)
def test_null_means_not_sent(instance: Instance, empty: str) -> None:
    assert send(instance, a_whole_document(**{empty: None})).settings


WRONG = {
    "a protection": ({"platform": {"hypervisor": True}}, "/platform/hypervisor"),
    "a form": ({"platform": {"form": "tower"}}, "/platform/form"),
    "a long firmware": ({"platform": {"firmware": "1" * 41}}, "/platform/firmware"),
    "a machine of two lines": ({"platform": {"machine": "a\nb"}}, "/platform/machine"),
    "a lock's status": (
        {"locks": [{"domain": "core", "control": "load_line", "status": "closed"}]},
        "/locks/0/status",
    ),
    "a trial's outcome": ({"trials": [{"settings": []}]}, "/trials/0/outcome"),
    "a fraction of a run": ({"readings": [{"state": "stock", "runs": 2.5}]}, "/readings/0/runs"),
    "a run in quotes": ({"readings": [{"state": "stock", "runs": "3"}]}, "/readings/0/runs"),
    "a sensor's number in quotes": (
        {"readings": [{"state": "stock", "temp_avg_c": ""}]},
        "/readings/0/temp_avg_c",
    ),
    "micro units": ({"power": {"long_term_w": 45_000_000}}, "/power/long_term_w"),
    "a PCI id": ({"chip_ids": {"pci_id": "1f0a2640"}}, "/chip_ids/pci_id"),
    "a month ahead": ({"measured_in": "2026-10"}, "/measured_in"),
    "firmware ahead": ({"platform": {"firmware_month": "2026-10"}}, "/platform/firmware_month"),
}


@pytest.mark.parametrize("case", WRONG)
def test_a_wrong_shape_is_reported_with_its_pointer(instance: Instance, case: str) -> None:
    changes, pointer = WRONG[case]
    assert pointer in pointers_of(instance, a_whole_document(**changes))


def test_the_form_decides_between_chips_that_share_a_name(instance: Instance) -> None:
    shared = "Osmer Kestrel 640 / 640 Laptop"
    setting = a_fixed_clock_setting()
    assert pointers_of(instance, a_submission(setting, chip=shared)) == {"/chip"}
    for form, key in (("laptop", "osmer-kestrel-640-laptop"), ("desktop", "osmer-kestrel-640")):
        sent = a_submission(setting, chip=shared, platform={"form": form})
        assert send(instance, sent).chip.key == key


def test_chip_ids_that_contradict_the_name_are_reported(instance: Instance) -> None:
    accepted = send(instance, a_whole_document(chip_ids={"family": 25}))
    assert accepted.chip.key == "norvane-sable-7-4820mx"
    assert accepted.chip_conflict is not None
    assert "another maker" in accepted.chip_conflict
