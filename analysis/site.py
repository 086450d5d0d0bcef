"""What has this site a say in: the site file, ``site.toml`` in the store's folder.

Where the clocks stand, how its spreadsheets write dates and name their columns, in what unit and
order its settings go, and the standard it holds its towers to. All of it may be left out. A file
that is wrong is refused as a whole, with every problem in it, since half a site file would read
logs in a way that nobody asked for.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
import json
import re
import tomllib
import zoneinfo
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any

from analysis.log_format import KEY_LENGTH, KINDS, SETTINGS
from analysis.values import DATE_FORMS, nearest

#: Name of the site file in the store's folder.
SITE_FILE = "site.toml"

#: A site file of more bytes is something else.
_MOST_BYTES = 1_000_000

#: Rates are written per so many feeds.
_PER = 10_000
#: No tower is held to fewer faults: a smaller number is a slip, and could not be kept exactly.
_LEAST = 1e-6


@dataclass(frozen=True)
class Setting:
    """What a site says of one of its settings.

    Attributes
    ----------
    unit : str
        As it is shown beside the setting's name; empty where it has none.
    levels : tuple of str
        As logged, in the order in which they are to stand.
    """

    unit: str = ""
    levels: tuple[str, ...] = ()


@dataclass(frozen=True)
class Site:
    """What a site file says; without one, nothing.

    Attributes
    ----------
    zone : str
        IANA name of the time zone of the towers' clocks; empty where none is named.
    date_form : str
        One of `analysis.values.DATE_FORMS`, in which dates are read beside year-month-day; empty
        where none is named.
    headers : mapping of str to str
        The format's names by the site's own headers, both in lower case.
    settings : mapping of str to Setting
        By the log's column, ``set_vacuum``.
    standard : mapping of str to float
        Stated standard in faults per feed, by kind of fault; ``faults`` where both others are.
    fingerprint : str
        SHA-256, in hexadecimal, of the file's bytes; empty without a file. Answers that are kept
        are kept under it.
    """

    zone: str = ""
    date_form: str = ""
    headers: Mapping[str, str] = field(default_factory=dict, hash=False)
    settings: Mapping[str, Setting] = field(default_factory=dict, hash=False)
    standard: Mapping[str, float] = field(default_factory=dict, hash=False)
    fingerprint: str = ""

    def now(self) -> dt.datetime:
        """Return the moment with its offset, by the clocks at the towers."""
        if self.zone:
            return dt.datetime.now(zoneinfo.ZoneInfo(self.zone))
        return dt.datetime.now().astimezone()

    def setting(self, column: str) -> Setting:
        """Return what is said of a setting, if only that nothing is."""
        return self.settings.get(column, _NOTHING)


_NOTHING = Setting()

#: A site without a site file.
NO_SITE = Site()


class SiteError(ValueError):
    """A site file that is wrong; the message names the file, the first problem and how many more.

    Attributes
    ----------
    name : str
        Of the file.
    problems : tuple of str
        All of them: where, what and the remedy, without the file's name and without a full stop.
    """

    def __init__(self, name: str, problems: Sequence[str]) -> None:
        self.name = name
        self.problems = tuple(problems)
        more = len(problems) - 1
        rest = f" ({more} more: feedtally site check shows all)" if more else ""
        super().__init__(f"site file {name}: {problems[0]}{rest}")


def read_site(folder: Path) -> Site:
    """Read the site file of a store.

    Parameters
    ----------
    folder : Path
        Of the store; the file is `SITE_FILE` in it and may be absent.

    Raises
    ------
    SiteError
        When there is one and it is wrong or cannot be read.
    """
    return read_site_file(folder / SITE_FILE) or NO_SITE


def read_site_file(path: Path) -> Site | None:
    """Read one site file; None where it is absent.

    Raises
    ------
    SiteError
        When it is wrong or cannot be read.
    """
    try:
        if path.is_dir():
            raise SiteError(str(path), ["it is a folder; put a text file in its place"])
        if path.exists() and not path.is_file():
            raise SiteError(str(path), ["it is no file; put a text file in its place"])
        with path.open("rb") as file:
            raw = file.read(_MOST_BYTES + 1)
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as error:
        why = error.strerror or "no reason is known"
        problem = f"it cannot be read ({why}); see to it that you may open it"
        raise SiteError(str(path), [problem]) from None
    if len(raw) > _MOST_BYTES:
        problem = f"it is larger than a site file can be ({_MOST_BYTES:,} bytes); name another"
        raise SiteError(str(path), [problem])
    try:
        # Some editors begin a file with a mark that says it is UTF-8.
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        problem = f"line {line} is not UTF-8; save the file as UTF-8"
        raise SiteError(str(path), [problem]) from None
    site = parse_site(text, str(path))
    return dataclasses.replace(site, fingerprint=hashlib.sha256(raw).hexdigest())


def parse_site(text: str, name: str) -> Site:
    r"""Read the text of a site file.

    Parameters
    ----------
    text : str
        TOML.
    name : str
        Of the file, for what is said of it.

    Raises
    ------
    SiteError
        With every problem of the file.

    Examples
    --------
    >>> site = parse_site('zone = "Etc/UTC"\n[standard]\nmisses_per_10k = 0.5', "site.toml")
    >>> site.zone, site.standard
    ('Etc/UTC', {'misses': 5e-05})
    """
    try:
        document = tomllib.loads(text)
    except RecursionError:
        raise SiteError(name, ["it is nested too deep; see the example site file"]) from None
    except ValueError as error:
        raise SiteError(name, [_no_toml(str(error))]) from None
    problems: list[str] = []
    values = _table(document, "", _KEYS, problems)
    if problems:
        raise SiteError(name, problems)
    fingerprint = hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
    return Site(**values, fingerprint=fingerprint)


def _no_toml(message: str) -> str:
    """Say where a text is no TOML, in one line."""
    match = re.fullmatch(r"(.*?) ?\(at (?:line (\d+), column \d+|end of document)\)", message, re.S)
    what = match[1] if match else message
    where = f"line {match[2]}" if match and match[2] else "the end of it" if match else "it"
    return (
        f"{where} cannot be read ({_one_line(what[:1].lower() + what[1:])}); put texts in "
        "quotation marks, numbers in none, and give each key once"
    )


def _one_line(text: str) -> str:
    """Return a text cut to a line of a sentence, whatever letters it holds."""
    plain = "".join(letter if letter.isprintable() else "?" for letter in text)
    return plain if len(plain) <= 60 else f"{plain[:57]}..."


def _shown(value: object) -> str:
    if isinstance(value, dict | list):
        return "a table" if isinstance(value, dict) else "a list"
    if isinstance(value, bool):
        return "true" if value else "false"
    # Python writes no number of thousands of digits out.
    if isinstance(value, int) and value.bit_length() > 200:
        return "a number of very many digits"
    return _one_line(str(value))


def _dotted(path: str, key: str) -> str:
    """Return the path of a key as TOML writes it."""
    plain = key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else json.dumps(key, ensure_ascii=False)
    return f"{path}.{_one_line(plain)}" if path else _one_line(plain)


# Checkers take a value, its path and the list that problems go to, and return what is kept of it.
_Checker = Callable[[Any, str, list[str]], Any]


def _table(
    value: object, path: str, keys: Mapping[str, _Checker], problems: list[str]
) -> dict[str, Any]:
    """Check a table of known keys; those that are wrong or absent are left out."""
    found: dict[str, Any] = {}
    for key, inner in _items(value, path, problems):
        if key in keys:
            kept = keys[key](inner, _dotted(path, key), problems)
            if kept is not None:
                found[key] = kept
            continue
        meant = nearest(key, frozenset(keys), 0.6)
        hint = f"did you mean {meant}?" if meant else f"known are {', '.join(keys)}"
        problems.append(f"{_dotted(path, key)} is not known; {hint}")
    return found


def _items(value: object, path: str, problems: list[str]) -> list[tuple[str, object]]:
    if isinstance(value, dict):
        return list(value.items())
    problems.append(f"{path} is one value; make it a table, with its keys below [{path}]")
    return []


def _text(value: object, path: str, problems: list[str]) -> str | None:
    if not isinstance(value, str):
        problems.append(f"{path} is {_shown(value)}; write a text in quotation marks")
    elif not value.strip():
        problems.append(f"{path} is empty; fill it in, or take it out")
    elif len(value.strip()) > KEY_LENGTH or not value.strip().isprintable():
        problems.append(f"{path} is {_shown(value)}; write at most {KEY_LENGTH} letters in a line")
    else:
        return value.strip()
    return None


def _zone(value: object, path: str, problems: list[str]) -> str | None:
    name = _text(value, path, problems)
    if name is None:
        return None
    try:
        return zoneinfo.ZoneInfo(name).key
    except (OSError, ValueError, zoneinfo.ZoneInfoNotFoundError):
        pass
    known = {zone.lower(): zone for zone in zoneinfo.available_timezones()}
    # A town alone is what most people would write.
    towns = {zone.rpartition("/")[2]: zone for zone in sorted(known)}
    town = nearest(name.replace(" ", "_"), frozenset(towns), 0.8)
    meant = known.get(nearest(name, frozenset(known)) or towns.get(town, ""), "")
    hint = f"did you mean {meant}?" if meant else "write a region and a town, such as Europe/Vienna"
    problems.append(f"{path} is {_shown(name)}, which is no time zone; {hint}")
    return None


def _date_form(value: object, path: str, problems: list[str]) -> str | None:
    form = _text(value, path, problems)
    if form is None or form in DATE_FORMS:
        return form
    # dd/mm/yyyy is how spreadsheets write it.
    meant = re.sub(r"([DMY])\1*", r"\1", form.upper())
    hint = f"; did you mean {meant}?" if meant in DATE_FORMS else ""
    problems.append(f"{path} is {_shown(form)}; write one of {', '.join(DATE_FORMS)}{hint}")
    return None


_NAMES = frozenset(name for kind in KINDS.values() for name in kind.names)


def _headers(value: object, path: str, problems: list[str]) -> dict[str, str]:
    """Check the site's own headers; several may mean one name, as spreadsheets differ."""
    found: dict[str, str] = {}
    for key, inner in _items(value, path, problems):
        here, own = _dotted(path, key), key.strip().lower()
        meant = _text(inner, here, problems)
        if not own:
            problems.append(f"{here} is empty; write the header as it stands in your files")
        elif own in found:
            problems.append(f"{here} stands twice, since case and blanks do not count; keep one")
        elif own in _NAMES:
            problems.append(
                f"{here} is a name of the format itself; take it out, and rename the column in "
                "your files if it holds something else"
            )
        elif meant is not None:
            found[own] = meant.lower()
            if found[own] not in _NAMES and not _is_setting(found[own]):
                near = nearest(meant, _NAMES, 0.6)
                hint = f"did you mean {near}?" if near else "write a name of the log format"
                problems.append(f"{here} is {meant}, which is no column of the format; {hint}")
    return found


