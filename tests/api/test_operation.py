"""/metrics has requests, answers and the state of the instance, and no text of a sender."""

import re
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from kbapi.app import create_app
from kbapi.instance.instance import Instance
from kbapi.instance.write_gate import WRITE_STATES
from tests.curation.makers import send_deep
from tests.intake.whole_document import a_whole_document
from tests.makers import a_setting, a_submission, an_instance

NAMES = {
    "kbapi_request_seconds",
    "kbapi_answers_total",
    "kbapi_commit_writers",
    "kbapi_write_wait_seconds",
    "kbapi_writes_failed_total",
    "kbapi_submissions_total",
    "kbapi_rules_total",
    "kbapi_follow_ups_total",
    "kbapi_rate_exceeded_total",
    "kbapi_cpu_time_exceeded_total",
    "kbapi_overloaded_total",
    "kbapi_queue_wait_seconds",
    "kbapi_queued_requests",
    "kbapi_rate_local_total",
    "kbapi_rate_faults_total",
    "kbapi_workers",
    "kbapi_info",
    "kbapi_writes",
    "kbapi_condition",
    "kbapi_storage_bytes",
    "kbapi_free_bytes",
    "kbapi_storage_readable",
    "kbapi_hosts",
    "kbapi_rescreening_due",
    "kbapi_review_waiting",
    "kbapi_start_moved_mv",
    "kbapi_start_moved_counts",
}
START = "/v1/start?chip=norvane-sable-7-4820mx"


def counts(client: FlaskClient) -> dict[str, float]:
    answer = client.get("/metrics")
    assert answer.status_code == 200
    assert answer.mimetype == "text/plain"
    lines = answer.get_data(as_text=True).splitlines()
    values = (line.rsplit(" ", 1) for line in lines if not line.startswith("#"))
    return {name: float(value) for name, value in values}


def risen(client: FlaskClient, before: dict[str, float], *families: str) -> dict[str, float]:
    """What the counters of these families have risen by."""
    after = counts(client)
    changed = {name: value - before.get(name, 0) for name, value in after.items()}
    return {name: value for name, value in changed.items() if value and name.startswith(families)}


def test_outcomes_of_documents_and_applied_rules_are_counted(client: FlaskClient) -> None:
    before = counts(client)
    hot = a_whole_document()
    hot["readings"][0]["temp_avg_c"] = 511
    claim = a_submission(a_setting(unstable_at=None))
    for document in (hot, claim, claim, a_submission(a_setting(stable_at=80))):
        client.post("/v1/submissions", json=document)
    assert risen(client, before, "kbapi_submissions", "kbapi_rules") == {
        'kbapi_submissions_total{outcome="stored"}': 2,
        'kbapi_submissions_total{outcome="repeated"}': 1,
        'kbapi_submissions_total{outcome="refused"}': 1,
        'kbapi_rules_total{concern="reading",rule="sensor_sentinel"}': 1,
        'kbapi_rules_total{concern="setting",rule="effect_unproven"}': 1,
        'kbapi_rules_total{concern="refusal",rule="above_stock"}': 1,
    }


def test_a_dry_run_counts_nothing(client: FlaskClient) -> None:
    before = counts(client)
    client.post("/v1/submissions?dry_run=true", json=a_submission())
    client.post("/v1/submissions/batch?dry_run=true", json=[a_submission()])
    values = ("kbapi_submissions", "kbapi_rules", "kbapi_follow_ups", "kbapi_commit")
    assert risen(client, before, *values) == {}


def test_metric_names_are_registered_and_labels_are_closed_lists(client: FlaskClient) -> None:
    client.post("/v1/submissions", json={"anna@mail.example": "/home/anna", "chip": "x y z"})
    client.open("/anna/at/home?anna=1", method="ANNA")
    client.get("/v1/submissions/01a21000-8800-736b-8fa7-7e16bf7f60fd")
    values = client.get("/metrics").get_data(as_text=True)
    assert "anna" not in values.lower()
    assert "01a21000" not in values
    assert set(re.findall(r"^# TYPE (\w+)", values, re.MULTILINE)) == NAMES
    word = r'"([a-z_]+|[A-Z]+|none|[2-5]xx|/[a-z0-9_/{}.-]*|[0-9.]+(\.dev\d+)?|\+Inf)"'
    for name in counts(client):
        assert re.sub("_(bucket|sum|count)$", "", name.partition("{")[0]) in NAMES
        assert re.fullmatch(rf"\w+(\{{(\w+={word},?)+\}})?", name), name


