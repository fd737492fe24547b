"""A worker accepts as many connections as the limit of open files allows."""

import resource

import pytest

from kbapi.bounds import MOST_CONNECTIONS
from kbapi.errors import UnsafeSetup
from kbapi.server.serve import connection_limit, files_needed

NEEDED = files_needed(64)
UNLIMITED = resource.RLIM_INFINITY


class Limits:
    """The soft and hard limit of a process, as the kernel keeps them."""

    def __init__(self, soft: int, hard: int, *, is_fixed: bool = False) -> None:
        self.soft, self.hard, self.is_fixed = soft, hard, is_fixed

    def getrlimit(self, _: int) -> tuple[int, int]:
        return self.soft, self.hard

    def setrlimit(self, _: int, limits: tuple[int, int]) -> None:
        if self.is_fixed or limits[1] != self.hard or limits[0] > self.hard != UNLIMITED:
            raise ValueError
        self.soft = limits[0]


def limit_of(monkeypatch: pytest.MonkeyPatch, limits: Limits, threads: int = 64) -> int:
    monkeypatch.setattr(resource, "getrlimit", limits.getrlimit)
    monkeypatch.setattr(resource, "setrlimit", limits.setrlimit)
    return connection_limit(threads)


@pytest.mark.parametrize("hard", [NEEDED, 4_096, 1_048_576, UNLIMITED])
def test_the_limit_of_files_is_raised_as_far_as_needed(
    monkeypatch: pytest.MonkeyPatch, hard: int
) -> None:
    limits = Limits(1_024, hard)
    assert limit_of(monkeypatch, limits) == MOST_CONNECTIONS
    assert limits.soft == NEEDED


@pytest.mark.parametrize("soft", [20_000, UNLIMITED])
def test_a_sufficient_limit_is_not_changed(monkeypatch: pytest.MonkeyPatch, soft: int) -> None:
    limits = Limits(soft, UNLIMITED)
    assert limit_of(monkeypatch, limits) == MOST_CONNECTIONS
    assert limits.soft == soft


@pytest.mark.parametrize(
    "limits", [Limits(1_024, 1_024), Limits(256, 1_024), Limits(1_024, 4_096, is_fixed=True)]
)
def test_with_a_fixed_limit_fewer_connections_are_accepted(
    monkeypatch: pytest.MonkeyPatch, limits: Limits
) -> None:
    assert limit_of(monkeypatch, limits) == MOST_CONNECTIONS - (NEEDED - 1_024)


def test_too_few_files_for_the_threads_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    least = NEEDED - MOST_CONNECTIONS + 65
    assert limit_of(monkeypatch, Limits(least, least)) == 65
    with pytest.raises(UnsafeSetup, match=f"to {NEEDED}"):
        limit_of(monkeypatch, Limits(least - 1, least - 1))
    assert limit_of(monkeypatch, Limits(least - 1, least - 1), threads=8) > 8
