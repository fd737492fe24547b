"""`kill -9` of the clients during sends and of the server during answers, over a faulty network."""

import json
import random
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

from kbapi.client import kbapi_client
from tests.durability._clients import read_database
from tests.report import Row, measured
from tests.system.faulty_proxy import FaultyProxy, faulty_proxy
from tests.system.server import Server

ROUNDS = 200
SHORT_ROUNDS = 8
CLIENTS = 2
_LONGEST_WAIT_S = 60.0

_WORKER = f"""
import sys
sys.path.insert(0, {str(Path(kbapi_client.__file__).parent)!r})
from kbapi_client import Client, NotAcknowledged

url, home, first, step = sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
client = Client(url, home=home, tries=4, longest_s=4.0)
number = first
while True:
    document = {{
        "chip": "Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz",
        "client": f"drill/{{number}}",
        "settings": [{{"domain": "core", "control": "voltage_offset", "minutes": 65,
                      "stable_at": -70 - number % 30, "unstable_at": -76 - number % 30}}],
    }}
    print("tries", number, flush=True)
    if number // step % 3:
        try:
            client.submit(document, machine=f"rig-{{number}}")
        except NotAcknowledged:
            pass  # it waits
    else:
        client.put_in_outbox(document, machine=f"rig-{{number}}")
    print("accepted", number, flush=True)
    if not number // step % 3:
        client.send_outbox()
    number += step
"""


@dataclass
class _Sent:
    """What the clients printed."""

    tried: set[int] = field(default_factory=set)
    accepted: set[int] = field(default_factory=set)
    """Results that the client took: their sender may forget them."""
    errors: list[str] = field(default_factory=list)

    def add(self, output: str) -> None:
        for line in output.splitlines():
            verb, _, number = line.partition(" ")
            if number.isdecimal():
                (self.tried if verb == "tries" else self.accepted).add(int(number))

    @property
    def next(self) -> int:
        return max(self.tried, default=-1) + 1


def measure(*, short: bool = False) -> list[Row]:
    """What was lost or stored twice over all rounds; two clients share one outbox."""
    rounds = SHORT_ROUNDS if short else ROUNDS
    rng, sent = random.Random(25), _Sent()
    with tempfile.TemporaryDirectory() as folder:
        home, own = Path(folder) / "home", Path(folder) / "own"
        server = Server(home)
        server.start()
        with faulty_proxy(server.port, seed=25, dropped=0.05, delayed=0.05) as proxy:
            kills = sum(_send_and_kill(proxy, own, sent, rng, server) for _ in range(rounds))
            waited = len(_outbox(own))
            proxy.dropped = proxy.delayed = 0.0
            client = kbapi_client.Client(proxy.url, home=own)
            refused = [one for one in client.send_outbox() if isinstance(one[1], Exception)]
            counts = proxy.counts
        server.end()
        found = read_database(home / "kbapi.sqlite3")
        receipts = len(json.loads((own / "sender.json").read_text())["receipts"])
        left = len(_outbox(own)) + len(list((own / "outbox" / "refused").glob("*")))
    lost = sent.accepted - set(found.copies)
    return [
        measured(
            "rounds with kill -9 of the server during answers, then of both clients",
            rounds,
            "rounds",
            f"== {rounds}",
        ),
        measured(
            "requests that a killed server did not answer",
            proxy.unanswered,
            "requests",
            f">= {rounds}",
        ),
        measured("further kills of the server, between answers", kills - rounds, "kills", ""),
        measured("connections that the proxy dropped", counts["dropped"], "connections", "> 0"),
        measured("connections that the proxy delayed", counts["delayed"], "connections", "> 0"),
        measured("results that the clients took", len(sent.accepted), "results", "> 0"),
        measured("requests that waited after the last kill", waited, "requests", ""),
        measured("results lost", len(lost), "results", "== 0"),
        measured("results stored twice", found.doubled, "results", "== 0"),
        measured("units stored", found.counts["unit"], "units", f"== {len(found.copies)}"),
        measured(
            "stored results without a saved receipt",
            len(found.copies) - receipts,
            "results",
            "== 0",
        ),
        measured("requests left or refused at the end", left + len(refused), "requests", "== 0"),
        measured("clients that ended by themselves", len(sent.errors), "clients", "== 0"),
    ]


def _outbox(own: Path) -> list[Path]:
    return kbapi_client.Outbox(own / "outbox").waiting()


def _send_and_kill(
    proxy: FaultyProxy, own: Path, sent: _Sent, rng: random.Random, server: Server
) -> int:
    """Two clients send; the server is killed while it answers, and then the clients are.

    The number of kills of the server that this took.
    """
    first = sent.next
    words = [sys.executable, "-I", "-S", "-c", _WORKER, proxy.url, str(own)]
    clients = [
        subprocess.Popen(
            [*words, str(first + number), str(CLIENTS)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for number in range(CLIENTS)
    ]
    time.sleep(rng.uniform(0.3, 1.2))
    kills = 1
    while not _kill_during_an_answer(proxy, rng, server):
        kills += 1
    time.sleep(rng.uniform(0.0, 0.6))
    for client in clients:
        had_ended = client.poll() is not None
        client.kill()
        output, errors = client.communicate()
        sent.add(output)
        if had_ended:
            sent.errors.append(errors)
    return kills


def _kill_during_an_answer(proxy: FaultyProxy, rng: random.Random, server: Server) -> bool:
    """Whether a request was without an answer when the server was killed; it runs again then."""
    deadline = time.monotonic() + _LONGEST_WAIT_S
    while not proxy.awaited:
        if time.monotonic() > deadline:
            raise AssertionError("no client sends")
        time.sleep(0.0005)
    time.sleep(rng.uniform(0.0, 0.004))
    before = proxy.unanswered
    server.kill()
    time.sleep(rng.uniform(0.05, 0.15))
    is_during = proxy.unanswered > before
    server.start()
    server.all_workers()  # one that boots later would outlive the next kill for a moment
    return is_during
