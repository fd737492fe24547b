"""The address to listen on, as the HTTP server reads it."""

import pytest
from gunicorn.util import parse_address

from kbapi.server.serve import address_of, link_to
from kbapi.settings import Settings


@pytest.mark.parametrize(
    ("host", "understood"),
    [
        ("127.0.0.1", ("127.0.0.1", 8081)),
        ("localhost", ("localhost", 8081)),
        ("::1", ("::1", 8081)),
        ("[::1]", ("::1", 8081)),
        ("::", ("::", 8081)),
    ],
)
def test_host_and_port_arrive_as_they_were_given(host: str, understood: tuple[str, int]) -> None:
    assert parse_address(address_of(host, 8081)) == understood


@pytest.mark.parametrize(
    ("host", "port", "link"),
    [
        ("localhost", 8081, "http://localhost:8081"),
        ("::1", 8081, "http://[::1]:8081"),
        ("0.0.0.0", 8081, ""),
        ("::", 8081, ""),
        ("127.0.0.1", 0, ""),
    ],
)
def test_links_of_pages_name_an_address_only_where_it_is_known(
    host: str, port: int, link: str
) -> None:
    assert link_to(host, port) == link
    assert Settings(address=link).address == link
