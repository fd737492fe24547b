"""The client loses no result and stores none twice, whatever server, network and disk do."""

import json
import os
import shutil
import subprocess
import sys
import threading
import zipfile
from collections.abc import Iterator
from email.message import Message
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from inspect import signature
from pathlib import Path
from typing import Any

import pytest

from kbapi.client import kbapi_client
from kbapi.client.kbapi_client import (
    Client,
    MachineNotNamed,
    NotAcknowledged,
    NotKbapi,
    Refused,
    Reply,
    Unreachable,
)
from tests.house.texts import ROOT
from tests.processes import free_port
from tests.system.faulty_proxy import faulty_proxy
from tests.system.server import Server

CHIP = "Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz"
FILE = Path(kbapi_client.__file__)
POSIX_ONLY = ("fcntl", "pwd", "grp", "resource", "termios")


def a_result(depth: int = 82, **more: Any) -> dict[str, Any]:
    ends = {"stable_at": -depth, "unstable_at": -depth - 6, "minutes": 65}
    return {
        "chip": CHIP,
        "settings": [{"domain": "core", "control": "voltage_offset", **ends}],
    } | more


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with Server(tmp_path_factory.mktemp("client") / "home", workers=1) as server:
        yield server


@pytest.fixture
def client(server: Server, tmp_path: Path) -> Client:
    return Client(f"http://127.0.0.1:{server.port}", home=tmp_path / "own", tries=2)


