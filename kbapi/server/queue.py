"""Which request runs next: a queue with a longest wait, and places that networks share.

Bookkeeping only: times are passed in, and nothing here knows sockets.
"""

import threading
import time
from collections import Counter, OrderedDict, deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final, Generic, Literal, NamedTuple, TypeVar

from kbapi.errors import Overloaded
from kbapi.time_budget import between_steps

LONGEST_WAIT_S: Final = 2.0
"""Who would wait longer gets an answer at once: another try later costs less than waiting."""
LOOK_S: Final = 0.1
"""How often to look for requests that have waited too long: it costs a step for each network."""
ASK_AGAIN_S: Final = 2.0
"""The seconds in Retry-After of a refusal; a refusal before they are over comes that much later."""
_MOST_HELD: Final = 64
"""The refusals that a worker holds back; each keeps a connection, and its head of up to 64 KiB."""
_WEIGHT: Final = 1 / 32
"""The weight of the newest request in the mean time of all requests."""
_WEIGHT_IN_NETWORK: Final = 1 / 8
_LAST: Final = 4
"""The requests of a network of which the shortest tells what its next one takes at least."""
_FIRST_MEAN_S: Final = 0.005
_MOST_NETWORKS: Final = 1_024
_DEAR_CPU_S: Final = 0.2
"""A network whose requests take more CPU time than this on average is dear: all threads of a
process share one processor, so that each more of them delays everybody else by as much again."""

_DEAR_REQUEST_CPU_S: Final = 0.5
"""A request that has computed for longer gives way, whoever sent it."""
_STEP_CPU_S: Final = 0.005
_LONGEST_WAY_S: Final = 0.1
_WAY_LOOK_S: Final = 0.001
"""What a request that gives way computes in between, waits at most, and how often it looks."""


class Places:
    """A number of places, of which one network never holds all.

    A network that is known to be dear holds `most_of_dear` at most.
    """

    def __init__(self, total: int, most_of_one: int, most_of_dear: int | None = None) -> None:
        self.total = total
        self.dear: set[str] = set()
        self._most_of_one = most_of_one
        self._most_of_dear = most_of_one if most_of_dear is None else most_of_dear
        self._free = total
        self._held: Counter[str] = Counter()
        self._lock = threading.Lock()
        self._waiting: deque[tuple[str, threading.Lock]] = deque()

    @property
    def is_full(self) -> bool:
        """Whether no place is free."""
        return self._free <= 0

    def others_hold(self, network: str) -> bool:
        """Whether another network holds a place."""
        return self.total - self._free > self._held[network]

    def most_of(self, network: str) -> int:
        """The places that this network may hold at a time."""
        return self._most_of_dear if network in self.dear else self._most_of_one

    def take(self, network: str) -> bool:
        """Whether a place was free for this network; it is taken now."""
        with self._lock:
            return self._take(network)

    def give_back(self, network: str) -> None:
        """Free a place of this network, for the first that waits for one and may have it."""
        with self._lock:
            self._free += 1
            self._held[network] -= 1
            if not self._held[network]:
                del self._held[network]
            for waiting in self._waiting:
                if self._take(waiting[0]):
                    self._waiting.remove(waiting)
                    waiting[1].release()
                    break

    def wait(self, network: str, timeout_s: float) -> bool:
        """Whether a place was or became free for this network in time; it is taken now."""
        ready = threading.Lock()
        waiting = network, ready
        with self._lock:
            if self._take(network):
                return True
            ready.acquire()
            self._waiting.append(waiting)
        if ready.acquire(timeout=timeout_s):
            return True
        with self._lock:
            if waiting not in self._waiting:
                return True  # it became free at the last moment
            self._waiting.remove(waiting)
            return False

    def _take(self, network: str) -> bool:
        if self._free <= 0 or self._held[network] >= self.most_of(network):
            return False
        self._free -= 1
        self._held[network] += 1
        return True


State = Literal["computing", "reading", "drawing", "sending"]


class Turn:
    """The place of a request among those that compute; it has none while it waits.

    It waits for its client or for a picture. Inside a transaction a wait would keep others from
    ending theirs.
    """

    def __init__(
        self, places: Places, network: str, freed: Callable[[], None], *, is_dear: bool = False
    ) -> None:
        self.state: State = "computing"
        self.held_s = 0.0
        self.cpu_s = 0.0
        self._places = places
        self._network = network
        self._freed = freed
        self._has_place = True
        self._began = time.monotonic()
        self._cpu_began = 0.0
        self._gives_way_s = 0.0 if is_dear else _DEAR_REQUEST_CPU_S

    @contextmanager
    def paused(self, state: State) -> Iterator[None]:
        """A time without a place.

        Raises
        ------
        Overloaded
            When a request that has to be read on gets no place again in time.
        """
        self.end()
        self.state = state
        self._freed()
        try:
            yield
        finally:
            self._has_place = self._places.wait(self._network, LONGEST_WAIT_S)
            self._began = time.monotonic()
        if state == "reading" and not self._has_place:
            raise Overloaded
        self.state = "computing"

    @contextmanager
    def running(self) -> Iterator[None]:
        """The time from the beginning to the end, in the thread that answers."""
        self._cpu_began = time.thread_time()
        try:
            with between_steps(self._give_way):
                yield
        finally:
            self.cpu_s = time.thread_time() - self._cpu_began
            self.end()

    def _give_way(self) -> None:
        """Wait while requests of others compute, if this one is dear; never without an end.

        Its threads share one processor with theirs.
        """
        cpu_s = time.thread_time() - self._cpu_began
        if cpu_s < self._gives_way_s:
            return
        self._gives_way_s = cpu_s + _STEP_CPU_S
        ends = time.monotonic() + _LONGEST_WAY_S
        while self._places.others_hold(self._network) and time.monotonic() < ends:
            time.sleep(_WAY_LOOK_S)

    def end(self) -> None:
        """Give the place back."""
        if self._has_place:
            self._has_place = False
            self.held_s += time.monotonic() - self._began
            self._places.give_back(self._network)


