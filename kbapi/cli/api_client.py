"""Clients of the API for commands: of a server, or of the folder of an instance.

Both send the same HTTP requests. The local client calls the application in its own process, so that
a command has no power that the API lacks.
"""

import urllib.parse
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import kbapi
from kbapi.client import kbapi_client
from kbapi.errors import ServerUnreachable

if TYPE_CHECKING:
    from kbapi.settings import Settings


@dataclass(frozen=True, slots=True)
class Reply:
    """A response: its status and its JSON value, None without a body."""

    status: int
    value: Any

    @property
    def is_refusal(self) -> bool:
        """Whether the value is a problem document."""
        return self.status >= 400


class ApiClient(Protocol):
    """A client of the API."""

    def request(
        self,
        method: str,
        path: str,
        *,
        query: Mapping[str, str] | None = None,
        body: bytes | None = None,
        headers: Mapping[str, str] | None = None,
    ) -> Reply:
        """The reply to one request."""
        ...


class LocalClient:
    """A client of the instance in a folder, in this process; it needs no key."""

    def __init__(self, settings: "Settings") -> None:
        from kbapi.app import create_app
        from kbapi.instance.instance import open_instance
        from kbapi.instance.write_gate import is_begun, no_instance, require_nothing_lost
        from kbapi.logs import log_as_json

        log_as_json("ERROR")
        require_nothing_lost(settings)
        if not is_begun(settings.database_at):
            raise no_instance(
                settings,
                "To ask a server, add --to URL. For another folder, add --home DIR. 'kbapi db "
                "upgrade' creates an instance.",
            )
        self._client = create_app(open_instance(settings), is_guarded=False).test_client()

    def request(
        self,
        method: str,
        path: str,
        *,
        query: Mapping[str, str] | None = None,
        body: bytes | None = None,
        headers: Mapping[str, str] | None = None,
    ) -> Reply:
        """The reply of the application."""
        response = self._client.open(
            path, method=method, query_string=query, data=body, headers=_headers(body, headers)
        )
        return Reply(response.status_code, response.get_json(silent=True))


class RemoteClient:
    """A client of a server over HTTP; sends the access key unless a request has a receipt.

    It follows no redirect: another server would get the key or the receipt.
    """

    def __init__(self, base_url: str, key: str | None = None) -> None:
        try:
            self._client = kbapi_client.Client(base_url, key)
        except ValueError as error:
            raise ServerUnreachable(str(error)) from error

    def request(
        self,
        method: str,
        path: str,
        *,
        query: Mapping[str, str] | None = None,
        body: bytes | None = None,
        headers: Mapping[str, str] | None = None,
    ) -> Reply:
        """The reply of the server.

        Raises
        ------
        ServerUnreachable
            When no server answers, or the answer is not JSON.
        """
        try:
            reply = self._client.request(
                method,
                path + (f"?{urllib.parse.urlencode(query)}" if query else ""),
                body,
                _headers(body, headers),
            )
        except kbapi_client.NotKbapi as error:
            raise ServerUnreachable(f"{error} Check the address.") from error
        except kbapi_client.Unreachable as error:
            raise ServerUnreachable(f"{error} Check the address, and that it runs.") from error
        return Reply(reply.status, reply.value)


def _headers(body: bytes | None, given: Mapping[str, str] | None) -> dict[str, str]:
    headers = {"User-Agent": f"kbapi/{kbapi.__version__}", **(given or {})}
    if body is not None:
        headers.setdefault("Content-Type", "application/json")
    return headers
