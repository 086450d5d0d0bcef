"""How is an answer worked out once, however many ask for it at the same time?"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

Key = TypeVar("Key", bound=Hashable)
Answer = TypeVar("Answer")

#: Answers kept where no other number is named.
_MOST = 64


class _Turn:
    """The turn of one answer, and how many have asked for it and have not got it yet."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.asked = 0


class Kept(Generic[Key, Answer]):
    """Answers by what was asked, the last used of them; safe to ask from several threads.

    Who asks what another thread is working out waits for that one, and for no other: a slow answer
    holds up nobody who asks for something else.

    Parameters
    ----------
    most : int
        Answers kept, or what those kept weigh together.
    weigh : callable, optional
        Tells what an answer weighs; each weighs one where none is given. One that is heavier than
        all that is kept is not kept.
    """

    def __init__(self, most: int = _MOST, weigh: Callable[[Answer], int] | None = None) -> None:
        self._most = most
        self._weigh = weigh or (lambda answer: 1)
        self._weight = 0
        # Held for look-ups alone, never while an answer is worked out.
        self._lock = threading.Lock()
        self._found: OrderedDict[Key, Answer] = OrderedDict()
        # Who works an answer out holds its turn; whoever else has asked for it by then waits.
        self._turns: dict[Key, _Turn] = {}

    def __contains__(self, key: object) -> bool:
        """Tell whether an answer is at hand."""
        with self._lock:
            return key in self._found

    def get(self, key: Key, make: Callable[[], Answer]) -> Answer:
        """Return an answer, made now where it is not kept; raises what ``make`` raises."""
        with self._lock:
            if key in self._found:
                self._found.move_to_end(key)
                return self._found[key]
            turn = self._turns.setdefault(key, _Turn())
            turn.asked += 1
        try:
            with turn.lock:
                with self._lock:
                    if key in self._found:
                        return self._found[key]
                made = make()
                with self._lock:
                    self._keep(key, made)
        finally:
            with self._lock:
                turn.asked -= 1
                # Not before: who asks after a failure waits for who tries again.
                if not turn.asked:
                    del self._turns[key]
        return made

    def _keep(self, key: Key, made: Answer) -> None:
        weight = self._weigh(made)
        if weight <= self._most:
            self._found[key] = made
            self._weight += weight
        while self._weight > self._most:
            self._drop(next(iter(self._found)))

    def forget(self, key: Key) -> None:
        """Drop an answer, if it is kept."""
        with self._lock:
            if key in self._found:
                self._drop(key)

    def _drop(self, key: Key) -> None:
        self._weight -= self._weigh(self._found.pop(key))
