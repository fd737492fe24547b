"""Lock status over HTTP: shares, breakdowns, notes, and the block in a start answer."""

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

from kbapi.curation.notes import parse_note, store_notes
from kbapi.errors import NoteRefused
from kbapi.instance.instance import Instance
from tests.curation.makers import notes_in
from tests.makers import HandMovedClock

CHIP = "norvane-sable-7-4820mx"
NOTE = """+++
key = "harbour-15-menu"
machine = "harbour-15"
control = "voltage_offset"
domain = "core"
source = "Tidewater Bench Club, bench note 3"
reviewed = "2026-06"
+++
The entry is called *Core offset* and shows only after a cold start.
"""


def report(
    client: FlaskClient, number: int, status: str = "open", chip: str = CHIP, **more: Any
) -> None:
    lock = {"domain": "core", "control": "voltage_offset", "status": status}
    lock |= {"found_by": more.pop("found_by", "written_and_read_back")}
    if changes := more.pop("changes", None):
        lock["changes"] = changes
    document = {
        "chip": chip,
        "unit_token": f"k3v9-demo-unit-{number:06}",
        "contributor_token": f"demo-contributor-{more.pop('contributor', number):06}",
        "locks": [lock],
        "measured_in": more.pop("measured_in", "2026-06"),
        "platform": {"machine": "harbour-15", "firmware_month": "2026-03", **more},
    }
    response = client.post("/v1/submissions", json=document)
    assert response.status_code == 201, response.get_json()


def locks(client: FlaskClient, chip: str = CHIP, **asked: Any) -> dict[str, Any]:
    response = client.get("/v1/locks", query_string={"chip": chip, **asked})
    assert response.status_code == 200, response.get_json()
    answer: dict[str, Any] = response.get_json()
    return answer


def test_a_question_about_what_the_chip_lacks_says_what_it_has(client: FlaskClient) -> None:
    lacks = "Norvane Sable 7 4820MX has no io. It has: core, graphics, ring, system_agent."
    answer = locks(client, domain="io")
    assert (answer["absent_text"], answer["locks"]) == (lacks, [])
    assert answer["summary"] == "No reports: Norvane Sable 7 4820MX has no io."
    answer = locks(client, control="count_offset")
    assert answer["absent_text"].startswith("Norvane Sable 7 4820MX has no count_offset.")
    for asked in ({}, {"domain": "core"}, {"domain": "ring", "control": "voltage_offset"}):
        assert locks(client, **asked)["absent_text"] is None


def test_reports_that_something_is_absent_are_shown(client: FlaskClient) -> None:
    lock = {"domain": "io", "control": "voltage_offset", "status": "not_exposed"}
    sent = client.post("/v1/submissions", json={"chip": CHIP, "locks": [lock]})
    assert sent.status_code == 201
    answer = locks(client, domain="io")
    assert [one["domain"] for one in answer["locks"]] == ["io"]
    assert answer["absent_text"] is not None


def test_without_reports_the_answer_states_it_and_what_remains_possible(
    client: FlaskClient,
) -> None:
    answer = locks(client)
    assert answer["locks"] == []
    assert answer["alternatives"]
    assert answer["cautions"][0]["code"] == "history_not_advice"
    start = client.get(f"/v1/start?chip={CHIP}").get_json()
    assert start["locks"]["status"] == "unknown"
    assert list(start).index("locks") < list(start).index("start")


def test_shares_have_intervals_and_one_status(client: FlaskClient) -> None:
    for number in range(40):
        report(client, number, "firmware_locked" if number % 5 == 0 else "open")
    (core,) = locks(client)["locks"]
    assert core["status"] == "open"
    assert core["units"] == 40
    assert core["share_open"] == pytest.approx(0.8, abs=0.02)
    low, high = core["interval"]
    assert 0.6 < low < core["share_open"] < high < 0.95
    units = {one["status"]: one["units"] for one in core["statuses"]}
    assert (units["open"], units["firmware_locked"]) == (32, 8)
    start = client.get(f"/v1/start?chip={CHIP}&control=voltage_offset").get_json()
    assert start["locks"]["status"] == "open"
    assert start["locks"]["interval"] == core["interval"]


def test_no_clear_majority_is_mixed(client: FlaskClient) -> None:
    for number in range(20):
        report(client, number, "open" if number % 2 else "chip_locked")
    assert locks(client)["locks"][0]["status"] == "mixed"


def test_a_report_by_hearsay_weighs_one_half(client: FlaskClient) -> None:
    for number in range(10):
        report(client, number, found_by="owner_says" if number < 5 else "documented")
    (core,) = locks(client)["locks"]
    assert core["units"] == 5
    assert {one["value"]: one["units"] for one in core["found_by"]} == {
        "documented": 5,
        "owner_says": 5,
    }