def _is_setting(name: str) -> bool:
    return name.startswith("set_") and len(name) > len("set_")


def _settings(value: object, path: str, problems: list[str]) -> dict[str, Setting]:
    found: dict[str, Setting] = {}
    for key, inner in _items(value, path, problems):
        here, name = _dotted(path, key), key.strip().lower()
        if not _is_setting(name):
            meant = nearest(f"set_{name}", frozenset(SETTINGS))
            hint = f"did you mean {meant}?" if meant else "its name begins with set_, as in the log"
            problems.append(f"{here} is no setting; {hint}")
            continue
        if name in found:
            problems.append(f"{here} stands twice, since case and blanks do not count; keep one")
        found[name] = Setting(**_table(inner, here, _OF_SETTING, problems))
    return found


def _levels(value: object, path: str, problems: list[str]) -> tuple[str, ...] | None:
    if not isinstance(value, list) or not value:
        problems.append(f'{path} is no list; write the levels in order, such as ["low", "high"]')
        return None
    levels: list[str] = []
    for number, one in enumerate(value, 1):
        level = _text(one, f"{path} number {number}", problems)
        if level is not None and level in levels:
            problems.append(f"{path} has {_shown(level)} twice; name each level once")
        elif level is not None:
            levels.append(level)
    return tuple(levels)


