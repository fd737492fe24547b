"""A typed client, generated from the API document, submits, queries and withdraws."""

import importlib
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.house.write_openapi import COMMITTED
from tests.system.server import KBAPI, Server

DOCUMENT: dict[str, Any] = json.loads(COMMITTED.read_text())
OPERATIONS = {
    operation["operationId"]: operation
    for item in DOCUMENT["paths"].values()
    for method, operation in item.items()
    if method != "parameters"
}
CHIP = "norvane-sable-7-4820mx"
QUESTIONS: dict[str, dict[str, Any]] = {
    "suggest_start": {"chip": CHIP},
    "show_stability": {"chip": CHIP},
    "show_locks": {"chip": CHIP},
    "show_longevity": {"chip": CHIP},
    "show_gains": {"chip": CHIP},
    "suggest_power_limit": {"chip": CHIP},
    "identify_chip": {"text": "Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz"},
    "browse_chips": {},
    "describe_chip": {"chip": CHIP},
    "describe_service": {},
    "check_live": {},
    "check_ready": {},
}


def run(*command: str) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    return done


def example(operation: str) -> Any:
    return OPERATIONS[operation]["requestBody"]["content"]["application/json"]["example"]


class Client:
    """The generated client; every answer is held against the JSON that it came as."""

    def __init__(self, package: str, port: int) -> None:
        self.package = package
        self.url = f"http://127.0.0.1:{port}"
        self.models = importlib.import_module(f"{package}.models")
        self.asked: set[str] = set()

    def ask(
        self,
        operation: str,
        status: int = 200,
        token: str = "",
        contributor: str = "",
        **arguments: Any,
    ) -> Any:
        """The typed answer, with all fields of the JSON."""
        clients = importlib.import_module(f"{self.package}.client")
        client = clients.Client(self.url)
        if token:
            client = clients.AuthenticatedClient(self.url, token)
        if contributor:
            way = {"prefix": "", "auth_header_name": "Kbapi-Contributor"}
            client = clients.AuthenticatedClient(self.url, contributor, **way)
        tag = OPERATIONS[operation]["tags"][0]
        module = importlib.import_module(f"{self.package}.api.{tag}.{operation}")
        with client:
            answer = module.sync_detailed(client=client, **arguments)
        assert answer.status_code == status, answer.content
        self.asked.add(operation)
        described = OPERATIONS[operation]["responses"][str(status)].get("content", {})
        for media_type, content in described.items():
            if not media_type.endswith("json"):
                assert answer.parsed == answer.content.decode()
                continue
            name = content["schema"]["$ref"].rpartition("/")[2]
            assert type(answer.parsed) is getattr(self.models, name)
            assert answer.parsed.to_dict() == json.loads(answer.content)
        return answer.parsed

    def body(self, name: str, document: Any) -> Any:
        """A request body as its class, which holds all of the document."""
        made = getattr(self.models, name).from_dict(document)
        assert made.to_dict() == document
        return made


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The name of the generated package, which can be imported."""
    folder = tmp_path_factory.mktemp("generated")
    (folder / "config.yaml").write_text("post_hooks: []\n")
    said = run(
        *(sys.executable, "-m", "openapi_python_client", "generate"),
        *("--path", str(COMMITTED), "--config", str(folder / "config.yaml")),
        *("--meta", "none", "--output-path", str(folder / "kbapi_client")),
    ).stderr
    # The one thing that it cannot send is a batch as lines; as a list it can.
    warnings = [line for line in said.splitlines() if "WARNING" in line]
    assert warnings == ["WARNING parsing POST /v1/submissions/batch within submissions."]
    assert "Unsupported content type application/x-ndjson" in said
    sys.path.insert(0, str(folder))
    yield "kbapi_client"
    sys.path.remove(str(folder))


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("instance") / "home"
    run(*KBAPI, "demo", "--no-serve", "--results", "900", "--home", str(folder))
    return folder


def test_a_generated_client_submits_queries_and_withdraws(package: str, home: Path) -> None:
    key = run(*KBAPI, "keys", "add", "--scope", "curate", "--home", str(home)).stdout.strip()
    with Server(home) as server:
        client = Client(package, server.port)
        for operation, arguments in QUESTIONS.items():
            client.ask(operation, **arguments)
        assert client.ask("suggest_start", chip=CHIP).start.setting_mv < 0
        ask_with_a_body(client)
        send_one_and_withdraw_it(client)
        send_many_and_withdraw_them(client)
        review(client, key)
        assert "kbapi_workers 2.0" in client.ask("read_metrics")
        refused = client.ask("suggest_start", status=422, chip="no such chip")
        assert refused.errors[0].pointer == "chip"
    assert client.asked == set(OPERATIONS)


def ask_with_a_body(client: Client) -> None:
    search = client.body("NextStepRequest", example("propose_next_step"))
    found = client.ask("propose_next_step", body=search)
    assert found.next_step.value_to_enter < 0
    failed = client.body("DiagnosisRequest", example("diagnose_setting"))
    assert client.ask("diagnose_setting", body=failed).check_first[0].question


def send_one_and_withdraw_it(client: Client) -> None:
    result = client.body("Submission", example("submit_result"))
    assert client.ask("submit_result", body=result, dry_run=True).dry_run is True
    sent = client.ask("submit_result", status=201, body=result, idempotency_key='"one"')
    assert sent.screening.status == "counted"
    own = {"submission_id": sent.id, "token": sent.receipt}
    tokens = {"unit_token", "contributor_token"}
    stored = {name: value for name, value in result.to_dict().items() if name not in tokens}
    assert client.ask("read_result", **own).document.to_dict() == stored
    outcome = client.body("FollowUp", example("submit_follow_up"))
    assert client.ask("submit_follow_up", status=201, body=outcome, **own).status == "counted"
    assert client.ask("read_result", **own).follow_ups[0].status == "counted"
    assert client.ask("read_result", status=403, **{**own, "token": "kbr_0"}).status == 403
    corrected = client.ask("correct_result", body=result, **own)
    assert (corrected.id, corrected.screening.status) == (sent.id, "counted")
    client.ask("withdraw_result", status=204, **own)
    assert client.ask("read_result", status=410, **own).title


def send_many_and_withdraw_them(client: Client) -> None:
    results = [client.body("Submission", one) for one in example("submit_batch")]
    sent = client.ask("submit_batch", status=201, body=results)
    assert (sent.counts.stored, sent.items[0].status) == (2, "counted")
    contributor = results[0].contributor_token
    assert len(client.ask("list_my_submissions", contributor=contributor).submissions) == 2
    assert client.ask("withdraw_my_submissions", contributor=contributor).withdrawn == 2


def review(client: Client, key: str) -> None:
    (first, *_) = client.ask("list_review", token=key).waiting
    item = client.ask(
        "show_review_item", token=key, submission_id=first.submission, ordinal=first.ordinal
    )
    assert item.setting == first
    wanted = example("submit_decisions")
    wanted["decisions"][0] |= {"submission": first.submission, "ordinal": first.ordinal}
    decided = client.ask("submit_decisions", token=key, body=client.body("Decisions", wanted))
    assert decided.decided == 1
    of_all_results(client, key, first.submission)


def of_all_results(client: Client, key: str, submission: str) -> None:
    order = client.models.ListResultsOrder("influence")
    page = client.ask("list_results", token=key, order=order, limit=3)
    influence = page.submissions[0].influence
    assert influence.is_exact
    number = page.submissions[0].contributor
    about = client.ask("describe_contributor", token=key, number=number)
    assert about.pools[0].units >= 1
    whole = client.ask("show_result", token=key, submission_id=submission)
    assert whole.history[0].decisions[0].key == 1
    reason = {"token": key, "reason": client.models.ErasureReason("false_results")}
    assert client.ask("erase_result", submission_id=submission, **reason).results == 1
    shown = client.ask("erase_results_of_contributor", number=number, dry_run=True, **reason)
    confirmed = reason | {"confirm": shown.confirm}
    erased = client.ask("erase_results_of_contributor", number=number, **confirmed)
    assert (erased.dry_run, erased.results) == (False, shown.results)
