"""How are numbers, days and settings said: two digits, rates per 10,000 feeds, lists, periods?"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Mapping, Sequence
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

import numpy as np

#: Faults are shown per so many feeds.
PER = 10_000
#: From so many times on, the upper end of a range of a ratio tells nobody anything: towers that get
#: worse get two to ten times as bad.
NO_UPPER_END = 100

_THOUSANDS = re.compile(r"[1-9]\d{0,2}(,\d{3})+(\.\d*)?", re.ASCII)


def one(kind: str, count: int) -> str:
    """Return the word for a count of a kind of fault: ``misses``, or ``miss`` for one."""
    words = {"misses": "miss", "doubles": "double", "faults": "fault", "feeds": "feed"}
    return words[kind] if count == 1 else kind


def many(number: int, thing: str, things: str = "") -> str:
    """Write a number of things: ``1 row``, ``1,204 rows``, ``2 misses``."""
    return f"{number:,} {thing if number == 1 else things or thing + 's'}"


def significant(value: float, digits: int) -> str:
    """Write a number with so many significant digits, two or more, without an exponent."""
    # Beyond any count there can be; written out it would be a row of noughts.
    if abs(value) < 1e-9:
        return "0"
    last = digits - 1
    places = max(0, last - int(np.floor(np.log10(abs(value)))))
    rounded = round(value, places)
    # Rounding up to the next power of ten (0.996 to 1.0) leaves one digit too many.
    places = max(0, last - int(np.floor(np.log10(abs(rounded))))) if rounded else places
    if abs(rounded) >= 10**digits:
        scale = 10 ** (int(np.floor(np.log10(abs(rounded)))) - last)
        return f"{round(value / scale) * scale:,.0f}"
    return f"{rounded:,.{places}f}"


def two_digits(value: float) -> str:
    """Write a number with two significant digits, without an exponent."""
    return significant(value, 2)


def expected_number(faults: float) -> str:
    """Write how many faults were expected: whole from 10 up, ``1.2`` below."""
    return f"{faults:,.0f}" if faults >= 9.95 else two_digits(faults)


def per_10k(rate: float) -> str:
    """Write a rate per feed as one per 10,000 feeds, with two significant digits."""
    return two_digits(rate * PER)


def times_range(low: float, high: float, write: Callable[[float], str] = two_digits) -> str:
    """Write the range of how many times one rate is another: ``0.22 to 3.4``, ``0.22 or more``.

    An upper end of `NO_UPPER_END` times and beyond comes from a side with next to no faults. It
    says nothing of the other side, so it is left out; without a lower end either, nothing is known.
    Ratios that stand beside one another near 1 may be written with more digits.
    """
    if high < NO_UPPER_END:
        return f"{write(low)} to {write(high)}"
    return f"{write(low)} or more" if low > 0 else "any number"


def at_most(value: float, digits: int = 2) -> str:
    """Write a number that another is at most: rounded up, or it would be said to be less.

    Examples
    --------
    >>> at_most(5.82), at_most(0.12), at_least(5.89)
    ('5.9', '0.12', '5.8')
    """
    return _bound(value, digits, ROUND_CEILING)


def at_least(value: float, digits: int = 2) -> str:
    """Write a number that another is at least: rounded down."""
    return _bound(value, digits, ROUND_FLOOR)


def at_most_per_10k(rate: float) -> str:
    """Write a rate per feed that the true one is at most, per 10,000 feeds, rounded up."""
    return at_most(rate * PER)


def bound_apart(bound: float, other: float) -> tuple[str, str]:
    """Write what a rate per feed is at most, and a rate that it is held against, per 10,000 feeds.

    With as many digits as `told_apart` gives them, so that they read alike only where they are.
    """
    for digits in range(2, 13):
        told = at_most(bound * PER, digits), significant(other * PER, digits)
        if told[0] != told[1] or f"{bound:.12g}" == f"{other:.12g}":
            break
    return told


def times_at_most(ratio: float) -> str:
    """Write how many times one rate is at most another; never ``1.0`` where it is fewer."""
    return _times_bound(ratio, at_most)


def times_at_least(ratio: float) -> str:
    """Write how many times one rate is at least another; never ``1.0`` where it is more."""
    return _times_bound(ratio, at_least)


def _times_bound(ratio: float, write: Callable[[float, int], str]) -> str:
    # That it is not once is what such a bound is told for.
    for digits in range(2, 13):
        said = write(ratio, digits)
        if float(said.replace(",", "")) != 1 or f"{ratio:.12g}" == "1":
            break
    return said


def _bound(value: float, digits: int, how: str) -> str:
    if abs(value) < 1e-9:
        return "0"
    # Without the last binary digits: 0.12 times 1 must not become 0.13.
    exact = Decimal(f"{value:.12g}")
    rounded = exact.quantize(Decimal(1).scaleb(exact.adjusted() + 1 - digits), how)
    # Rounding up to the next power of ten (0.996 to 1.0) leaves one digit too many.
    rounded = rounded.quantize(Decimal(1).scaleb(rounded.adjusted() + 1 - digits), how)
    return f"{rounded:,f}"


def told_apart(rates: Sequence[float]) -> list[str]:
    """Write rates per feed as ones per 10,000 feeds, so that no two that differ read alike.

    All have two significant digits, or as many more as tell them apart; 12 at most, beyond which
    two numbers that were typed do not differ.
    """
    different = len({f"{rate:.12g}" for rate in rates})
    for digits in range(2, 13):
        told = [significant(rate * PER, digits) for rate in rates]
        if len(set(told)) >= different:
            break
    return told


def chance(share: float) -> str:
    """Write a chance that was counted over draws, and so is never quite 0 or 1, in percent."""
    if share > 0.99:
        return "over 99 %"
    return "below 1 %" if share < 0.01 else f"{100 * share:.0f} %"


def exact_chance(share: float) -> str:
    """Write a chance that was reckoned, in percent; never as certain what is not.

    No tower with some faults and some clean feeds passes for certain, nor fails: a share that is 0
    or 1 to the last binary digit is not either.
    """
    if share < 0.0005:
        return "below 0.1 %"
    return "above 99.9 %" if share > 0.9995 else f"{100 * share:.1f} %"


def without_thousands(text: str) -> str:
    """Return a typed number without the commas that part its thousands: ``1,200`` is ``1200``.

    Any other comma stays, so that it is refused: it is a decimal point to many, and 0,3 is not 3.
    """
    text = text.strip()
    return text.replace(",", "") if _THOUSANDS.fullmatch(text) else text


def capital(text: str) -> str:
    """Begin a sentence with a text: its first letter is a capital."""
    return text[:1].upper() + text[1:]


def listed(words: Sequence[str]) -> str:
    """Join words as a sentence does: ``A, B and C``; empty where there are none."""
    return _joined(words, "and")


def either(names: Sequence[str]) -> str:
    """Join words: ``A, B or C``."""
    return _joined(names, "or")


def _joined(words: Sequence[str], by: str) -> str:
    return f" {by} ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def called(column: str) -> str:
    """Return what the crew calls a column of the log: ``set_foot_rest`` is ``foot rest``."""
    if column == "humidity_band":
        return "humidity"
    return column.removeprefix("set_").replace("_", " ")


def settings_words(settings: Mapping[str, str | None]) -> str:
    """Write settings as a sentence has them, leaving out what was not logged."""
    words = [f"{called(name)} {level}" for name, level in settings.items() if level is not None]
    return listed(words) if words else "nothing logged of its settings"


MONTHS = (
    "January February March April May June July August September October November December"
).split()


def day(moment: dt.date) -> str:
    """Write a day: ``5 March 2032``."""
    return f"{moment.day} {MONTHS[moment.month - 1]} {moment.year}"


def period(first: dt.date, last: dt.date) -> str:
    """Write a period of days, naming month and year once where they are the same."""
    if (first.year, first.month, first.day) == (last.year, last.month, last.day):
        return day(first)
    if first.year != last.year:
        return f"{day(first)} to {day(last)}"
    if first.month != last.month:
        return f"{first.day} {MONTHS[first.month - 1]} to {day(last)}"
    return f"{first.day} to {day(last)}"


def in_rows(numbers: Sequence[int]) -> list[list[int]]:
    """Part rising whole numbers where one does not follow on the one before.

    Examples
    --------
    >>> in_rows([1, 2, 3, 5, 9, 10])
    [[1, 2, 3], [5], [9, 10]]
    """
    rows: list[list[int]] = []
    for number in numbers:
        if rows and number == rows[-1][-1] + 1:
            rows[-1].append(number)
        else:
            rows.append([number])
    return rows


def ranges(numbers: Sequence[int]) -> list[str]:
    """Write rising whole numbers for a list, three in a row or more as a range.

    Examples
    --------
    >>> ranges([1, 2, 3, 5, 9, 10])
    ['1 to 3', '5', '9', '10']
    """
    return [
        told
        for row in in_rows(numbers)
        for told in ([f"{row[0]} to {row[-1]}"] if len(row) > 2 else map(str, row))
    ]