def test_many_reports_of_one_contributor_weigh_one(client: FlaskClient) -> None:
    for number in range(12):
        report(client, number, "chip_locked", contributor=1)
    assert locks(client)["locks"][0]["units"] == pytest.approx(1, abs=0.01)


def test_the_latest_month_of_a_unit_counts_in_any_order_of_arrival(client: FlaskClient) -> None:
    report(client, 1, "firmware_locked", measured_in="2026-08")
    report(client, 1, "open", measured_in="2026-05")
    (core,) = locks(client)["locks"]
    found = {one["status"]: one["units"] for one in core["statuses"] if one["units"]}
    assert found == {"firmware_locked": 1}


def test_breakdowns_withhold_cells_of_fewer_than_five(client: FlaskClient) -> None:
    months = ["2026-01"] * 7 + ["2026-03"] * 5 + ["2026-05"] * 2
    for number, month in enumerate(months):
        report(client, number, firmware_month=month)
    (core,) = locks(client)["locks"]
    # All units less seven less five would be the two.
    assert [split["value"] for split in core["by_firmware_month"]] == ["2026-01"]
    assert core["withheld_groups"] == 2
    assert [split["units"] for split in core["by_machine"]] == [14]
    for number in range(20, 23):
        report(client, number, firmware_month="2026-07")
    (core,) = locks(client)["locks"]
    assert [split["units"] for split in core["by_firmware_month"]] == [7, 5]


def test_protections_and_changes_are_shown_as_history(client: FlaskClient) -> None:
    for number in range(12):
        off = number < 6
        report(
            client,
            number,
            "open" if off else "os_blocked",
            memory_integrity="off" if off else "on",
            changes=["protection_off"] if off else [],
        )
    (core,) = locks(client)["locks"]
    shares = {split["value"]: split["share_open"] for split in core["by_protection"]}
    assert shares["memory_integrity off"] > 0.8 > 0.2 > shares["memory_integrity on"]
    assert core["changes"] == [{"value": "protection_off", "units": 6}]


def test_filters_select_reports_before_anything_is_counted(client: FlaskClient) -> None:
    for number in range(6):
        report(client, number, "open", firmware_month="2026-03")
    for number in range(6, 12):
        report(client, number, "firmware_locked", firmware_month="2026-07")
    assert locks(client, firmware_month="2026-03")["locks"][0]["status"] == "open"
    assert locks(client, firmware_month="2026-07")["locks"][0]["status"] == "firmware_locked"
    assert locks(client, machine="quay-13")["locks"] == []


def test_a_chip_without_reports_uses_its_series(client: FlaskClient) -> None:
    for number in range(30):
        report(client, number, "chip_locked")
    (core,) = locks(client, "norvane-sable-5-4610mx")["locks"]
    assert core["level"] == "series"
    assert core["units"] == 0
    assert core["status"] == "chip_locked"


def test_a_withdrawn_report_no_longer_counts(client: FlaskClient) -> None:
    document = {
        "chip": CHIP,
        "locks": [{"domain": "core", "control": "voltage_offset", "status": "open"}],
    }
    sent = client.post("/v1/submissions", json=document).get_json()
    assert locks(client)["locks"]
    bearer = {"Authorization": f"Bearer {sent['receipt']}"}
    assert client.delete(sent["links"]["self"], headers=bearer).status_code == 204
    assert locks(client)["locks"] == []


def test_notes_are_shown_with_their_subject(instance: Instance, client: FlaskClient) -> None:
    report(client, 1)
    assert locks(client)["notes"] == []
    store_notes(instance, [NOTE])
    (note,) = locks(client)["notes"]
    assert note["subject"] == "harbour-15"
    assert note["source"] == "Tidewater Bench Club, bench note 3"
    assert "Core offset" in note["text"]
    assert locks(client, control="count_offset")["notes"] == []
    store_notes(instance, [NOTE.replace("cold start", "warm start")])
    assert "warm start" in locks(client)["notes"][0]["text"]
    assert len(notes_in(instance)) == 1


@pytest.mark.parametrize(
    "wrong",
    [
        "no frame at all",
        NOTE.replace("+++\nkey", "+++\nkey = ["),
        NOTE.replace('machine = "harbour-15"\n', ""),
        NOTE.replace('machine = "harbour-15"', 'machine = "harbour-15"\nchip = "x"'),
        NOTE.replace("2026-06", "2026-13"),
        NOTE.replace('"voltage_offset"', '"overvolt"'),
        NOTE.replace("*Core offset*", "<b>Core offset</b>"),
        NOTE.replace("*Core offset*", "[here](http://example.org)"),
        NOTE.replace("reviewed", "revewed"),
        NOTE.replace('key = "harbour-15-menu"', "key = 7"),
    ],
)
def test_a_faulty_note_is_refused(instance: Instance, wrong: str) -> None:
    with pytest.raises(NoteRefused) as refused:
        store_notes(instance, [NOTE, wrong])
    assert refused.value.problems
    assert notes_in(instance) == []