def test_requests_are_counted_by_rule_method_and_class_of_status(client: FlaskClient) -> None:
    before = counts(client)
    for _ in range(3):
        client.get(START)
    client.get("/v1/start?chp=x")
    client.get("/v1/chips/norvane-sable-7-4820mx")
    client.open("/nowhere", method="PROPFIND")
    values = risen(client, before, "kbapi_request_seconds_count")
    values = {name.removeprefix("kbapi_request_seconds_count"): n for name, n in values.items()}
    del values['{method="GET",route="/metrics",status="2xx"}']
    assert values == {
        '{method="GET",route="/v1/start",status="2xx"}': 3,
        '{method="GET",route="/v1/start",status="4xx"}': 1,
        '{method="GET",route="/v1/chips/{chip}",status="2xx"}': 1,
        '{method="other",route="none",status="4xx"}': 1,
    }


def test_answers_are_counted_by_their_origin(client: FlaskClient) -> None:
    for number in range(10):  # about fewer units no answer is stored
        client.post("/v1/submissions", json=a_submission(number=number))
    before = counts(client)
    for _ in range(3):
        client.get(START)
    assert risen(client, before, "kbapi_answers") == {
        'kbapi_answers_total{served="computed"}': 1,
        'kbapi_answers_total{served="stored"}': 2,
    }


def test_commits_their_writers_and_the_wait_are_counted(client: FlaskClient) -> None:
    before = counts(client)
    for number in range(2):
        client.post("/v1/submissions", json=a_submission(number=number))
    values = risen(client, before, "kbapi_commit_writers", "kbapi_write_wait_seconds_count")
    assert values["kbapi_commit_writers_sum"] == values["kbapi_commit_writers_count"] == 2
    assert values["kbapi_write_wait_seconds_count"] == 2


@pytest.mark.parametrize(
    ("changes", "code"),
    [({"read_only": True}, "read_only"), ({"min_free_bytes": 1 << 60}, "storage_full")],
)
def test_the_reason_for_refused_writes_and_each_failed_write_are_shown(
    instance: Instance, changes: dict[str, object], code: str
) -> None:
    closed = Instance(instance.settings.model_copy(update=changes), instance.now)
    client = create_app(closed).test_client()
    before = counts(client)
    assert client.post("/v1/submissions", json=a_submission()).status_code == 503
    assert risen(client, before, "kbapi_writes_failed") == {
        f'kbapi_writes_failed_total{{code="{code}"}}': 1
    }
    states = {name: value for name, value in counts(client).items() if "kbapi_writes{" in name}
    assert len(states) == len(WRITE_STATES)
    assert [name for name, value in states.items() if value] == [f'kbapi_writes{{state="{code}"}}']
    closed.close()


def test_the_state_of_the_instance_comes_from_its_files_and_its_queue(
    instance: Instance, client: FlaskClient
) -> None:
    for number in range(3):
        send_deep(instance, number=number)
    values = counts(client)
    home: Path = instance.settings.home
    assert values['kbapi_storage_bytes{file="database"}'] == (home / "kbapi.sqlite3").stat().st_size
    assert values['kbapi_storage_bytes{file="log"}'] == (home / "kbapi.sqlite3-wal").stat().st_size
    assert values["kbapi_free_bytes"] > 0
    assert values["kbapi_storage_readable"] == 1
    assert values['kbapi_review_waiting{part="screening"}'] == 3
    assert values['kbapi_review_waiting{part="statistics"}'] == 0
    assert values['kbapi_writes{state="accepted"}'] == 1
    assert [value for name, value in values.items() if name.startswith("kbapi_info{")] == [1]


def test_an_unreadable_database_is_reported_and_no_server_error(
    instance: Instance, client: FlaskClient
) -> None:
    instance.close()
    home: Path = instance.settings.home
    for file in home.glob("kbapi.sqlite3*"):
        file.unlink()
    (home / "kbapi.sqlite3").write_bytes(b"no database at all" * 100)
    values = counts(client)
    assert values["kbapi_storage_readable"] == 0
    assert not [name for name in values if "review_waiting" in name]


def test_the_service_describes_every_operation_below_v1(client: FlaskClient) -> None:
    described = client.get("/v1").get_json()
    document = client.get("/openapi.json").get_json()
    operations = {
        (method.upper(), path): operation["summary"]
        for path, item in document["paths"].items()
        for method, operation in item.items()
        if path.startswith("/v1") and method != "parameters"
    }
    found = {(one["method"], one["path"]): one["summary"] for one in described["endpoints"]}
    assert found == operations
    assert described["version"] == document["info"]["version"]
    assert described["join"] == "open"
    for page in (described["openapi"], described["guides"], described["problems"]):
        assert client.get(page).status_code == 200


def test_a_closed_instance_describes_itself_to_all(tmp_path: Path) -> None:
    closed = create_app(an_instance(tmp_path, join="closed")).test_client()
    assert closed.get("/v1").get_json()["join"] == "closed"
    assert closed.get("/v1?join=open").status_code == 422