@pytest.fixture(autouse=True)
def pauses(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """How long the client would have waited, each time."""
    waited: list[float] = []
    monkeypatch.setattr(kbapi_client.time, "sleep", waited.append)
    return waited


class Scripted(ThreadingHTTPServer):
    """A server that gives the next answer of a list, and the last one again and again."""

    daemon_threads = True

    def __init__(self, *answers: tuple[int, dict[str, str], bytes]) -> None:
        super().__init__(("127.0.0.1", 0), _OfAScript)
        self.answers = list(answers)
        self.asked: list[tuple[str, str, Message, bytes]] = []

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server_address[1]}"

    def __enter__(self) -> "Scripted":
        threading.Thread(target=self.serve_forever, args=(0.02,), daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self.shutdown()
        self.server_close()


class _OfAScript(BaseHTTPRequestHandler):
    server: Scripted

    def _answer(self) -> None:
        body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        asked = self.server.asked
        asked.append((self.command, self.path, self.headers, body))
        status, fields, text = self.server.answers[min(len(asked), len(self.server.answers)) - 1]
        self.send_response(status)
        for name, value in ({"Content-Length": str(len(text))} | fields).items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(text)

    do_GET = do_POST = do_PUT = do_DELETE = _answer  # noqa: N815 - the names are given

    def log_message(self, *_: object) -> None:
        pass


def an_answer(value: Any, status: int = 200, **fields: str) -> tuple[int, dict[str, str], bytes]:
    named = {name.replace("_", "-"): text for name, text in fields.items()}
    return status, named, json.dumps(value).encode()


DRY = an_answer({"chip": {"key": "norvane-sable-7-4820mx"}, "receipt": None})
ACCEPTED = an_answer(
    {
        "id": "01a21000-8800-736b-8fa7-7e16bf7f60fd",
        "receipt": "kbr_1",
        "chip": {"key": "norvane-sable-7-4820mx"},
        "screening": {"status": "counted", "reasons": []},
    },
    201,
)
BAD_GATEWAY = (502, {"Content-Type": "text/html"}, b"<html>Bad gateway</html>")
PROBLEM = {"type": "/problems/x", "title": "It is refused.", "detail": "Choose another."}


def own(url: str, tmp_path: Path, **given: Any) -> Client:
    return Client(url, home=tmp_path / "own", **given)


def refused_in(client: Client) -> list[dict[str, Any]]:
    found = sorted((client.outbox.folder / "refused").glob("*.json"))
    return [json.loads(file.read_text()) for file in found]


# Against a real server


def test_a_result_is_sent_with_saved_tokens_and_its_receipt_is_saved(client: Client) -> None:
    answer = client.submit(a_result())
    kept = json.loads(client.sender.path.read_text())
    assert kept["receipts"][answer["id"]]["receipt"] == answer["receipt"]
    assert kept["receipts"][answer["id"]]["chip"] == "norvane-sable-7-4820mx"
    (unit,) = kept["units"]
    assert unit["chip"] == "norvane-sable-7-4820mx"
    assert list(client.outbox.folder.iterdir()) == []
    stored = client.result(answer["id"])
    assert stored["document"]["chip"] == CHIP
    assert [one["id"] for one in client.own_results()] == [answer["id"]]
    client.submit(a_result(86))
    assert json.loads(client.sender.path.read_text())["units"] == [unit]


def test_a_result_is_followed_up_corrected_and_withdrawn(client: Client) -> None:
    identifier = client.submit(a_result(71))["id"]
    report = {"domain": "core", "control": "voltage_offset", "setting": -71, "days": 31}
    followed = client.follow_up(identifier, report | {"outcome": "still_stable"})
    assert followed["status"] in ("counted", "recorded", "unverified")
    assert client.correct(identifier, a_result(70))["id"] == identifier
    client.withdraw(identifier.upper())
    assert client.own_results() == []
    with pytest.raises(LookupError, match="has no receipt"):
        client.withdraw(identifier)


def test_every_question_is_answered(client: Client) -> None:
    for question in ("start", "stability", "locks", "gains", "power", "longevity"):
        assert getattr(client, question)(CHIP)["chip"]["key"] == "norvane-sable-7-4820mx"
    assert client.identify(CHIP)["chip"]["key"] == "norvane-sable-7-4820mx"
    assert client.chip("norvane-sable-7-4820mx")["chip"]["key"] == "norvane-sable-7-4820mx"
    assert client.chips("sable 4820", limit=1)["chips"] != []
    assert client.service()["version"]
    moved = client.start(CHIP, moved_with=["ring"], confidence=0.9)
    assert moved["chip"]["key"] == "norvane-sable-7-4820mx"
    with pytest.raises(Refused, match="chip") as refusal:
        client.start("no such chip")
    assert refusal.value.status in (404, 422)
    assert client.try_out(a_result())["chip"]["key"] == "norvane-sable-7-4820mx"
    assert client.sender.read() is None


def test_a_batch_returns_each_outcome_and_keeps_refused_documents(client: Client) -> None:
    wrong = a_result(settings=[])
    found = client.batch([a_result(75), wrong, a_result(77)])
    assert [one["status"] == "refused" for one in found] == [False, True, False]
    assert [one["index"] for one in found] == [0, 1, 2]
    assert found[1]["errors"][0]["detail"]
    (kept,) = refused_in(client)
    assert [one["settings"] for one in kept["documents"]] == [[]]
    assert kept["problem"][0]["errors"] == found[1]["errors"]
    receipts = json.loads(client.sender.path.read_text())["receipts"]
    assert set(receipts) == {found[0]["id"], found[2]["id"]}
    all_wrong = client.batch([wrong, wrong])
    assert [(one["status"], bool(one["errors"])) for one in all_wrong] == [("refused", True)] * 2
    assert len(refused_in(client)) == 2
    assert client.outbox.waiting() == []


def test_a_full_disk_after_the_answer_repeats_the_request_and_stores_it_once(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as full:
        full.setattr(client.sender, "save_receipts", fails)
        with pytest.raises(OSError, match="No space left"):
            client.submit(a_result(79))
    (item,) = client.outbox.waiting()
    ((sent, answer),) = client.send_outbox()
    assert sent == item
    assert [one["id"] for one in client.own_results()] == [answer["id"]]
    assert list(json.loads(client.sender.path.read_text())["receipts"]) == [answer["id"]]


def test_answers_that_are_lost_on_the_way_store_nothing_twice(
    server: Server, tmp_path: Path
) -> None:
    with faulty_proxy(server.port, seed=3) as proxy:
        client = own(proxy.url, tmp_path, tries=6)
        proxy.dropped = 1.0
        for depth in (80, 81, 82):
            # With tokens the first request is the result itself.
            tokens = client.sender.tokens_for("norvane-sable-7-4820mx", f"rig-{depth}")
            with pytest.raises(NotAcknowledged, match="waits in"):
                client.submit(a_result(depth, **tokens))
        direct = own(f"http://127.0.0.1:{server.port}", tmp_path)
        assert len(direct.own_results()) == 3
        assert len(client.outbox.waiting()) == 3
        proxy.dropped = 0.0
        assert [answer["receipt"][:4] for _, answer in client.send_outbox()] == ["kbr_"] * 3
        results = [one["id"] for one in client.own_results()]
        report = {"domain": "core", "control": "voltage_offset", "outcome": "failed_later"}
        proxy.dropped = 1.0
        with pytest.raises(NotAcknowledged, match="waits in"):
            client.follow_up(results[0], {**report, "setting": -80, "days": 31})
        proxy.dropped = 0.0
        ((_, followed),) = client.send_outbox()
        whole = client.result(results[0])
    assert len(results) == 3
    assert followed["status"]
    assert len(whole["follow_ups"]) == 1


def test_two_processes_send_a_request_once(client: Client, server: Server) -> None:
    item = client.put_in_outbox(a_result(83))
    other = Client(client.url, home=client.outbox.folder.parent)
    with client.outbox.held(item) as is_ours:
        assert is_ours
        assert other.send_outbox() == []
    assert [path for path, _ in other.send_outbox()] == [item]
    assert client.send_outbox() == []
    assert list(client.outbox.folder.iterdir()) == []


# Servers and proxies that answer otherwise


def test_a_proxy_that_answers_with_html_is_asked_again(tmp_path: Path, pauses: list[float]) -> None:
    with Scripted(BAD_GATEWAY, BAD_GATEWAY, DRY, BAD_GATEWAY, ACCEPTED) as scripted:
        answer = own(scripted.url, tmp_path).submit(a_result())
        keys = {headers["Idempotency-Key"] for *_, headers, _ in scripted.asked[3:]}
        bodies = {body for *_, body in scripted.asked[3:]}
    assert answer["receipt"] == "kbr_1"
    assert (len(keys), len(bodies)) == (1, 1)
    assert len(pauses) == 3
    assert pauses[0] < 1.25 * pauses[1] < 4 * pauses[0]


def test_retry_after_is_obeyed_as_seconds_and_as_a_date(
    tmp_path: Path, pauses: list[float]
) -> None:
    # The dates are far from the clock of this machine, which does not count.
    dates = {
        "Date": "Sun, 06 Nov 1994 08:49:37 GMT",
        "Retry-After": "Sun, 06 Nov 1994 08:49:57 GMT",
    }
    busy = (503, {"Retry-After": "7"}, b"{}")
    start = an_answer({"chip": {}, "summary": ""})
    reply = Reply(503, dates, None)
    assert reply.retry_after_s == 20.0
    with Scripted(busy, start) as scripted:
        own(scripted.url, tmp_path).start(CHIP)
    assert 7.0 <= pauses[0] < 7.5
    with Scripted((503, {"Retry-After": "3600"}, b"{}")) as scripted:
        with pytest.raises(Refused):
            own(scripted.url, tmp_path).start(CHIP)
        assert len(scripted.asked) == 1


@pytest.mark.parametrize("place", ["//{other}/v1/submissions", "http://{other}/"])
@pytest.mark.parametrize("status", [301, 302, 307, 308])
def test_no_key_and_no_result_follows_a_redirect(tmp_path: Path, place: str, status: int) -> None:
    with Scripted(ACCEPTED) as other:
        there = place.format(other=other.url.removeprefix("http://"))
        with Scripted(DRY, (status, {"Location": there}, b"")) as scripted:
            client = own(scripted.url, tmp_path, key="kbk_secret")
            with pytest.raises(NotAcknowledged, match="has moved to"):
                client.submit(a_result())
            assert scripted.asked[0][2]["Authorization"] == "Bearer kbk_secret"
        assert other.asked == []
    assert len(client.outbox.waiting()) == 1


@pytest.mark.parametrize(
    "answer",
    [
        (200, {"Content-Type": "text/html"}, b"<html>Please sign in to this network</html>"),
        (200, {}, b""),
        an_answer({"ok": True}),
        an_answer([]),
        an_answer(PROBLEM, 401),
        an_answer(PROBLEM, 403),
        an_answer(PROBLEM, 404),
        (404, {"Content-Type": "text/html"}, b"<html>Not found</html>"),
        an_answer({"message": "blocked"}, 422),
        (201, {"Content-Length": "9000"}, b'{"id": "01'),
    ],
)
def test_only_an_answer_of_the_instance_removes_a_result(tmp_path: Path, answer: Any) -> None:
    with Scripted(DRY, answer) as scripted:
        client = own(scripted.url, tmp_path, tries=1)
        with pytest.raises(NotAcknowledged, match="waits in"):
            client.submit(a_result())
    assert len(client.outbox.waiting()) == 1
    assert refused_in(client) == []


def test_a_refused_document_is_kept_with_its_problem(tmp_path: Path) -> None:
    with Scripted(an_answer(PROBLEM, 422)) as scripted:
        client = own(scripted.url, tmp_path)
        with pytest.raises(Refused, match="Choose another") as refusal:
            client.submit(a_result())
        assert len(scripted.asked) == 1
    assert (refusal.value.status, refusal.value.problem) == (422, PROBLEM)
    (kept,) = refused_in(client)
    assert (kept["problem"], kept["documents"]) == (PROBLEM, [a_result()])
    assert client.outbox.waiting() == []
    assert client.sender.read() is None


def test_a_missing_server_is_asked_for_one_request_only(
    tmp_path: Path, pauses: list[float]
) -> None:
    client = own(f"http://127.0.0.1:{free_port()}", tmp_path, tries=3)
    items = [client.put_in_outbox(a_result(depth)) for depth in (80, 81, 82)]
    ((item, error),) = client.send_outbox()
    assert (item, len(pauses)) == (items[0], 2)
    assert isinstance(error.__cause__, Unreachable)
    assert client.outbox.waiting() == items
    found = client.batch([a_result(depth) for depth in range(80, 90)])
    assert {one["status"] for one in found} == {"waiting"}
    assert len(client.outbox.waiting()) == 4


def test_a_request_waits_for_its_own_server(tmp_path: Path) -> None:
    client = own(f"http://127.0.0.1:{free_port()}", tmp_path, tries=1)
    client.put_in_outbox(a_result())
    with Scripted(ACCEPTED) as other:
        moved = own(other.url, tmp_path)
        assert moved.send_outbox() == []
        assert moved.waiting_elsewhere() == {client.url: 1}
        assert other.asked == []


def test_a_receipt_goes_only_to_the_server_that_gave_it(tmp_path: Path) -> None:
    with Scripted(DRY, ACCEPTED) as scripted:
        identifier = own(scripted.url, tmp_path).submit(a_result())["id"]
    with Scripted(ACCEPTED) as other:
        elsewhere = own(other.url, tmp_path)
        for use in (elsewhere.withdraw, elsewhere.result):
            with pytest.raises(LookupError, match="belongs to"):
                use(identifier)
        with pytest.raises(LookupError, match="belongs to"):
            elsewhere.follow_up(identifier, {"outcome": "still_stable"})
        assert other.asked == []
    assert elsewhere.outbox.waiting() == []


def test_a_withdrawal_whose_answer_was_lost_is_done(tmp_path: Path) -> None:
    gone = an_answer(PROBLEM, 410)
    with Scripted(DRY, ACCEPTED, BAD_GATEWAY, gone) as scripted:
        client = own(scripted.url, tmp_path)
        client.withdraw(client.submit(a_result())["id"])
    kept = client.sender.read()
    assert kept is not None
    assert kept["receipts"] == {}


@pytest.mark.parametrize("url", ["club.example", "ftp://club.example", "http://", "http://[::1"])
def test_what_is_no_address_is_refused_at_once(url: str, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"address|IPv6"):
        own(url, tmp_path)


def test_a_server_that_is_not_kbapi_is_asked_once(tmp_path: Path) -> None:
    with Scripted((200, {}, b"<html>")) as scripted:
        with pytest.raises(NotKbapi, match="is not kbapi"):
            own(scripted.url, tmp_path).start(CHIP)
        assert len(scripted.asked) == 1


# The disk


def test_nothing_is_sent_that_cannot_be_written_first(tmp_path: Path) -> None:
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "outbox").write_text("a file where a folder should be")
    with Scripted(DRY, ACCEPTED) as scripted:
        with pytest.raises(OSError, match="outbox"):
            own(scripted.url, tmp_path).submit(a_result())
        assert scripted.asked == []


def test_a_full_disk_leaves_no_half_of_a_request(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    client = own("http://127.0.0.1:1", tmp_path)
    client.put_in_outbox(a_result())
    before = {path.name for path in client.outbox.folder.iterdir() if path.suffix != ".lock"}
    monkeypatch.setattr(os, "fsync", fails)
    with pytest.raises(OSError, match="No space left"):
        client.put_in_outbox(a_result())
    after = {path.name for path in client.outbox.folder.iterdir() if path.suffix != ".lock"}
    assert after == before


def test_questions_need_no_folder(tmp_path: Path) -> None:
    (tmp_path / "own").write_text("a file where a folder should be")
    with Scripted(an_answer({"summary": "x"})) as scripted:
        assert own(scripted.url, tmp_path).start(CHIP) == {"summary": "x"}


def test_a_damaged_request_stays_and_the_others_are_sent(tmp_path: Path) -> None:
    with Scripted(DRY, ACCEPTED) as scripted:
        client = own(scripted.url, tmp_path)
        damaged = client.put_in_outbox(a_result())
        damaged.write_text('{"version": 1, "ser')
        whole = client.put_in_outbox(a_result())
        found = dict(client.send_outbox())
    assert isinstance(found[damaged], ValueError)
    assert found[whole]["receipt"] == "kbr_1"
    assert client.outbox.waiting() == [damaged]


def test_a_damaged_senders_file_stops_everything_and_stays(tmp_path: Path) -> None:
    with Scripted(DRY, ACCEPTED) as scripted:
        client = own(scripted.url, tmp_path)
        client.sender.path.parent.mkdir()
        client.sender.path.write_text('{"version": 1, "more": 1}')
        with pytest.raises(ValueError, match="cannot be read"):
            client.submit(a_result())
        assert len(scripted.asked) == 1  # it asked for the chip, and sent no result
    assert client.sender.path.read_text() == '{"version": 1, "more": 1}'
    assert len(client.outbox.waiting()) == 1


def test_a_chip_in_several_machines_blocks_no_other_request(tmp_path: Path) -> None:
    with Scripted(DRY, DRY, ACCEPTED) as scripted:
        client = own(scripted.url, tmp_path)
        for machine in ("harbour-15", "harbour-17"):
            client.sender.tokens_for("norvane-sable-7-4820mx", machine)
        unnamed = client.put_in_outbox(a_result())
        named = client.put_in_outbox(a_result(), machine="harbour-17")
        found = dict(client.send_outbox())
    assert isinstance(found[unnamed], MachineNotNamed)
    assert found[named]["receipt"] == "kbr_1"
    assert client.outbox.waiting() == []
    (kept,) = refused_in(client)
    assert "harbour-15, harbour-17" in kept["problem"]["title"]


def test_what_a_crash_left_is_removed_after_a_day(tmp_path: Path) -> None:
    client = own("http://127.0.0.1:1", tmp_path)
    item = client.outbox.new_item()
    client.outbox.folder.mkdir(parents=True)
    left = [Path(f"{item}.lock"), Path(f"{item}.new")]
    for file in left:
        file.write_text("")
    client.send_outbox()
    assert all(file.exists() for file in left)
    os.utime(left[0], (0, 0))
    client.send_outbox()
    assert not any(file.exists() for file in left)


# The file itself


def test_there_is_a_method_for_every_question_with_its_parameters() -> None:
    paths = json.loads((ROOT / "openapi" / "openapi.json").read_text())["paths"]
    methods = {
        "/v1/start": Client.start,
        "/v1/stability": Client.stability,
        "/v1/locks": Client.locks,
        "/v1/gains": Client.gains,
        "/v1/power": Client.power,
        "/v1/longevity": Client.longevity,
        "/v1/identify": Client.identify,
        "/v1/chips": Client.chips,
        "/v1/chips/{chip}": Client.chip,
        "/v1": Client.service,
    }
    of_hosts = ("/v1/review", "/v1/contributors", "/v1/submissions", "/v1/my-submissions")
    asked = {
        path
        for path, operations in paths.items()
        if path.startswith("/v1") and "get" in operations and not path.startswith(of_hosts)
    }
    assert asked == set(methods)
    for path, method in methods.items():
        named = {one["name"] for one in paths[path]["get"].get("parameters", ())}
        named |= {"chip"} if "{chip}" in path else set()
        assert set(signature(method).parameters) - {"self"} == named, path


_HIDDEN = f"""
import sys, types
for name in {POSIX_ONLY!r}:
    sys.modules[name] = None
taken = []
fake = types.ModuleType("msvcrt")
fake.LK_NBLCK = 2
fake.locking = lambda descriptor, mode, count: taken.append((mode, count))
sys.modules["msvcrt"] = fake
sys.path.insert(0, {str(FILE.parent)!r})
import kbapi_client
status = kbapi_client.main(sys.argv[1:])
assert set(taken) == ({{(2, 1)}} if status == 0 else set()), taken
sys.exit(status)
"""


def _oldest_python() -> str:
    """The oldest Python of this machine that the client supports."""
    for minor in range(9, sys.version_info.minor):
        found = f"python3.{minor}"
        if (
            shutil.which(found)
            and not subprocess.run([found, "-V"], capture_output=True).returncode
        ):
            return found
    return sys.executable


@pytest.mark.parametrize("words", [["-c", _HIDDEN], [str(FILE)]], ids=["hidden", "file"])
def test_the_file_runs_alone_and_without_posix_modules(
    server: Server, tmp_path: Path, words: list[str]
) -> None:
    (tmp_path / "result.json").write_bytes(b"\xef\xbb\xbf" + json.dumps(a_result(85)).encode())
    (tmp_path / "list.json").write_text(json.dumps([a_result(86), a_result(87)]))
    (tmp_path / "wrong.json").write_text('{"chip": "x", "chip": "y"}')
    url = f"http://127.0.0.1:{server.port}"
    command = [_oldest_python(), "-I", "-S", *words, "send", "--to", url]
    command += ["--home", str(tmp_path / "own")]
    files = [str(tmp_path / name) for name in ("result.json", "list.json")]
    sent = subprocess.run([*command, *files], capture_output=True, text=True)
    assert (sent.returncode, sent.stderr) == (0, "")
    kept = json.loads((tmp_path / "own" / "sender.json").read_text())
    assert (len(kept["units"]), len(kept["receipts"])) == (1, 3)
    wrong = subprocess.run(
        [*command, str(tmp_path / "wrong.json"), "missing.json"], capture_output=True, text=True
    )
    assert wrong.returncode == 1
    assert "A name is twice" in wrong.stderr
    assert "missing.json" in wrong.stderr
    assert "Traceback" not in wrong.stderr


def test_the_commands_answer_and_refuse_as_commands_do(
    server: Server, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("KBAPI_TO", f"http://127.0.0.1:{server.port}")
    assert kbapi_client.main(["ask", "start", CHIP, "confidence=0.9"]) == 0
    assert capsys.readouterr().out.startswith("Norvane Sable 7 4820MX")
    assert kbapi_client.main(["ask", "gains", CHIP, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["chip"]["key"] == "norvane-sable-7-4820mx"
    assert kbapi_client.main(["ask", "start", "no such chip"]) == 1
    with pytest.raises(SystemExit, match="2"):
        kbapi_client.main(["ask", "start", CHIP, "nothing=1"])
    assert kbapi_client.main(["nothing"]) == 2


def test_the_small_distribution_holds_the_one_module_and_its_commands(tmp_path: Path) -> None:
    build = "import hatchling.build as b, sys; print(b.build_wheel(sys.argv[1]))"
    built = subprocess.run(
        [sys.executable, "-c", build, str(tmp_path)],
        cwd=FILE.parent,
        capture_output=True,
        text=True,
        check=True,
    )
    name = built.stdout.split()[-1]
    assert name == f"kbapi_client-{kbapi_client.__version__}-py3-none-any.whl"
    with zipfile.ZipFile(tmp_path / name) as wheel:
        names = [one for one in wheel.namelist() if ".dist-info/" not in one]
        assert names == ["kbapi_client.py"]
        assert wheel.read("kbapi_client.py") == FILE.read_bytes()
        (scripts,) = [one for one in wheel.namelist() if one.endswith("entry_points.txt")]
        assert "kbapi-send = kbapi_client:send" in wheel.read(scripts).decode()
        (metadata,) = [one for one in wheel.namelist() if one.endswith("METADATA")]
        assert "Requires-Dist" not in wheel.read(metadata).decode()
        assert "Requires-Python: >=3.9" in wheel.read(metadata).decode()