def test_the_readme_of_notes_shows_one_that_is_accepted() -> None:
    notes = Path(__file__).parents[2] / "seed_data" / "club" / "notes"
    for path in sorted(notes.glob("*.md")):
        if path.name != "README.md":
            assert parse_note(path.read_text()).key == path.stem


def test_a_question_about_locks_is_refused_with_every_problem(client: FlaskClient) -> None:
    response = client.get("/v1/locks?chp=x&domain=cor&firmware_month=2026-13&machine=%01")
    assert response.status_code == 422
    pointers = {error["pointer"] for error in response.get_json()["errors"]}
    assert pointers == {"chp", "chip", "domain", "firmware_month", "machine"}


def test_a_chip_with_own_reports_soon_outweighs_its_series(client: FlaskClient) -> None:
    for number in range(200):
        report(client, number, "chip_locked", chip="norvane-sable-5-4610mx", contributor=number)
    for number in range(200, 212):
        report(client, number, "open", firmware_month="2026-01")
    for number in range(212, 224):
        report(client, number, "firmware_locked", firmware_month="2026-06")
    (core,) = locks(client)["locks"]
    shares = {split["value"]: split["share_open"] for split in core["by_firmware_month"]}
    assert shares["2026-01"] > 0.9
    assert shares["2026-06"] < 0.15


def test_under_a_filter_no_status_way_or_change_of_fewer_than_five_units_is_shown(
    client: FlaskClient,
) -> None:
    for number in range(6):
        report(client, number, "firmware_locked")
    for number in range(6, 9):
        report(client, number, found_by="owner_says")
    report(client, 9, changes=["protection_off"])

    def cells(**asked: str) -> tuple[Any, ...]:
        (core,) = locks(client, **asked)["locks"]
        statuses = {one["status"]: one["units"] for one in core["statuses"]}
        ways = {one["value"]: one["units"] for one in core["found_by"]}
        changes = {one["value"]: one["units"] for one in core["changes"]}
        found = statuses, ways, changes, core["unchanged_units"]
        return *found, core["changes_text"], core["withheld_groups"]

    statuses, ways = (
        {"open": 4, "firmware_locked": 6},
        {"owner_says": 3, "written_and_read_back": 7},
    )
    everything = cells()
    assert everything[:4] == (statuses, ways, {"protection_off": 1}, 3)
    assert "3 without a change, 1 with protection_off" in everything[4]
    # Ten less six or seven would be the others.
    left = {}, {}, {}, None, "", 6
    text = locks(client, machine="harbour-15")["withheld_text"]
    rule = "Hidden until five known people have sent results, so that no one can be recognised."
    assert text == f"6 groups are withheld. {rule}"
    assert cells(machine="harbour-15") == left
    assert cells(firmware_month="2026-03") == left


@pytest.mark.parametrize("name", ["domain", "control", "machine", "firmware_month"])
def test_an_empty_value_is_refused(client: FlaskClient, name: str) -> None:
    response = client.get("/v1/locks", query_string={"chip": CHIP, name: ""})
    assert response.status_code == 422
    assert [one["pointer"] for one in response.get_json()["errors"]] == [name]


def test_new_contributors_alone_are_named_in_the_first_sentence_until_one_is_old(
    client: FlaskClient, clock: HandMovedClock
) -> None:
    for number in range(30):
        report(client, number)
    answer = locks(client)
    assert answer["locks"][0]["only_new_contributors"]
    assert "(all senders are new)" in answer["summary"].partition(". ")[0]
    assert "All senders of these reports are new." in answer["locks"][0]["text"]
    clock.moment += timedelta(days=31)
    answer = locks(client)
    assert not answer["locks"][0]["only_new_contributors"]
    assert "stablished" not in answer["summary"] + answer["locks"][0]["text"]


def test_fresh_accounts_and_repeated_documents_hardly_move_a_share(
    client: FlaskClient, clock: HandMovedClock
) -> None:
    for number in range(30):
        report(client, number)
    clock.moment += timedelta(days=31)
    before = locks(client)["locks"][0]["share_open"]
    for number in [*range(100, 122), *range(100, 122)]:
        report(client, number, "firmware_locked")
    (core,) = locks(client)["locks"]
    assert 0 < before - core["share_open"] <= 0.10
    assert core["status"] == "open"
    assert {one["status"]: one["units"] for one in core["statuses"]} == {
        "open": 30,
        "firmware_locked": 22,
    }


def test_a_repeated_document_without_tokens_changes_nothing(client: FlaskClient) -> None:
    lock = {"domain": "core", "control": "voltage_offset", "status": "chip_locked"}
    answers = []
    for _ in range(3):
        client.post("/v1/submissions", json={"chip": CHIP, "locks": [lock]})
        answers.append(locks(client)["locks"])
    assert answers[0] == answers[1] == answers[2]
    assert answers[0][0]["units"] == 0.5
