"""The two ways in that a command can take: a server, or the folder of an instance on this machine.

Both speak the same HTTP: the local one calls the application in this very process, so that a
command has no power that the API lacks, and nothing is written twice.
"""

import json
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Protocol

import kbapi
from kbapi.errors import ServerUnreachable
from kbapi.settings import Settings

_PATIENCE_S: Final = 60


@dataclass(frozen=True, slots=True)
class Reply:
    """What came back: its status and its JSON value, None where there was no body."""

    status: int
    value: Any

    @property
    def is_refusal(self) -> bool:
        """Whether it is a problem document instead of an answer."""
        return self.status >= 400


class ApiClient(Protocol):
    """A way to ask."""

    def ask(
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
    """The instance in a folder, asked in this process; whoever has the folder needs no key."""

    def __init__(self, settings: Settings) -> None:
        from kbapi.app import create_app
        from kbapi.instance.instance import open_instance
        from kbapi.logs import log_as_json

        log_as_json("ERROR")
        self._client = create_app(open_instance(settings), is_guarded=False).test_client()

    def ask(
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
    """A server, asked over HTTP, with an access key where there is one and no receipt is shown."""

    def __init__(self, base_url: str, key: str | None = None) -> None:
        self._shown = {"Authorization": f"Bearer {key}"} if key else {}
        if not base_url.startswith(("http://", "https://")):
            raise ServerUnreachable(
                f"{base_url} is not an address. Begin it with http:// or https://."
            )
        self._base = base_url.rstrip("/")

    def ask(
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
            When nobody answers there, or what answers speaks no JSON.
        """
        url = self._base + path + (f"?{urllib.parse.urlencode(query)}" if query else "")
        request = urllib.request.Request(  # noqa: S310 - the scheme was checked
            url, data=body, headers=self._shown | _headers(body, headers), method=method
        )
        try:
            with urllib.request.urlopen(request, timeout=_PATIENCE_S) as response:  # noqa: S310
                return Reply(response.status, _json(response.read()))
        except urllib.error.HTTPError as error:
            with error:
                return Reply(error.code, _json(error.read()))
        except OSError as error:
            raise ServerUnreachable(
                f"No server answers at {self._base}. Check the address, and that the server runs."
            ) from error


def _headers(body: bytes | None, given: Mapping[str, str] | None) -> dict[str, str]:
    told = {"User-Agent": f"kbapi/{kbapi.__version__}", **(given or {})}
    if body is not None:
        told.setdefault("Content-Type", "application/json")
    return told


def _json(body: bytes) -> Any:
    if not body:
        return None
    try:
        return json.loads(body)
    except ValueError as error:
        raise ServerUnreachable(
            "The server at this address is not kbapi: its answer is not JSON. Check the address."
        ) from error
