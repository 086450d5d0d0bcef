"""How long must a name or an address wait before it may try to sign in again?"""

from __future__ import annotations

import ipaddress
import threading
import time
from collections import OrderedDict
from collections.abc import Callable


class Attempts:
    """Who failed to sign in, how often, and until when he waits.

    The first few failures cost nothing; after them each one doubles the wait, up to a longest one,
    so that guessing is slow and nobody is locked out for ever. An attempt during a wait is refused
    and changes nothing. A name from an address where it signed in before waits for failures from
    there alone, so that others who guess at it do not keep its owner out.

    Parameters
    ----------
    free : int
        Failures without a wait.
    longest : float
        Longest wait, in seconds.
    forgotten : float
        Seconds without an attempt after which failures are forgotten.
    most : int
        Names and addresses that are remembered; those longest unused make room.
    clock : callable
        Tells the time in seconds.
    """

    def __init__(
        self,
        *,
        free: int = 5,
        longest: float = 60.0,
        forgotten: float = 900.0,
        most: int = 10_000,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._free, self._longest, self._forgotten, self._most = free, longest, forgotten, most
        self._clock = clock
        # Failures, and until when to wait, by what they are of.
        self._failed: OrderedDict[tuple[str, ...], tuple[int, float]] = OrderedDict()
        self._known: OrderedDict[tuple[str, str], None] = OrderedDict()
        self._lock = threading.Lock()

    def begin(self, name: str, address: str) -> float:
        """Note an attempt as failed until `succeeded` says otherwise; return the wait.

        Noted at once, so that many at the same time are as many attempts.

        Returns
        -------
        float
            Seconds until it may be tried; 0 where this attempt may go on.
        """
        now = self._clock()
        with self._lock:
            keys = self._keys(name, address)
            wait = max(self._held(key, now)[1] - now for key in keys)
            if wait > 0:
                return wait
            for key in keys:
                failures = self._held(key, now)[0] + 1
                over = failures - self._free
                # Beyond 30 doublings every wait is the longest; a power of any size is not wanted.
                pause = min(self._longest, 2.0 ** min(over, 30)) if over >= 0 else 0.0
                self._failed[key] = (failures, now + pause)
                self._failed.move_to_end(key)
            while len(self._failed) > self._most:
                self._failed.popitem(last=False)
        return 0.0

    def succeeded(self, name: str, address: str) -> None:
        """Note that the attempt which was begun last was right."""
        now = self._clock()
        with self._lock:
            of_name, of_address = self._keys(name, address)
            self._failed.pop(of_name, None)
            # Others behind the same address may go on guessing: only this attempt is taken off.
            failures = self._held(of_address, now)[0]
            self._failed[of_address] = (max(0, failures - 1), now)
            self._known[name, _network(address)] = None
            self._known.move_to_end((name, _network(address)))
            while len(self._known) > self._most:
                self._known.popitem(last=False)

    def __len__(self) -> int:
        """Return how many names and addresses are remembered."""
        return len(self._failed)

    def _keys(self, name: str, address: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
        network = _network(address)
        known = (name, network) in self._known
        return ("name", name, network) if known else ("name", name), ("address", network)

    def _held(self, key: tuple[str, ...], now: float) -> tuple[int, float]:
        failures, until = self._failed.get(key, (0, now))
        return (0, now) if now - until > self._forgotten else (failures, until)


def _network(address: str) -> str:
    """Return what is counted as one address: one of version 6 has 2^64 for the asking."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address[:64]
    if isinstance(found, ipaddress.IPv6Address):
        if found.ipv4_mapped is not None:
            return str(found.ipv4_mapped)
        return str(ipaddress.ip_network((found, 64), strict=False))
    return str(found)
