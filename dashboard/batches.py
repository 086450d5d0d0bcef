"""Batches of a burn-in that is typed as it runs: in a form, and as the address keeps them.

What is typed stands in the address, so nothing is stored and Back takes a batch away again.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence

from analysis.burn_ins import Batch, BatchError, typed_burn_in
from analysis.log_format import MOST_BINS
from analysis.words import many, without_thousands
from dashboard import filters, parts

_MOST_CYCLES = 10_000_000

#: What the form holds, by name.
TYPED = ("tower", "name", "bins", "cycles", "misses", "doubles")


def read_batch(text: str) -> Batch:
    """Read a batch as the address has it: ``500 m3 d7 d7 m?``.

    Raises
    ------
    analysis.burn_ins.BatchError
        When it is not written so; the message says how.
    """
    words = text.split()
    cycles = _whole(words[0] if words else "", "cycles", "what the counter says")
    faults: dict[str, list[int | None]] = {"m": [], "d": []}
    for word in words[1:]:
        found = re.fullmatch(r"([md])(\d{1,4}|\?)", word, re.ASCII)
        if not found:
            raise BatchError(f"a batch has {word}; write m3 for a miss in bin 3, d? for a double")
        faults[found[1]].append(None if found[2] == "?" else int(found[2]))
    return Batch(cycles, tuple(faults["m"]), tuple(faults["d"]))


def write_batch(batch: Batch) -> str:
    """Write a batch as the address has it; the reverse of `read_batch`."""
    told = [str(batch.cycles)]
    for letter, bins in (("m", batch.misses), ("d", batch.doubles)):
        told += [f"{letter}{'?' if number is None else number}" for number in bins]
    return " ".join(told)


def _whole(text: str, what: str, hint: str) -> int:
    plain = without_thousands(text)
    if not re.fullmatch(r"\d{1,9}", plain, re.ASCII):
        told = f"{what} is {text}" if text else f"{what} is empty"
        raise BatchError(f"{told}; type {hint}, a whole number such as 500")
    return int(plain)


def read_bins(text: str) -> int:
    """Read how many bins a tower has.

    Raises
    ------
    analysis.burn_ins.BatchError
        When it is no whole number from 1 to the most that a tower can have.
    """
    bins = _whole(text, "the number of bins", "how many the tower has")
    if not 1 <= bins <= MOST_BINS:
        raise BatchError(f"a tower of {many(bins, 'bin')} cannot be; type 1 to {MOST_BINS}")
    return bins


def _faults(text: str, kind: str) -> tuple[int | None, ...]:
    found: list[int | None] = []
    for word in re.split(r"[\s,;]+", text.strip()):
        if word == "?":
            found.append(None)
        elif re.fullmatch(r"\d{1,4}", word, re.ASCII):
            found.append(int(word))
        elif word:
            raise BatchError(
                f"{kind} in bins has {word}; type the bin of each, with blanks between, and ? "
                "where it was not noted"
            )
    return tuple(found)


def check_batches(bins: int, batches: Sequence[Batch]) -> None:
    """Refuse what cannot be; further than `analysis.burn_ins.typed_burn_in`, which is asked too.

    Raises
    ------
    analysis.burn_ins.BatchError
        When a batch cannot be; the message says which.
    """
    typed_burn_in("", bins, batches, dt.datetime(2000, 1, 1))
    for number, batch in enumerate(batches, 1):
        if batch.cycles > _MOST_CYCLES:
            raise BatchError(
                f"batch {number} has {many(batch.cycles, 'cycle')}; type at most {_MOST_CYCLES:,}"
            )
        faults = len(batch.misses) + len(batch.doubles)
        if faults > batch.cycles * bins:
            raise BatchError(
                f"batch {number} has {many(faults, 'fault')} in "
                f"{many(batch.cycles * bins, 'feed')}; correct "
                "whichever is wrong"
            )


def with_batch(
    query: filters.Query, typed: Mapping[str, str], now: dt.datetime, listed: int | None = None
) -> str:
    """Return an address with one more batch, as typed.

    Parameters
    ----------
    query : mapping
        The address.
    typed : mapping of str to str
        What stands in the form: tower, name, bins, cycles, misses, doubles.
    now : datetime
        When the burn-in begins, if this is its first batch; wall time.
    listed : int, optional
        How many bins the tower list says that the tower has.

    Raises
    ------
    analysis.burn_ins.BatchError
        When it cannot be; the message says what to mend.
    """
    if not typed["tower"]:
        raise BatchError("the tower has no name; type which tower this is")
    bins = read_bins(typed["bins"])
    # Feeds are cycles times bins: with bins that are not there, a tower would pass too soon.
    if listed is not None and bins != listed:
        raise BatchError(
            f"tower {typed['tower']} has {many(listed, 'bin')} by the tower list, and not "
            f"{bins:,}; type {listed} here, or correct the tower list if it is out of date"
        )
    cycles = _whole(typed["cycles"], "cycles", "what the counter says of this batch")
    batch = Batch(cycles, _faults(typed["misses"], "misses"), _faults(typed["doubles"], "doubles"))
    before = list(query.get("batch", ())) if "typed" in query else []
    check_batches(bins, [*map(read_batch, before), batch])
    begun = parts.last(query, "begun") if before else ""
    return parts.changed(
        query,
        typed=typed["tower"],
        burn_in=typed["name"],
        bins=str(bins),
        begun=begun or now.isoformat(timespec="seconds"),
        batch=[*before, write_batch(batch)],
    )
