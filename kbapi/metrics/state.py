"""An instance as whoever watches it finds it at this moment: gauges with closed labels."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.registry import Collector


@dataclass(frozen=True, slots=True)
class InstanceState:
    """An instance at the moment when somebody asks."""

    versions: Mapping[str, str]
    """Of the program, its schema, its rules and its answers."""
    writes: str
    """`accepted`, or the code of what stops them."""
    ways_to_stop: tuple[str, ...]
    file_bytes: Mapping[str, int]
    """Of the database and its log."""
    free_bytes: int
    waiting: Mapping[str, int] | None
    """Settings that wait for a curator by part of the queue; None where it can't be read now."""
    is_rescreening_due: bool | None
    """Whether results stand under older rules; None where it can't be read now."""


class _State(Collector):
    """An instance's state as a registry collects it."""

    def __init__(self, state: InstanceState) -> None:
        self._state = state

    def collect(self) -> Iterator[GaugeMetricFamily]:
        """Every gauge of the state."""
        state = self._state
        info = GaugeMetricFamily(
            "kbapi_info", "Versions, as labels; always 1.", labels=tuple(state.versions)
        )
        info.add_metric(tuple(state.versions.values()), 1)
        yield info
        states = ("accepted", *state.ways_to_stop)
        yield _by_word(
            "kbapi_writes",
            "1 at the current state: accepted, or what stops writes.",
            "state",
            {word: int(word == state.writes) for word in states},
        )
        yield _by_word(
            "kbapi_storage_bytes",
            "Size of the database and its log, in bytes.",
            "file",
            state.file_bytes,
        )
        yield GaugeMetricFamily(
            "kbapi_free_bytes", "Free bytes on the disk of the instance.", state.free_bytes
        )
        yield GaugeMetricFamily(
            "kbapi_storage_readable",
            "Whether the database can be read.",
            int(state.waiting is not None),
        )
        yield _by_word(
            "kbapi_review_waiting",
            "Settings that wait for a curator, by part of the queue, up to 10,000 each.",
            "part",
            state.waiting or {},
        )
        yield _where_known(
            "kbapi_rescreening_due",
            "1 while older rules have screened some results.",
            state.is_rescreening_due,
        )


def _where_known(name: str, told: str, value: bool | None) -> GaugeMetricFamily:
    return GaugeMetricFamily(name, told, None if value is None else int(value))


def _by_word(name: str, told: str, label: str, values: Mapping[str, int]) -> GaugeMetricFamily:
    family = GaugeMetricFamily(name, told, labels=(label,))
    for word, value in values.items():
        family.add_metric((word,), value)
    return family


def tell_state(state: InstanceState) -> bytes:
    """An instance's state as text in the exposition format."""
    registry = CollectorRegistry()
    registry.register(_State(state))
    return generate_latest(registry)
