"""Load on a server: plans that run in processes of their own, and what the server holds meanwhile.

An open load sends each request at its moment, whether or not earlier ones were answered; its
latencies count from that moment. A closed load asks again once it was answered.
"""

import asyncio
import os
import pickle
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from statistics import quantiles
from typing import NamedTuple

import orjson

from tests.bench._load import get, post
from tests.makers import CHIP, a_setting, a_submission
from tests.outside.demo_instance import CHIPS
from tests.system.server import Server

PROXY = {"KBAPI_TRUSTED_PROXIES": "1"}
"""Requests name the network from which they come, so that one machine can be many."""
_LONGEST_S = 30.0


class Sent(NamedTuple):
    """A request of a plan, of a kind that is drawn unless its bytes are given."""

    kind: str
    weight: float
    request: bytes = b""


@dataclass(frozen=True)
class Plan:
    """What a process sends: at this rate, or from so many connections at once."""

    requests: tuple[Sent, ...]
    seconds: float
    rate: float = 0.0
    connections: int = 0
    network: str = ""
    """Of every request; drawn for each of them unless given."""
    seed: int = 1


class Answer(NamedTuple):
    """An answer: status 0 when there was none; how long it took since it was due."""

    kind: str
    due_s: float
    seconds: float
    status: int
    has_retry_after: bool
    network: str


@dataclass(frozen=True)
class Answers:
    """All answers of a load."""

    answers: Sequence[Answer]

    def of(self, *kinds: str) -> "Answers":
        return Answers([one for one in self.answers if one.kind in kinds])

    @property
    def statuses(self) -> Counter[int]:
        return Counter(one.status for one in self.answers)

    @property
    def good(self) -> "Answers":
        return Answers([one for one in self.answers if 200 <= one.status < 300])

    @property
    def refused(self) -> "Answers":
        """Refusals of one that waits too long, with the time after which to ask again."""
        return Answers([one for one in self.answers if one.status == 503 and one.has_retry_after])

    @property
    def errors(self) -> int:
        """Answers that are neither good nor a refusal with the time to wait."""
        return sum(
            not (200 <= one.status < 300 or (one.status in (429, 503) and one.has_retry_after))
            for one in self.answers
        )

    def rate(self, seconds: float) -> float:
        """Good answers for each second of the load."""
        return len(self.good.answers) / seconds

    def percentile(self, percent: int) -> float:
        """Seconds below which so many percent of the answers lie."""
        taken = [one.seconds for one in self.answers]
        return quantiles(taken, n=100)[percent - 1] if len(taken) > 1 else max(taken, default=0.0)

    @property
    def longest(self) -> float:
        return max((one.seconds for one in self.answers), default=0.0)


MIX = (
    Sent("stored start", 8),
    Sent("next step", 2),
    Sent("diagnosis", 1),
    Sent("result", 3),
    Sent("page", 2, get("/guides/answers")),
)
HEALTH = (Sent("health", 1, get("/health/live")), Sent("ready", 1, get("/health/ready")))


def _drawn(kind: str, rng: Random) -> bytes:
    """A request of the mix."""
    if kind == "stored start":
        return get(f"/v1/start?chip={rng.choice(CHIPS)}")
    if kind == "result":
        depth, number = rng.randint(60, 100), rng.randrange(10**9)
        document = a_submission(
            a_setting(stable_at=-depth, unstable_at=-depth - 8),
            number=number % 1_000_000,
            client="load/1",
        )
        return post("/v1/submissions", orjson.dumps(document))
    in_force = {"domain": "core", "control": "voltage_offset"}
    if kind == "next step":
        run = {"settings": [{**in_force, "value": -rng.randint(20, 70)}], "outcome": "stable"}
        return post("/v1/next-step", orjson.dumps({"chip": CHIP, "trials": [run]}))
    body = {"chip": CHIP, **in_force, "setting": -rng.randint(60, 90), "changed": ["firmware"]}
    return post("/v1/diagnose", orjson.dumps(body))


