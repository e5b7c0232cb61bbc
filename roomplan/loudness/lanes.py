"""A few threads that stay with one object, one lane per channel.

The filters and matrix products underneath release Python's lock, so threads are enough.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

__all__ = ["Lanes"]

# Samples from which handing a channel to another thread (about 50 µs) pays: these take some 100 µs to filter.
_WORTH_A_THREAD = 30_000

_Item = TypeVar("_Item")
_Result = TypeVar("_Result")


class Lanes:
    """Run one function over a handful of items, side by side where that helps.

    Parameters
    ----------
    workers : int
        Threads to use; 1 means the caller's own.

    Notes
    -----
    The threads start with the first work and end with `close`, or when the object is forgotten.
    """

    def __init__(self, workers: int) -> None:
        self._workers = workers
        self._pool: ThreadPoolExecutor | None = None

    def worth(self, samples: int) -> Lanes:
        """These lanes, or the caller's own thread where so few samples are not worth another."""
        return self if samples >= _WORTH_A_THREAD else Lanes(1)

    def map(self, function: Callable[[_Item], _Result], items: Sequence[_Item]) -> list[_Result]:
        """Results in the order of the items; the first exception is raised after all have ended."""
        if self._workers < 2 or len(items) < 2:
            return [function(item) for item in items]
        if self._pool is None:
            self._pool = ThreadPoolExecutor(self._workers, thread_name_prefix="loudness")
        # The caller's thread takes the first item itself: one thread less to wake.
        futures = [self._pool.submit(function, item) for item in items[1:]]
        try:
            first = function(items[0])
        finally:
            errors = [future.exception() for future in futures]
        for error in errors:
            if error is not None:
                raise error
        return [first, *(future.result() for future in futures)]

    def close(self) -> None:
        """End the threads; the next `map` would start them again."""
        if self._pool is not None:
            self._pool.shutdown()
            self._pool = None
