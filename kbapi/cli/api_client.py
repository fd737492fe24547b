"""Clients of the API for commands: of a server, or of the folder of an instance.

Both send the same HTTP requests. The local client calls the application in its own process, so that
a command has no power that the API lacks.
"""

import json
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Protocol

import kbapi
from kbapi.errors import ServerUnreachable, UnsafeSetup

if TYPE_CHECKING:
    from kbapi.settings import Settings

_RESPONSE_TIMEOUT_S: Final = 60


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
        from kbapi.instance.write_gate import is_begun, require_nothing_lost
        from kbapi.logs import log_as_json

        log_as_json("ERROR")
        require_nothing_lost(settings)
        if not is_begun(settings.database_path):
            raise UnsafeSetup(
                f"There is no instance in {settings.home}. To ask a server, add --to URL. For "
                "another folder, add --home DIR. 'kbapi db upgrade' creates an instance."
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
    """A client of a server over HTTP; sends the access key unless a request has a receipt."""

    def __init__(self, base_url: str, key: str | None = None) -> None:
        self._authorization = {"Authorization": f"Bearer {key}"} if key else {}
        if not base_url.startswith(("http://", "https://")):
            raise ServerUnreachable(
                f"{base_url} is not an address. Begin it with http:// or https://."
            )
        self._base = base_url.rstrip("/")

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
        url = self._base + path + (f"?{urllib.parse.urlencode(query)}" if query else "")
        sent = urllib.request.Request(  # noqa: S310 - the scheme was checked
            url, data=body, headers=self._authorization | _headers(body, headers), method=method
        )
        try:
            with urllib.request.urlopen(sent, timeout=_RESPONSE_TIMEOUT_S) as response:  # noqa: S310
                return Reply(response.status, _json(response.read()))
        except urllib.error.HTTPError as error:
            with error:
                return Reply(error.code, _json(error.read()))
        except OSError as error:
            raise ServerUnreachable(
                f"No server answers at {self._base}. Check the address, and that the server runs."
            ) from error


def _headers(body: bytes | None, given: Mapping[str, str] | None) -> dict[str, str]:
    headers = {"User-Agent": f"kbapi/{kbapi.__version__}", **(given or {})}
    if body is not None:
        headers.setdefault("Content-Type", "application/json")
    return headers


def _json(body: bytes) -> Any:
    if not body:
        return None
    try:
        return json.loads(body)
    except ValueError as error:
        raise ServerUnreachable(
            "The server at this address is not kbapi: its answer is not JSON. Check the address."
        ) from error
