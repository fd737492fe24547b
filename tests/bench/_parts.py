"""What each part of a batch costs: CPU time in its functions, without that of other parts."""

from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from time import thread_time
from typing import Any, Final
from unittest import mock

from kbapi.documents import reader
from kbapi.instance.instance import Instance
from kbapi.intake import batch, responses, result_rows, submit
from kbapi.storage import results

_PARTS: Final[dict[str, tuple[tuple[Any, str], ...]]] = {
    "items and JSON": (
        (batch, "find_items"),
        (batch, "read_json"),
        (reader, "too_many_unknown_fields"),
    ),
    "personal-data check": ((reader, "find_personal_data"),),
    "shape": ((reader._SUBMISSION, "load"),),
    "chip name": ((reader, "decide_chip"),),
    "rules that refuse": ((submit, "read_document"), (submit, "prepare")),
    "numbers of readings": ((reader, "ignore_readings"),),
    "screening": ((submit, "screen"),),
    "hashes and receipt": ((submit, "_sender_of"), (responses, "receipt_of")),
    "look-ups": (
        (submit, "find_known_of"),
        (results, "find_or_add_places"),
        (results, "load_with"),
        (responses, "find_surroundings"),
    ),
    "making rows": ((submit, "new_submission"), (results, "save_submission")),
    "inserts": ((result_rows, "find_unit_of"), (results, "add_row"), (results, "add_parts")),
    "begin and commit": ((Instance, "writing"),),
    "answers and the rest": ((batch, "accept_batch"), (submit, "describe_stored")),
}
"""The functions of each part, where they are called from."""


@contextmanager
def timed_parts() -> Iterator[dict[str, float]]:
    """The CPU time of each part in s, which grows until the end of the block."""
    clock = _Clock()
    with ExitStack() as patches:
        for part, functions in _PARTS.items():
            for owner, name in functions:
                timed = _timed(getattr(owner, name), part, clock)
                patches.enter_context(mock.patch.object(owner, name, timed))
        yield clock.spent


class _Clock:
    """The time of each part, and of the parts inside those that run now."""

    def __init__(self) -> None:
        self.spent: dict[str, float] = defaultdict(float)
        self._inside: list[float] = []

    @contextmanager
    def running(self, part: str) -> Iterator[None]:
        """Count the time of the block for this part, but for what counts for others."""
        began = thread_time()
        self._inside.append(0.0)
        try:
            yield
        finally:
            whole = thread_time() - began
            self.spent[part] += whole - self._inside.pop()
            if self._inside:
                self._inside[-1] += whole


def _timed(function: Callable[..., Any], part: str, clock: _Clock) -> Callable[..., Any]:
    def timed(*args: Any, **options: Any) -> Any:
        with clock.running(part):
            given = function(*args, **options)
        return _TimedEnds(given, part, clock) if hasattr(given, "__exit__") else given

    return timed


class _TimedEnds:
    """A context manager whose beginning and end count for a part, and whose block does not."""

    def __init__(self, block: AbstractContextManager[Any], part: str, clock: _Clock) -> None:
        self._block, self._part, self._clock = block, part, clock

    def __enter__(self) -> Any:
        with self._clock.running(self._part):
            return self._block.__enter__()

    def __exit__(self, *raised: Any) -> Any:
        with self._clock.running(self._part):
            return self._block.__exit__(*raised)
