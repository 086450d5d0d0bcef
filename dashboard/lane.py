"""How many slow questions are worked out at once?"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

#: Slow questions that are worked out at once, and that wait for their turn. Together they are fewer
#: than the threads of a server: the others answer what is quick. Two fill a machine of two cores,
#: and each is done sooner than if it shared them with more.
SLOW_AT_ONCE, SLOW_WAITING = 2, 45


class BusyError(Exception):
    """Too many slow questions are being asked already; the message says what to do."""


class Lane:
    """Where slow questions are worked out, a few at a time.

    All of a server's threads would otherwise wait for them, or take one another's time, while
    somebody else asks what takes no time.
    """

    def __init__(self) -> None:
        self._free = threading.BoundedSemaphore(SLOW_AT_ONCE)
        self._lock = threading.Lock()
        self._inside = 0
        self._mine = threading.local()

    @contextmanager
    def entered(self) -> Iterator[None]:
        """Wait for a place; who has one already goes on.

        Raises
        ------
        BusyError
            Where too many wait.
        """
        if getattr(self._mine, "inside", False):
            yield
            return
        with self._lock:
            if self._inside >= SLOW_AT_ONCE + SLOW_WAITING:
                raise BusyError(
                    "others are asking for what takes long; open the page again in a minute"
                )
            self._inside += 1
        try:
            with self._free:
                self._mine.inside = True
                try:
                    yield
                finally:
                    self._mine.inside = False
        finally:
            with self._lock:
                self._inside -= 1
