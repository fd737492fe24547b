"""One client with the dearest requests at the default limits, beside others; and the memory.

The requests are those that `cost` found, if it ran here, and some that are known to be dear. Then
the largest bodies come all at once, with their length and in chunks.
"""

import json
import tempfile
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from http.client import HTTPConnection, HTTPException
from pathlib import Path
from random import Random

from tests.bench._load import get, post
from tests.outside._inputs import inputs_of
from tests.outside._load import HEALTH, MIX, PROXY, Answers, Plan, Sent, Watch, prober, run_plans
from tests.outside.cost import SAVED
from tests.outside.demo_instance import Known, fill
from tests.report import Row, measured
from tests.system.server import Server

DEFAULTS = {"KBAPI_RATE_PER_NETWORK": "300", **PROXY}
OTHERS_RATE = 20.0
MB = 1_000_000
BATCH, RESULTS = "/v1/submissions/batch", "/v1/submissions"


def measure(*, short: bool) -> list[Row]:
    """What others notice, and the most memory; in the short form only who gets which answer."""
    seconds = 4.0 if short else 45.0
    rows: list[Row] = []
    with tempfile.TemporaryDirectory() as name:
        known = fill(Path(name), 100 if short else 1_000)
        attack = tuple(dear_requests(known))
        with Server(Path(name) / "home", 2, 8 if short else 32, **DEFAULTS) as server:
            rows += _beside(server, attack, seconds, short=short)
        with Server(Path(name) / "home", 2, 8 if short else 32, **DEFAULTS) as server:
            rows += _large(server, short=short)
    return rows


def dear_requests(known: Known) -> Iterator[Sent]:
    """What `cost` kept, and documents of unknown and near names and of texts that look long at."""
    for file in sorted(SAVED.glob("*.json")):
        for one in json.loads(file.read_text())[:4]:
            if one["address"]:
                yield Sent("dear", 1, _request_of(one))
    document = inputs_of("document", known, Random(1))[0]
    for number in (1_000, 30_000):
        unknown = [*document.tree, *((f"settingz{n}", n) for n in range(number))]
        yield Sent(
            "dear", 1, post(RESULTS, replace(document, tree=type(document.tree)(unknown)).body)
        )
    texts = json.dumps({"chip": "x", "locks": ["a.e" * 133] * 2_000}).encode()
    yield Sent("dear", 1, post(RESULTS, texts))


def _request_of(one: dict[str, str]) -> bytes:
    fields = {name.replace("-", "_"): text for name, text in one["headers"].items()}
    if one["method"] == "GET":
        return get(one["address"].replace(" ", "%20"), **fields)
    kind = fields.pop("Content_Type", "application/json").encode()
    request = post(one["address"], one["body"].encode("latin-1"), **fields)
    return request.replace(b"application/json", kind, 1)


def _beside(server: Server, attack: tuple[Sent, ...], seconds: float, *, short: bool) -> list[Row]:
    """Others without and with one client that sends the dearest requests from 16 connections."""
    others = Plan(MIX, seconds, rate=OTHERS_RATE, seed=1)
    run_plans(server, Plan(MIX, 3, connections=8, seed=3))
    idle = run_plans(server, others)
    attacker = Plan(attack, seconds, connections=16, network="192.0.2.200", seed=2)
    with Watch(server) as watch:
        answers = run_plans(server, replace(others, seed=4), attacker, prober(seconds))
    kinds = tuple(one.kind for one in MIX)
    found, health, dear = answers.of(*kinds), answers.of("health", "ready"), answers.of("dear")
    statuses = ", ".join(f"{status}: {n}" for status, n in sorted(dear.statuses.items()))
    rows = [
        measured("others, not answered", found.errors, "", "== 0"),
        measured("health, not answered well", health.errors, "", "== 0"),
        measured("the dear client, server errors", _broken(dear), "", "== 0", statuses),
    ]
    if short:
        return rows
    p99 = idle.percentile(99)
    return [
        *rows,
        measured("others, p99 alone", p99, "s", ""),
        measured(
            "others, p99 beside it", found.percentile(99), "s", f"<= {max(2 * p99, 0.25):.3f}"
        ),
        measured("health, longest", health.longest, "s", "< 1"),
        measured("memory, most", max(watch.memory) / MB, "MB", "<= 600"),
    ]


def _broken(answers: Answers) -> int:
    return sum(n for status, n in answers.statuses.items() if status in (0, 500, 502))


def _large(server: Server, *, short: bool) -> list[Row]:
    """The largest bodies, six at once of each sort, and health meanwhile."""
    rows = []
    for what, make in LARGE.items():
        body = make(2 * MB if short else 15 * MB)
        for way in ("by length", "in chunks"):
            replies: Counter[int] = Counter()
            before = watch_idle(server)
            with Watch(server, every_s=0.05) as watch:
                senders = [
                    threading.Thread(target=_send, args=(server, body, way, replies))
                    for _ in range(6)
                ]
                for sender in senders:
                    sender.start()
                health = run_plans(server, Plan(HEALTH, 4.0, rate=5.0, network="192.0.2.1"))
                for sender in senders:
                    sender.join()
            of = f"six {what} {way}: "
            statuses = ", ".join(f"{status}: {n}" for status, n in sorted(replies.items()))
            bad = sum(n for status, n in replies.items() if status in (0, 500))
            rows.append(measured(f"{of}no answer or 500", bad, "", "== 0", statuses))
            rows.append(measured(f"{of}health, not answered well", health.errors, "", "== 0"))
            if not short:
                note = f"{before / MB:.0f} MB before"
                most = max(watch.memory) / MB
                rows.append(measured(f"{of}memory, most", most, "MB", "<= 600", note))
                rows.append(measured(f"{of}health, longest", health.longest, "s", "< 1"))
    return rows


def watch_idle(server: Server) -> int:
    """The bytes of memory of the server as it is."""
    with Watch(server, every_s=0.05) as watch:
        threading.Event().wait(0.2)
    return max(watch.memory, default=0)


def _names(size: int) -> bytes:
    fields = ",".join(f'"{number:x}":0' for number in range(size // 10))
    return f'[{{"chip":"x",{fields}}}]'.encode()


LARGE: dict[str, Callable[[int], bytes]] = {
    "batches of empty lists": lambda size: b"[" + b"[]," * (size // 3) + b"[]]",
    "batches of unknown fields": _names,
    "batches of nested lists": lambda size: b"[" + b"[[[[[[]]]]]]," * (size // 13) + b"[]]",
}


def _send(server: Server, body: bytes, way: str, replies: Counter[int]) -> None:
    connection = HTTPConnection("127.0.0.1", server.port, timeout=90)
    fields = {"Content-Type": "application/json", "X-Forwarded-For": f"198.51.{len(body) % 99}.1"}
    sent = (
        body
        if way == "by length"
        else (body[at : at + 65_536] for at in range(0, len(body), 65_536))
    )
    status = 0
    try:
        connection.request("POST", BATCH, sent, fields, encode_chunked=way != "by length")
        status = connection.getresponse().status
    except (BrokenPipeError, ConnectionResetError):
        status = -1  # it was refused before all was sent, and the answer is lost with the rest
    except (OSError, HTTPException):
        pass
    finally:
        connection.close()
        replies[status] += 1
