"""The address to listen on, as the HTTP server reads it."""

import pytest
from gunicorn.util import parse_address

from kbapi.server.serve import address_of


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