class _Known(NamedTuple):
    """What requests of a network took."""

    last_held_s: tuple[float, ...]
    mean_cpu_s: float

    @property
    def least_held_s(self) -> float:
        """What each of the last requests took at least; nothing while too few are known.

        One request that took long says nothing about the next: that may be a page.
        """
        return min(self.last_held_s) if len(self.last_held_s) == _LAST else 0.0


_UNKNOWN: Final = _Known((), 0.0)
Item = TypeVar("Item")


class RequestQueue(Generic[Item]):
    """Requests that wait for a place, by network: each network with requests is next in turn.

    By Little's law the wait is the number of requests ahead, times the mean time that each holds
    its place, over the number of places.
    """

    def __init__(self, places: Places) -> None:
        self._places = places
        self._of: OrderedDict[str, deque[tuple[float, Item]]] = OrderedDict()
        self._length = 0
        self._mean_s = _FIRST_MEAN_S
        self._known: OrderedDict[str, _Known] = OrderedDict()
        self._none_taken_since: float | None = None
        self._looks_at = 0.0

    def __len__(self) -> int:
        return self._length

    def add(self, network: str, item: Item, now: float) -> None:
        """Let a request of this network wait."""
        self._of.setdefault(network, deque()).append((now, item))
        self._length += 1
        if self._none_taken_since is None:
            self._none_taken_since = now

    def has(self, network: str) -> bool:
        """Whether requests of this network wait."""
        return network in self._of

    def is_dear(self, network: str) -> bool:
        """Whether requests of this network are known to take much CPU time."""
        return network in self._places.dear

    def seconds_to_wait(self, network: str, now: float) -> float:
        """The time that one more request of this network would probably wait."""
        ahead = len(self._of.get(network, ())) + 1
        in_turns = len(self._of) + (network not in self._of)
        # No more wait than those that wait ahead of it in turns.
        of_all = min(ahead * in_turns, self._length + 1) * self._mean_s / self._places.total
        of_own = (
            ahead * self._known.get(network, _UNKNOWN).least_held_s / self._places.most_of(network)
        )
        stopped = 0.0 if self._none_taken_since is None else now - self._none_taken_since
        return max(of_all, of_own, stopped)

    def take(self, is_free: Callable[[str], bool], now: float) -> tuple[str, float, Item] | None:
        """The next request for which a place is free, with its network and its time of waiting."""
        for network, waiting in self._of.items():
            if is_free(network):
                since, item = waiting.popleft()
                self._length -= 1
                del self._of[network]
                if waiting:
                    self._of[network] = waiting
                self.note_taken(now)
                return network, now - since, item
        return None

    def note_taken(self, now: float) -> None:
        """Note that a request began."""
        self._none_taken_since = now if self._length else None

    def take_expired(self, now: float) -> list[tuple[str, Item]]:
        """The requests that have waited too long; looked for from time to time only."""
        if now < self._looks_at:
            return []
        self._looks_at = now + LOOK_S
        expired = []
        for network, waiting in list(self._of.items()):
            while waiting and waiting[0][0] + LONGEST_WAIT_S <= now:
                expired.append((network, waiting.popleft()[1]))
            if not waiting:
                del self._of[network]
        self._length -= len(expired)
        return expired

    def learn(self, network: str, held_s: float, cpu_s: float) -> None:
        """Take into account how long a request of this network held its place and computed."""
        self._mean_s += (held_s - self._mean_s) * _WEIGHT
        known = self._known.pop(network, _Known((), cpu_s))
        mean_cpu_s = known.mean_cpu_s + (cpu_s - known.mean_cpu_s) * _WEIGHT_IN_NETWORK
        self._known[network] = _Known((*known.last_held_s, held_s)[-_LAST:], mean_cpu_s)
        if mean_cpu_s > _DEAR_CPU_S:
            self._places.dear.add(network)
        else:
            self._places.dear.discard(network)
        if len(self._known) > _MOST_NETWORKS:
            self._places.dear.discard(self._known.popitem(last=False)[0])


class Refusals(Generic[Item]):
    """Refusals, of which those are held back that a network gets again before it should ask again.

    Whoever asks again at once would keep the loop of the worker busy with refusals.
    """

    def __init__(self) -> None:
        self._last: OrderedDict[str, float] = OrderedDict()
        self._held: deque[tuple[float, Item]] = deque()

    def __len__(self) -> int:
        return len(self._held)

    def hold(self, network: str, item: Item, now: float) -> bool:
        """Whether this refusal is held back until it is due."""
        last = self._last.pop(network, -ASK_AGAIN_S)
        self._last[network] = now
        if len(self._last) > _MOST_NETWORKS:
            self._last.popitem(last=False)
        if now - last >= ASK_AGAIN_S or len(self._held) >= _MOST_HELD:
            return False
        self._held.append((now + ASK_AGAIN_S, item))
        return True

    def take_due(self, now: float) -> Iterator[Item]:
        """The refusals that are due, the oldest first."""
        while self._held and self._held[0][0] <= now:
            yield self._held.popleft()[1]
