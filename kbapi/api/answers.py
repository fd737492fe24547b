"""Frozen answers as JSON responses, with links to further requests."""

from dataclasses import dataclass, field, fields
from typing import Final, Literal
from urllib.parse import urlencode

import orjson
from flask import Response, current_app

from kbapi.intake.accepted import Accepted
from kbapi.storage.instance import Instance

NOT_KEPT: Final = {"Cache-Control": "no-store"}
"""Tells caches to keep nothing of an answer."""


@dataclass(frozen=True, slots=True)
class Links:
    """Paths of further requests."""

    self: str
    """Path of the result; its receipt reads and withdraws it."""
    start: tuple[str, ...]
    """Paths of the suggested start, one for each domain and control of the result."""


@dataclass(frozen=True, slots=True)
class SubmissionResponse(Accepted):
    """The answer to an accepted result."""

    links: Links = field(kw_only=True)
    """Paths of further requests."""


@dataclass(frozen=True, slots=True)
class Health:
    """Whether the process is running."""

    status: Literal["live"]
    """Always live: a process that does not run gives no answer."""


@dataclass(frozen=True, slots=True)
class Readiness:
    """Whether requests can be answered, and whether results are accepted at present."""

    status: Literal["ready"]
    """Always ready: a service that cannot answer gives a problem document with status 503."""
    writes: str
    """`accepted`, or the code of the problem that every write gets; reads are answered anyway."""
    rescreening: Literal["done", "due"]
    """`due` while the database holds results that older rules screened, else `done`."""


def with_links(accepted: Accepted) -> SubmissionResponse:
    """The accepted result with links to further requests."""
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
    """A JSON response of a frozen answer that no cache keeps."""
    return Response(orjson.dumps(answer), status, NOT_KEPT, mimetype="application/json")


def instance() -> Instance:
    """The instance that this app serves."""
    served: Instance = current_app.extensions["kbapi"]
    return served
