"""Where it is in doubt where a request ends, its connection ends; nothing in a body is answered."""

from collections.abc import Iterator

import pytest

from tests.outside.framing import ask, measure
from tests.outside.heads import ENDLESS, HIDING, IN_DOUBT, SECOND, WHOLE
from tests.system.server import Server


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with Server(tmp_path_factory.mktemp("framing") / "home", workers=1) as running:
        yield running
        log = running.log.read_text()
    assert '"unexpected"' not in log
    assert "Error handling request" not in log


@pytest.mark.parametrize("name", IN_DOUBT)
def test_an_ambiguous_request_is_answered_once_and_nothing_after_it_is_read(
    server: Server, name: str
) -> None:
    status, sent = IN_DOUBT[name]
    (answer,) = ask(server, sent + SECOND)
    assert answer.status == status
    assert answer.is_readable
    assert not answer.is_of_second


@pytest.mark.parametrize("name", ENDLESS)
def test_a_body_without_end_includes_all_following_bytes(server: Server, name: str) -> None:
    status, sent = ENDLESS[name]
    (answer,) = ask(server, sent + SECOND, hangs_up=True)
    assert answer.status == status
    assert answer.is_readable
    assert not answer.is_of_second


@pytest.mark.parametrize("name", HIDING)
def test_a_request_inside_a_body_is_never_answered(server: Server, name: str) -> None:
    status, sent = HIDING[name]
    answers = ask(server, sent + SECOND.replace(b"smuggled", b"own"))
    assert answers[0].status == status
    assert all(answer.is_readable and not answer.is_of_second for answer in answers)
    assert len(answers) <= 2


@pytest.mark.parametrize("name", WHOLE)
def test_a_complete_request_and_the_next_on_its_connection_are_answered(
    server: Server, name: str
) -> None:
    status, sent = WHOLE[name]
    answer, own = ask(server, sent + SECOND)
    assert answer.status == status
    assert answer.is_readable
    assert not answer.is_of_second
    assert own.status == 422
    assert own.is_of_second


def test_twelve_pipelined_requests_are_answered_in_order(server: Server) -> None:
    asked = [b"GET /problems/not_found HTTP/1.1", b"GET /v1/nothing HTTP/1.1"] * 6
    sent = b"".join(first + b"\r\nHost: kbapi\r\n\r\n" for first in asked)
    answers = ask(server, sent + SECOND)
    assert [answer.status for answer in answers] == [200, 404] * 6 + [422]


def test_no_generated_head_smuggles_a_request() -> None:
    assert [row for row in measure(short=True) if not row.met] == []
