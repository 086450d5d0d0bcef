"""Can that stand in the site file, and if not, what is told?

Each check takes a value, its path and the list that problems go to, and returns what is kept of
it; None where it is wrong. A problem says where, what and the remedy, in one sentence.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from decimal import Decimal
from typing import Any, TypeGuard

from analysis.log_format import KEY_LENGTH
from analysis.values import nearest

#: Rates are written per so many feeds.
PER = 10_000
#: No tower is held to fewer faults: a smaller number is a slip, and could not be kept exactly.
_LEAST = 1e-6
#: Kinds of fault by the keys of their rates.
RATES = {"misses_per_10k": "misses", "doubles_per_10k": "doubles"}
#: What usually mends a number.
_MEND = "without quotation marks, and with a point for the decimals"


def one_line(text: str) -> str:
    """Return a text cut to a line of a sentence, whatever letters it holds."""
    plain = "".join(letter if letter.isprintable() else "?" for letter in text)
    return plain if len(plain) <= 60 else f"{plain[:57]}..."


#: What mends a text that is no TOML, by what the parser says of it. The first that fits is told.
_REMEDIES = (
    (r"expected '='", "write name = value"),
    (r"unclosed array", "put commas between the values of a list, and end it with ]"),
    (r"end of a table decl", "write the name of a table as [name], in a line of its own"),
    (r"end of an array decl", "write a table that stands several times as [[name]]"),
    (r"unclosed inline", "put commas between what stands in {, and end it with } in that line"),
    (r"unterminated string|^expected (\"|')", "end the text with the mark that it began with"),
    (r"overwrite|twice|duplicate", "give each key and each [name] once"),
    (r"invalid value", "put texts in quotation marks, numbers in none"),
    (
        r"expected newline",
        "look for a bracket too many, a comma in a number, or a text without quotation marks",
    ),
)


def no_toml(message: str) -> str:
    """Say where a text is no TOML, and what mends it, in one line, by the parser's message."""
    match = re.fullmatch(r"(.*?) ?\(at (?:(line \d+, column \d+)|end of document)\)", message, re.S)
    what = match[1] if match else message
    what = what[:1].lower() + what[1:]
    where = (match[2] or "the end of it") if match else "it"
    usual = "put right what stands there"
    remedy = next((told for said, told in _REMEDIES if re.search(said, what)), usual)
    return f"{where} cannot be read ({one_line(what)}); {remedy}"


def shown(value: object) -> str:
    """Write a value as a sentence can hold it."""
    if isinstance(value, dict | list):
        return "a table" if isinstance(value, dict) else "a list"
    if isinstance(value, bool):
        return "true" if value else "false"
    # Python writes no number of thousands of digits out.
    if isinstance(value, int) and value.bit_length() > 200:
        return "a number of very many digits"
    return one_line(str(value))


def dotted(path: str, key: str) -> str:
    """Return the path of a key as TOML writes it."""
    plain = key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else json.dumps(key, ensure_ascii=False)
    return f"{path}.{one_line(plain)}" if path else one_line(plain)


#: Takes a value, its path and the list that problems go to, and returns what is kept of it.
Checker = Callable[[Any, str, list[str]], Any]


def check_table(
    value: object, path: str, keys: Mapping[str, Checker], problems: list[str]
) -> dict[str, Any]:
    """Check a table of known keys; those that are wrong or absent are left out."""
    found: dict[str, Any] = {}
    for key, inner in items_of(value, path, problems):
        if key in keys:
            kept = keys[key](inner, dotted(path, key), problems)
            if kept is not None:
                found[key] = kept
            continue
        meant = nearest(key, frozenset(keys), 0.6)
        hint = f"did you mean {meant}?" if meant else f"known are {', '.join(keys)}"
        problems.append(f"{dotted(path, key)} is not known; {hint}")
    return found


def items_of(value: object, path: str, problems: list[str]) -> list[tuple[str, object]]:
    """Check a table of any keys, and return what is in it."""
    if isinstance(value, dict):
        return list(value.items())
    problems.append(f"{path} is one value; make it a table, with its keys below [{path}]")
    return []


def check_text(value: object, path: str, problems: list[str]) -> str | None:
    """Check a text of a line."""
    if not isinstance(value, str):
        problems.append(f"{path} is {shown(value)}; write a text in quotation marks")
    elif not value.strip():
        problems.append(f"{path} is empty; fill it in, or take it out")
    elif len(value.strip()) > KEY_LENGTH or not value.strip().isprintable():
        problems.append(f"{path} is {shown(value)}; write at most {KEY_LENGTH} letters in a line")
    else:
        return value.strip()
    return None


def _is_number(value: object) -> TypeGuard[int | float]:
    # TOML's true and false would count as 1 and 0.
    return isinstance(value, int | float) and not isinstance(value, bool)


def check_rate(value: object, path: str, problems: list[str]) -> float | None:
    """Check a rate per 10,000 feeds, and return it per feed."""
    if _is_number(value) and _LEAST <= value < PER:
        # By its decimals, so that 0.3 per 10,000 is the same number as 3e-5.
        return float(Decimal(str(value)) / PER)
    problems.append(
        f"{path} is {shown(value)}; write a number from {_LEAST:f} to below {PER:,}, {_MEND}"
    )
    return None


def check_rates(
    value: object, path: str, keys: Mapping[str, Checker], problems: list[str]
) -> dict[str, float]:
    """Check a table with rates per 10,000 feeds; ``faults`` is their sum where both are given."""
    found: dict[str, float] = check_table(value, path, keys, problems)
    rates = [key for key in found if key in RATES]
    for key in rates:
        found[RATES[key]] = found.pop(key)
    if len(rates) == 2:
        both = float(sum(Decimal(str(found[RATES[key]])) for key in rates))
        if both >= 1:
            problems.append(
                f"{path} has as many misses and doubles as feeds; write both per {PER:,} feeds"
            )
        found["faults"] = both
    return found


def number_between(
    low: float, high: float, *, above: bool = False, hint: str = _MEND, whole: bool = False
) -> Checker:
    """Return the check of a number of that range, without its lower end when ``above`` it."""
    kind = "a whole number" if whole else "a number"
    span = f"above {low:g} and at most {high:,.0f}" if above else f"from {low:g} to {high:,.0f}"

    def check(value: object, path: str, problems: list[str]) -> float | int | None:
        if (
            _is_number(value)
            and low <= value <= high
            and not (above and value == low)
            and (not whole or isinstance(value, int))
        ):
            return value if whole else float(value)
        problems.append(f"{path} is {shown(value)}; write {kind} {span}, {hint}")
        return None

    return check
