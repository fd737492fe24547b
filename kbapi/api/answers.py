"""How answers leave: frozen values dumped as JSON, with links where a client goes next."""

from dataclasses import dataclass, field, fields
from typing import Final
from urllib.parse import urlencode

import orjson
from flask import Response, current_app

from kbapi.intake.accepted import Accepted
from kbapi.storage.instance import Instance

NOT_KEPT: Final = {"Cache-Control": "no-store"}
"""Tells caches to keep nothing of an answer."""


@dataclass(frozen=True, slots=True)
class Links:
    """Where to go next."""

    self: str
    """The result itself; read or withdraw it with the receipt."""
    start: tuple[str, ...]
    """The suggested start for each domain and control of the result."""


@dataclass(frozen=True, slots=True)
class SubmissionResponse(Accepted):
    """The answer to an accepted result, with links."""

    links: Links = field(kw_only=True)


@dataclass(frozen=True, slots=True)
class Health:
    """Whether the process lives, or can serve."""

    status: str


@dataclass(frozen=True, slots=True)
class Readiness:
    """Whether requests can be served, and whether results are taken at present."""

    status: str
    writes: str
    """`accepted`, or the code of the problem that a write is answered with; reads go on."""
    rescreening: str
    """`done`, or `due` while results stand under older rules than the program's."""


def with_links(accepted: Accepted) -> SubmissionResponse:
    """The accepted result and where to go next."""
    told = {part.name: getattr(accepted, part.name) for part in fields(Accepted)}
    starts = dict.fromkeys(
        "/v1/start?"
        + urlencode(
            {
                "chip": accepted.chip.key,
                "domain": setting.domain,
                "control": setting.control,
                "moved_with": ",".join(setting.moved_with),
            }
        )
        for setting in accepted.settings
    )
    links = Links(self=f"/v1/submissions/{accepted.id}", start=tuple(starts))
    return SubmissionResponse(**told, links=links)


def dump(answer: object, status: int) -> Response:
    """A JSON response of a frozen answer; what belongs to one person is not kept by caches."""
    return Response(orjson.dumps(answer), status, NOT_KEPT, mimetype="application/json")


def instance() -> Instance:
    """The instance that this app serves."""
    served: Instance = current_app.extensions["kbapi"]
    return served