def _rate(value: object, path: str, problems: list[str]) -> float | None:
    if isinstance(value, int | float) and not isinstance(value, bool) and _LEAST <= value < _PER:
        # By its decimals, so that 0.3 per 10,000 is the same number as 3e-5.
        return float(Decimal(str(value)) / _PER)
    problems.append(
        f"{path} is {_shown(value)}; write a number from {_LEAST:f} to below {_PER:,}, without "
        "quotation marks, and with a point for the decimals"
    )
    return None


def _standard(value: object, path: str, problems: list[str]) -> dict[str, float]:
    rates = _table(value, path, _OF_STANDARD, problems)
    found = {key.removesuffix("_per_10k"): rate for key, rate in rates.items()}
    if len(found) == 2:
        both = float(sum(Decimal(str(rate)) for rate in found.values()))
        if both >= 1:
            problems.append(
                f"{path} has as many misses and doubles as feeds; write both per {_PER:,} feeds"
            )
        found["faults"] = both
    return found


#: Keys of the tables in the file, each with what checks it.
_OF_SETTING: Mapping[str, _Checker] = {"unit": _text, "levels": _levels}
_OF_STANDARD: Mapping[str, _Checker] = {"misses_per_10k": _rate, "doubles_per_10k": _rate}
#: Keys of the file as a whole: the fields of `Site`.
_KEYS: Mapping[str, _Checker] = {
    "zone": _zone,
    "date_form": _date_form,
    "headers": _headers,
    "settings": _settings,
    "standard": _standard,
}