class _Sender:
    """The loads of one process."""

    def __init__(self, port: int, plan: Plan) -> None:
        self.port, self.plan, self.rng = port, plan, Random(plan.seed)
        self.answers: list[Answer] = []
        self.weights = [one.weight for one in plan.requests]

    async def run(self) -> None:
        began = time.monotonic()
        if self.plan.rate:
            await self._open(began)
        else:
            one_by_one = (self._closed(began) for _ in range(self.plan.connections))
            await asyncio.gather(*one_by_one)

    async def _open(self, began: float) -> None:
        due, tasks = 0.0, []
        while due < self.plan.seconds:
            await asyncio.sleep(max(0.0, began + due - time.monotonic()))
            tasks.append(asyncio.create_task(self._ask(began, due)))
            due += self.rng.expovariate(self.plan.rate)
        await asyncio.gather(*tasks)

    async def _closed(self, began: float) -> None:
        while (now := time.monotonic() - began) < self.plan.seconds:
            await self._ask(began, now)

    async def _ask(self, began: float, due: float) -> None:
        (sent,) = self.rng.choices(self.plan.requests, self.weights)
        request = sent.request or _drawn(sent.kind, self.rng)
        number = self.rng.randrange(60_000)
        network = self.plan.network or f"10.{number // 250}.{number % 250}.7"
        first, _, rest = request.partition(b"\r\n")
        more = f"X-Forwarded-For: {network}\r\nConnection: close\r\n".encode()
        status, has_retry_after = 0, False
        try:
            async with asyncio.timeout(_LONGEST_S):
                head = await self._exchange(b"\r\n".join((first, more + rest)))
            status = int(head[9:12])
            has_retry_after = b"\r\nretry-after:" in head.lower()
        except (OSError, ValueError, TimeoutError):
            pass
        seconds = time.monotonic() - began - due
        self.answers.append(Answer(sent.kind, due, seconds, status, has_retry_after, network))

    async def _exchange(self, request: bytes) -> bytes:
        """The head of the answer, once the whole answer was read."""
        reader, writer = await asyncio.open_connection("127.0.0.1", self.port)
        try:
            writer.write(request)
            received = bytearray()
            # An answer may come before all was sent, and end the connection.
            while piece := await reader.read(262_144):
                received += piece
            return bytes(received.partition(b"\r\n\r\n")[0])
        finally:
            writer.transport.abort()


def run_plans(server: Server, *plans: Plan) -> Answers:
    """What came of plans that ran at the same time, each in a process of its own."""
    command = [sys.executable, "-m", "tests.outside._load"]
    processes = [
        subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) for _ in plans
    ]
    for process, plan in zip(processes, plans, strict=True):
        pickle.dump((server.port, plan), process.stdin)
        process.stdin.close()
    answers: list[Answer] = []
    for process in processes:
        answers += [Answer(*one) for one in pickle.load(process.stdout)]
        process.wait()
    return Answers(answers)


def prober(seconds: float, rate: float = 4.0) -> Plan:
    """Someone who asks for health and readiness, from a network of its own."""
    return Plan(HEALTH, seconds, rate=rate, network="192.0.2.1", seed=99)


def capacity(server: Server, seconds: float, connections: int = 16) -> float:
    """Good answers a second to the mix, of clients that each ask again once answered."""
    plans = [Plan(MIX, seconds, connections=connections // 2, seed=seed) for seed in (7, 8)]
    return run_plans(server, *plans).rate(seconds)


@dataclass
class Watch:
    """What a server holds, looked at again and again while a block runs."""

    server: Server
    every_s: float = 0.2
    memory: list[int] = field(default_factory=list)
    """Bytes of all its processes; shared pages are divided between them."""
    descriptors: list[int] = field(default_factory=list)
    files: list[int] = field(default_factory=list)
    """Bytes of the folder without the database itself: logs, counts, metrics."""
    _ended: threading.Event = field(default_factory=threading.Event)

    def __enter__(self) -> "Watch":
        self._thread = threading.Thread(target=self._run)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._ended.wait(self.every_s):
            processes = [self.server.process.pid, *self.server.worker_processes()]
            self.memory.append(sum(memory_of(one) for one in processes))
            self.descriptors.append(sum(_descriptors_of(one) for one in processes))
            self.files.append(_bytes_beside(self.server.home))


def memory_of(process: int) -> int:
    """The bytes of a process, its part of the shared ones included; 0 once it has ended."""
    try:
        lines = Path(f"/proc/{process}/smaps_rollup").read_text().splitlines()
    except OSError:
        return 0
    return sum(1024 * int(line.split()[1]) for line in lines if line.startswith("Pss:"))


def processor_time_s(server: Server) -> float:
    """CPU time of all processes of the server so far."""
    total = 0
    for process in (server.process.pid, *server.worker_processes()):
        # The name of the program stands in brackets and may hold spaces.
        after_name = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
        total += int(after_name[11]) + int(after_name[12])
    return total / os.sysconf("SC_CLK_TCK")


def _descriptors_of(process: int) -> int:
    try:
        return len(os.listdir(f"/proc/{process}/fd"))  # noqa: PTH208
    except OSError:
        return 0


def _bytes_beside(home: Path) -> int:
    return sum(
        file.stat().st_size
        for file in home.rglob("*")
        if file.is_file() and file.name != "kbapi.sqlite3"
    )


def grows(series: Sequence[float], by: Callable[[Sequence[float]], float] = max) -> float:
    """The last third of a series over its second third."""
    third = len(series) // 3
    before, after = by(series[third : 2 * third]), by(series[2 * third :])
    return after / before if before else float("inf")


if __name__ == "__main__":
    sender = _Sender(*pickle.load(sys.stdin.buffer))
    asyncio.run(sender.run())
    pickle.dump([tuple(one) for one in sender.answers], sys.stdout.buffer)
