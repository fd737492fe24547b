"""A worker takes as many connections as the limit of open files leaves beside its own."""

import resource

import pytest

from kbapi.errors import UnsafeSetup
from kbapi.server.serve import MOST_CONNECTIONS, connection_limit, files_needed

WANTED = files_needed(64)
ENDLESS = resource.RLIM_INFINITY


class Limits:
    """The limit of a process, as the kernel keeps it: the soft one up to the hard one."""

    def __init__(self, soft: int, hard: int, *, is_fixed: bool = False) -> None:
        self.soft, self.hard, self.is_fixed = soft, hard, is_fixed

    def getrlimit(self, _: int) -> tuple[int, int]:
        return self.soft, self.hard

    def setrlimit(self, _: int, limits: tuple[int, int]) -> None:
        if self.is_fixed or limits[1] != self.hard or limits[0] > self.hard != ENDLESS:
            raise ValueError
        self.soft = limits[0]


def room(monkeypatch: pytest.MonkeyPatch, limits: Limits, threads: int = 64) -> int:
    monkeypatch.setattr(resource, "getrlimit", limits.getrlimit)
    monkeypatch.setattr(resource, "setrlimit", limits.setrlimit)
    return connection_limit(threads)


@pytest.mark.parametrize("hard", [WANTED, 4_096, 1_048_576, ENDLESS])
def test_the_limit_of_files_is_raised_as_far_as_needed(
    monkeypatch: pytest.MonkeyPatch, hard: int
) -> None:
    limits = Limits(1_024, hard)
    assert room(monkeypatch, limits) == MOST_CONNECTIONS
    assert limits.soft == WANTED


@pytest.mark.parametrize("soft", [20_000, ENDLESS])
def test_a_sufficient_limit_is_not_changed(monkeypatch: pytest.MonkeyPatch, soft: int) -> None:
    limits = Limits(soft, ENDLESS)
    assert room(monkeypatch, limits) == MOST_CONNECTIONS
    assert limits.soft == soft


@pytest.mark.parametrize(
    "limits", [Limits(1_024, 1_024), Limits(256, 1_024), Limits(1_024, 4_096, is_fixed=True)]
)
def test_with_a_fixed_limit_fewer_connections_are_accepted(
    monkeypatch: pytest.MonkeyPatch, limits: Limits
) -> None:
    assert room(monkeypatch, limits) == MOST_CONNECTIONS - (WANTED - 1_024)


def test_too_few_files_for_the_threads_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    least = WANTED - MOST_CONNECTIONS + 65
    assert room(monkeypatch, Limits(least, least)) == 65
    with pytest.raises(UnsafeSetup, match=f"to {WANTED}"):
        room(monkeypatch, Limits(least - 1, least - 1))
    assert room(monkeypatch, Limits(least - 1, least - 1), threads=8) > 8
