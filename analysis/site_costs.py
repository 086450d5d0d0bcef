"""What does this site say of its costs, its parts and its towers?

Money and minutes of a fault, what a part costs and how long it takes to come and to fit, and what
each tower carries and runs: tables of the site file. What is not stated stays unknown here; costs
can be filled with common practice, and say which of them were.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass

from analysis.site_values import (
    Checker,
    check_table,
    check_text,
    dotted,
    items_of,
    number_between,
    shown,
)

#: Name of the table that holds for every tower without one of its own.
EVERY_TOWER = "*"

#: Minutes of a day, hours of a week.
_DAY, _WEEK = 1440, 168
#: Money beyond any cost here, in whatever currency.
_MOST_MONEY = 1e9
_CURRENCY_LENGTH = 12


@dataclass(frozen=True)
class Costs:
    """What a stop, a spoiled set and a double found later cost here.

    Attributes
    ----------
    currency : str
        That all money is in; empty where none is named.
    hour : float, optional
        Money for an hour of a tower with its crew; None, as in all others, where it is not stated.
    stop_minutes : float, optional
        From a stop until the tower runs again.
    mend_minutes : float, optional
        To mend one set by hand.
    spoiled_set : float, optional
        Money for the paper and the print of one set.
    spoiled_share : float, optional
        Of the sets at which a tower stopped, how many are spoiled, 0 to 1; for stretches whose
        log does not say.
    found_later : float, optional
        Money for a double that is found after the tower.
    """

    currency: str = ""
    hour: float | None = None
    stop_minutes: float | None = None
    mend_minutes: float | None = None
    spoiled_set: float | None = None
    spoiled_share: float | None = None
    found_later: float | None = None

    @property
    def assumed(self) -> tuple[str, ...]:
        """Names of the numbers that are not stated."""
        return tuple(
            one.name for one in dataclasses.fields(self) if getattr(self, one.name) is None
        )

    def or_usual(self) -> Costs:
        """Return these costs, with `USUAL_COSTS` in the place of what is not stated.

        Examples
        --------
        >>> Costs(currency="EUR", hour=90).or_usual()
        Costs(currency='EUR', hour=90, stop_minutes=2.0, mend_minutes=1.0, spoiled_set=2.0, \
spoiled_share=0.1, found_later=25.0)
        """
        return dataclasses.replace(self, **{n: getattr(USUAL_COSTS, n) for n in self.assumed})


#: Costs of which nothing is stated.
NO_COSTS = Costs()

#: Taken where a site states nothing: *common practice, no source*. Money has no currency here, so
#: a site that counts in small coins has to state its own.
USUAL_COSTS = Costs(
    hour=60.0,
    stop_minutes=2.0,
    mend_minutes=1.0,
    spoiled_set=2.0,
    spoiled_share=0.1,
    found_later=25.0,
)


@dataclass(frozen=True)
class PartNote:
    """What a site says of one part.

    Attributes
    ----------
    kind : str
        Of fault that its wear shows in: ``misses``, ``doubles`` or ``faults`` for both; empty
        where it is not stated.
    price : float, optional
        Money for one; None, as in all others, where it is not stated.
    lead_days : int, optional
        From the order until it is there.
    fit_minutes : float, optional
        That the tower stands while one is fitted.
    """

    kind: str = ""
    price: float | None = None
    lead_days: int | None = None
    fit_minutes: float | None = None


@dataclass(frozen=True)
class TowerNote:
    """What a site says of one tower.

    Attributes
    ----------
    parts : tuple of str
        That every bin carries, by their names in lower case.
    tower_parts : tuple of str
        Of the tower as a whole, likewise.
    hours_per_week : float, optional
        That it is planned to run; None where it is not stated.
    cycles_per_hour : float, optional
        Its pace while it runs; None where it is not stated.
    """

    parts: tuple[str, ...] = ()
    tower_parts: tuple[str, ...] = ()
    hours_per_week: float | None = None
    cycles_per_hour: float | None = None


def part_name(text: str) -> str:
    """Return the name that a part goes by: in lower case, with one blank between words.

    Examples
    --------
    >>> part_name(" Suction  FOOT ")
    'suction foot'
    """
    return " ".join(text.lower().split())


def check_costs(value: object, path: str, problems: list[str]) -> Costs:
    """Check the table of costs."""
    return Costs(**check_table(value, path, _OF_COSTS, problems))


def _currency(value: object, path: str, problems: list[str]) -> str | None:
    text = check_text(value, path, problems)
    if text is not None and len(text) > _CURRENCY_LENGTH:
        problems.append(
            f"{path} is {shown(text)}; write at most {_CURRENCY_LENGTH} letters, such as EUR"
        )
        return None
    return text


def check_parts(value: object, path: str, problems: list[str]) -> dict[str, PartNote]:
    """Check the tables of parts; letters in another case make no other part."""
    found: dict[str, PartNote] = {}
    for key, inner in items_of(value, path, problems):
        here = dotted(path, key)
        name = _name(key, here, "the part's name as it stands in the service log", problems)
        note = PartNote(**check_table(inner, here, _OF_PART, problems))
        if name is None:
            continue
        if part_name(name) in found:
            problems.append(f"{here} stands twice, since case and blanks do not count; keep one")
        found[part_name(name)] = note
    return found


def _name(key: str, path: str, what: str, problems: list[str]) -> str | None:
    if key.strip():
        return check_text(key, path, problems)
    problems.append(f"{path} is empty; write {what}")
    return None


def _kind(value: object, path: str, problems: list[str]) -> str | None:
    kind = check_text(value, path, problems)
    if kind is None or kind in _KINDS:
        return kind
    problems.append(f"{path} is {shown(kind)}; write one of {', '.join(_KINDS)}")
    return None


def check_towers(value: object, path: str, problems: list[str]) -> dict[str, TowerNote]:
    """Check the tables of towers."""
    found: dict[str, TowerNote] = {}
    for key, inner in items_of(value, path, problems):
        here = dotted(path, key)
        what = f"the tower's name as logged, or {EVERY_TOWER} for every other tower"
        name = _name(key, here, what, problems)
        note = TowerNote(**check_table(inner, here, _OF_TOWER, problems))
        for part in note.parts:
            if part in note.tower_parts:
                problems.append(
                    f"{here} has {part} in parts and in tower_parts; keep it in one, or give one "
                    "of the two another name"
                )
        if name in found:
            problems.append(f"{here} stands twice, since blanks do not count; keep one")
        if name is not None:
            found[name] = note
    return found


def _parts(value: object, path: str, problems: list[str]) -> tuple[str, ...] | None:
    if not isinstance(value, list):
        problems.append(f'{path} is no list; write the parts in it, such as ["brush"]')
        return None
    names: list[str] = []
    for number, one in enumerate(value, 1):
        text = check_text(one, f"{path} number {number}", problems)
        if text is not None and part_name(text) in names:
            problems.append(f"{path} has {shown(text)} twice; name each part once")
        elif text is not None:
            names.append(part_name(text))
    return tuple(names)


#: Kinds of fault that a part's wear shows in.
_KINDS = ("misses", "doubles", "faults")
_MONEY, _MINUTES = number_between(0, _MOST_MONEY), number_between(0, _DAY)
#: Keys of the tables, each with what checks it: the fields of the classes above.
_OF_COSTS: Mapping[str, Checker] = {
    "currency": _currency,
    "hour": _MONEY,
    "stop_minutes": _MINUTES,
    "mend_minutes": _MINUTES,
    "spoiled_set": _MONEY,
    "spoiled_share": number_between(0, 1, hint="such as 0.1 for one in ten"),
    "found_later": _MONEY,
}
_OF_PART: Mapping[str, Checker] = {
    "kind": _kind,
    "price": _MONEY,
    "lead_days": number_between(0, 1000, whole=True, hint="without quotation marks"),
    "fit_minutes": _MINUTES,
}
_OF_TOWER: Mapping[str, Checker] = {
    "parts": _parts,
    "tower_parts": _parts,
    "hours_per_week": number_between(0, _WEEK, above=True),
    "cycles_per_hour": number_between(0, 100_000, above=True),
}
