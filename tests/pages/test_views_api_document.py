"""Every process serves the same API document, from the first moment on."""

import threading
from pathlib import Path

from kbapi.app import create_app
from tests.house.write_openapi import COMMITTED
from tests.makers import an_instance

PROCESSES, REQUESTS_EACH = 3, 4


def test_first_requests_at_once_get_the_committed_document(tmp_path: Path) -> None:
    instance = an_instance(tmp_path)
    apps = [create_app(instance) for _ in range(PROCESSES)]
    all_at_once = threading.Barrier(PROCESSES * REQUESTS_EACH)
    answers: list[tuple[int, bytes]] = []

    def ask(number: int) -> None:
        client = apps[number % PROCESSES].test_client()
        all_at_once.wait()
        answer = client.get("/openapi.json")
        answers.append((answer.status_code, answer.data))

    threads = [threading.Thread(target=ask, args=(n,)) for n in range(PROCESSES * REQUESTS_EACH)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert answers == [(200, COMMITTED.read_bytes())] * len(threads)
