"""What was done to towers and bins, as the service log has it?"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

#: A tower and its bin, or the tower as a whole.
Place = tuple[str, int | None]

#: An act that changes nothing, and one that is upkeep where all bins have it.
LOOKED, _UPKEEP = "inspected", "cleaned"


#: What the paper of a bin is called where it is exchanged: no part of the tower.
PILES = ("pile", "piles", "paper", "lift", "lifts")


@dataclass(frozen=True)
class Service:
    """One line of the service log.

    Attributes
    ----------
    when : datetime
        Wall time.
    tower : str
    bin : int or None
        None for every bin of the tower, or for a part of the tower as a whole.
    of_tower : bool
        Whether it was done to a part of the tower as a whole.
    part, action : str
        ``brush`` and ``fitted``; the part may be empty.
    reason : str
        ``planned``, ``worn`` or ``broken``; empty where it was not logged.
    """

    when: dt.datetime
    tower: str
    bin: int | None
    of_tower: bool
    part: str
    action: str
    reason: str = ""

    @property
    def changed(self) -> bool:
        """Whether anything was done to the tower but to look."""
        return self.action != LOOKED and not self.of_paper

    @property
    def of_paper(self) -> bool:
        """Whether piles were exchanged, which does nothing to the bin itself."""
        return self.action == "swapped" and self.part.strip().lower() in PILES

    @property
    def upkeep(self) -> bool:
        """Whether it is done to good bins as well: evidence from before it counts on."""
        return self.action == _UPKEEP and self.reason == "planned"

    @property
    def words(self) -> str:
        """Say what was done: ``brush fitted``."""
        return " ".join(word for word in (self.part, self.action) if word)

    def begins_anew(self, place: Place) -> bool:
        """Tell whether what is watched of a bin, or of a tower as a whole, starts anew with it."""
        tower, number = place
        if tower != self.tower or not self.changed:
            return False
        if self.bin is not None:
            return number == self.bin
        if self.of_tower:
            return number is None
        return self.action != _UPKEEP


def logged(rows: Iterable[Mapping[str, object]], until: dt.datetime | None = None) -> list[Service]:
    """Read rows of the service log, in their order and with parts as they were written.

    Parameters
    ----------
    rows : iterable of mapping
        ``LogScan.list_rows("services")``; those without a time are left out.
    until : datetime, optional
        Later ones are left out.
    """
    found = []
    for row in rows:
        when, number = row["when"], row["bin"]
        if not isinstance(when, dt.datetime):
            continue
        when = when.replace(tzinfo=None)
        if until is None or when <= until:
            found.append(
                Service(
                    when,
                    str(row["tower"]),
                    number if isinstance(number, int) else None,
                    bool(row["of_tower"]),
                    str(row["part"] or ""),
                    str(row["action"]),
                    str(row["reason"] or ""),
                )
            )
    return found


def done(rows: Iterable[Mapping[str, object]], until: dt.datetime | None = None) -> list[Service]:
    """Read rows of the service log in the order of time, one name for each part.

    Parameters
    ----------
    rows, until
        As of `logged`.

    Returns
    -------
    list of Service
        With parts in lower case.
    """
    found = [replace(one, part=one.part.strip().lower()) for one in logged(rows, until)]
    return sorted(found, key=lambda one: (one.when, one.tower, one.bin or 0, one.part, one.action))
