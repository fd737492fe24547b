"""One result as the host sees it, in lists and whole."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import orjson
from sqlalchemy import Connection

from kbapi.curation.influence import Influence, InfluenceRanking
from kbapi.curation.item import PastDecision, past_decisions
from kbapi.curation.queue import shared_contributor
from kbapi.errors import ResultUnknown
from kbapi.instance.instance import Instance
from kbapi.intake.my_submissions import FollowUpDetail, describe_follow_up
from kbapi.intake.responses import Reason, ScreenedSetting, Screening, describe_stored
from kbapi.storage import results
from kbapi.storage.evidence import Peers
from kbapi.storage.follow_ups import load_follow_ups
from kbapi.storage.host_views import find_received_day
from kbapi.storage.results import StoredSubmission
from kbapi.vocabulary import Domain, Grade, LimitControl, ScreeningStatus


@dataclass(frozen=True, slots=True)
class ListedSetting:
    """One setting of a result: what was sent, how it is screened, where it lies in its pool."""

    ordinal: int
    """Position of the setting in the result, from 0."""
    domain: Domain
    """The supply rail that was adjusted."""
    control: LimitControl
    """How it was adjusted."""
    moved_with: tuple[Domain, ...]
    """Other domains that were adjusted together with this one; empty for the domain alone."""
    clock_mhz: float | None
    """The clock of a fixed_clock_voltage setting, in MHz; null for the other controls."""
    stable_at: float | None
    """Deepest setting that passed, as sent; null if none was sent."""
    unstable_at: float | None
    """Shallowest setting that failed, as sent; null if none was sent."""
    grade: Grade
    """How strongly the passed setting was tested."""
    status: ScreeningStatus
    """How it is screened now, decisions and the outlier check included."""
    reasons: tuple[Reason, ...]
    """Every reason for the status, the main reason first."""
    peers: Peers | None
    """How many units of the same pool are stable at this setting, when the pool was last
    evaluated; null where no setting passed."""


@dataclass(frozen=True, slots=True)
class ListedSubmission:
    """One result, as the host sees it."""

    id: str
    """Id of the result, a UUID."""
    chip: str
    """Catalogue key of the chip."""
    day: str
    """Day of arrival, YYYY-MM-DD."""
    contributor: int
    """Number of the contributor on this instance; it reveals no name, address or token."""
    is_shared: bool
    """Whether the number is shared by all who send without a contributor token."""
    client: str | None
    """Name and version of the script that sent it; null if none was sent."""
    screening: Screening
    """How the whole result is screened now."""
    settings: tuple[ListedSetting, ...]
    """Its settings, in the order of the document; empty for a result of locks alone."""
    warnings: tuple[Reason, ...]
    """What it costs that the result has no tokens; empty for one with both."""
    influence: Influence | None
    """The strongest influence of its contributor on a start; null except with
    `order=influence`."""


class SubmissionReader:
    """Reads results for the host over one connection."""

    def __init__(self, connection: Connection, instance: Instance) -> None:
        self._connection = connection
        self._instance = instance
        self._shared = shared_contributor(connection, instance)

    def listed(
        self, stored: StoredSubmission, ranking: InfluenceRanking | None = None
    ) -> ListedSubmission:
        """A result as lists show it."""
        described = describe_stored(self._instance, self._connection, stored)
        document = orjson.loads(stored.document)
        contributor = stored.unit.contributor_id
        return ListedSubmission(
            id=stored.public_id,
            chip=stored.chip_key,
            day=find_received_day(self._connection, stored.id).isoformat(),
            contributor=contributor,
            is_shared=contributor == self._shared,
            client=document.get("client"),
            screening=described.screening,
            settings=tuple(
                _listed_setting(ordinal, setting, document["settings"][ordinal])
                for ordinal, setting in enumerate(described.settings)
            ),
            warnings=described.warnings,
            influence=None if ranking is None else ranking.strongest_of(contributor),
        )


def _listed_setting(
    ordinal: int, setting: ScreenedSetting, sent: Mapping[str, Any]
) -> ListedSetting:
    return ListedSetting(
        ordinal=ordinal,
        domain=setting.domain,
        control=setting.control,
        moved_with=setting.moved_with,
        clock_mhz=sent.get("clock_mhz"),
        stable_at=sent.get("stable_at"),
        unstable_at=sent.get("unstable_at"),
        grade=setting.grade,
        status=setting.status,
        reasons=setting.reasons,
        peers=setting.peers,
    )


@dataclass(frozen=True, slots=True)
class SettingHistory:
    """Earlier decisions about one setting."""

    ordinal: int
    """Position of the setting in the result, from 0."""
    decisions: tuple[PastDecision, ...]
    """The decisions, oldest first."""


@dataclass(frozen=True, slots=True)
class WholeSubmission:
    """A result with everything that the host may know of it."""

    submission: ListedSubmission
    """The result as lists show it."""
    document: dict[str, Any]
    """The whole result as it was sent, without its tokens."""
    follow_ups: tuple[FollowUpDetail, ...]
    """Follow-ups on its settings, oldest first."""
    history: tuple[SettingHistory, ...]
    """Settings with earlier decisions; a result of locks alone has them at 0."""


def show_submission(instance: Instance, public_id: str) -> WholeSubmission:
    """A result with its document, its follow-ups and its decisions.

    Raises
    ------
    ResultUnknown
        When no stored result has this id.
    """
    with instance.reading() as connection:
        stored = results.find_submission(connection, public_id)
        if stored is None:
            raise ResultUnknown
        listed = SubmissionReader(connection, instance).listed(stored)
        ordinals = range(max(1, len(listed.settings)))
        decided = {one: past_decisions(connection, stored.id, one) for one in ordinals}
        return WholeSubmission(
            submission=listed,
            document=orjson.loads(stored.document),
            follow_ups=tuple(map(describe_follow_up, load_follow_ups(connection, stored.id))),
            history=tuple(SettingHistory(one, seen) for one, seen in decided.items() if seen),
        )
