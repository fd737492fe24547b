"""/metrics tells how often each rule applied; what a sender wrote is never in it."""

import re

from flask.testing import FlaskClient

from tests.intake.whole_document import a_whole_document
from tests.makers import a_setting, a_submission

NAMES = {
    "kbapi_submissions_total",
    "kbapi_rules_total",
    "kbapi_follow_ups_total",
    "kbapi_rate_faults_total",
}


def counts(client: FlaskClient) -> dict[str, float]:
    answer = client.get("/metrics")
    assert answer.status_code == 200
    assert answer.mimetype == "text/plain"
    lines = answer.get_data(as_text=True).splitlines()
    told = (line.rsplit(" ", 1) for line in lines if not line.startswith("#"))
    return {name: float(value) for name, value in told if "_created" not in name}


def risen(client: FlaskClient, before: dict[str, float]) -> dict[str, float]:
    after = counts(client)
    changed = {name: value - before.get(name, 0) for name, value in after.items()}
    return {name: value for name, value in changed.items() if value}


def test_what_becomes_of_documents_and_which_rules_applied_is_counted(client: FlaskClient) -> None:
    before = counts(client)
    hot = a_whole_document()
    hot["readings"][0]["temp_avg_c"] = 511
    claim = a_submission(a_setting(unstable_at=None))
    for document in (hot, claim, claim, a_submission(a_setting(stable_at=80))):
        client.post("/v1/submissions", json=document)
    assert risen(client, before) == {
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
    assert risen(client, before) == {}


def test_names_are_the_registered_ones_and_labels_are_words(client: FlaskClient) -> None:
    client.post("/v1/submissions", json={"anna@mail.example": "/home/anna", "chip": "x y z"})
    for name in counts(client):
        assert name.partition("{")[0] in NAMES
        assert re.fullmatch(r'\w+(\{(\w+="[a-z_]+",?)+\})?', name), name
