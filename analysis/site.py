"""What has this site a say in: the site file, ``site.toml`` in the store's folder.

Where the clocks stand, how its spreadsheets write dates and name their columns, in what unit and
order its settings go, the standard it holds its towers to, when it acts, what faults cost it, what
its towers carry, and what is asked when a run is counted at the tower. All of it may be left out.
A file that is wrong is refused as a whole, with every problem in it, since half a site file would
read logs in a way that nobody asked for.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
import os
import re
import time
import tomllib
import zoneinfo
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from analysis.log_format import KINDS, SETTINGS
from analysis.site_costs import (
    EVERY_TOWER,
    NO_COSTS,
    Costs,
    PartNote,
    TowerNote,
    check_costs,
    check_parts,
    check_towers,
    part_name,
)
from analysis.site_entry import USUAL_ASKED, check_entry
from analysis.site_values import (
    RATES,
    Checker,
    check_rate,
    check_rates,
    check_table,
    check_text,
    dotted,
    items_of,
    no_toml,
    number_between,
    shown,
)
from analysis.values import DATE_FORMS, nearest

#: Name of the site file in the store's folder.
SITE_FILE = "site.toml"

#: A site file of more bytes is something else.
_MOST_BYTES = 1_000_000

#: A part is due when its bin has so many times the faults that it has with a new part, where
#: neither that nor a rate is stated.
USUAL_LIMIT_TIMES = 2.0
#: False alarms a year allowed for each tower, where nothing is stated, and at most.
USUAL_BUDGET, MOST_BUDGET = 1.0, 52


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
    budget : float, optional
        False alarms a year allowed for each tower; None where it is not stated.
    limits : mapping of str to float
        Action limits in faults per feed, by kind of fault; ``faults`` where both others are.
    limit_times : float, optional
        So many times the faults with a new part are the action limit, for kinds without a rate of
        their own; None where it is not stated.
    costs : Costs
        What is stated of the costs of faults.
    parts : mapping of str to PartNote
        By the part's name in lower case.
    towers : mapping of str to TowerNote
        By the tower's name, ``*`` for all that have no other.
    asked : tuple of str
        Columns that the log page asks for when a run is counted at the tower, in their order.
    fingerprint : str
        SHA-256, in hexadecimal, of the file's bytes; empty without a file. Answers that are kept
        are kept under it.
    """

    zone: str = ""
    date_form: str = ""
    headers: Mapping[str, str] = field(default_factory=dict, hash=False)
    settings: Mapping[str, Setting] = field(default_factory=dict, hash=False)
    standard: Mapping[str, float] = field(default_factory=dict, hash=False)
    budget: float | None = None
    limits: Mapping[str, float] = field(default_factory=dict, hash=False)
    limit_times: float | None = None
    costs: Costs = NO_COSTS
    parts: Mapping[str, PartNote] = field(default_factory=dict, hash=False)
    towers: Mapping[str, TowerNote] = field(default_factory=dict, hash=False)
    asked: tuple[str, ...] = USUAL_ASKED
    fingerprint: str = ""

    def now(self) -> dt.datetime:
        """Return the moment with its offset, by the clocks at the towers."""
        if self.zone:
            return dt.datetime.now(zoneinfo.ZoneInfo(self.zone))
        return dt.datetime.now().astimezone()

    def wall(self, moment: dt.datetime) -> dt.datetime:
        """Return a moment with a zone as the clocks at the towers show it, without one."""
        there = moment.astimezone(zoneinfo.ZoneInfo(self.zone) if self.zone else None)
        return there.replace(tzinfo=None, microsecond=0)

    def setting(self, column: str) -> Setting:
        """Return what is said of a setting, if only that nothing is."""
        return self.settings.get(column, _NOTHING)

    def part(self, name: str) -> PartNote:
        r"""Return what is said of a part, in whatever case it is written, if only that nothing is.

        Examples
        --------
        >>> parse_site('[parts."Suction foot"]\nprice = 14', "site.toml").part("suction Foot").price
        14.0
        """
        return self.parts.get(part_name(name), PartNote())

    def parts_like(self, name: str, tower: str) -> tuple[str, ...]:
        r"""Return the parts that a name may stand for which is none of them; none for one of them.

        Examples
        --------
        >>> site = parse_site('[parts."Suction foot"]\n[towers.A]\nparts = ["brush"]', "site.toml")
        >>> site.parts_like("foot", "A"), site.parts_like("brushes", "A")
        (('suction foot',), ('brush',))
        >>> site.parts_like("brush", "A"), site.parts_like("pump", "A")
        ((), ())
        """
        note, written = self.tower(tower), part_name(name)
        known = {*self.parts, *map(part_name, (*note.parts, *note.tower_parts))}
        if written in known:
            return ()
        near = nearest(written, frozenset(known))
        if near:
            return (near,)
        return tuple(one for one in sorted(known) if {*written.split()} < {*one.split()})

    def tower(self, name: str) -> TowerNote:
        r"""Return what is said of a tower: its own table, or else that of every tower.

        Examples
        --------
        >>> site = parse_site('[towers."*"]\nparts = ["brush"]\n[towers.A]', "site.toml")
        >>> site.tower("A").parts, site.tower("B").parts
        ((), ('brush',))
        """
        return self.towers.get(name, self.towers.get(EVERY_TOWER, TowerNote()))


_NOTHING = Setting()

#: A site without a site file.
NO_SITE = Site()


def zone_of(site: Site) -> str:
    """Return the name of the zone in which times without an offset are taken to be."""
    return site.zone or machine_zone()


def machine_zone() -> str:
    """Return the name of the machine's time zone, as far as it says."""
    named = os.environ.get("TZ", "").lstrip(":")
    if named:
        return named
    link = Path("/etc/localtime")
    try:
        target = str(link.resolve())
        if "zoneinfo/" in target:
            return target.split("zoneinfo/", 1)[1]
    except OSError:
        pass
    return time.tzname[0]


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
        raise SiteError(name, [no_toml(str(error))]) from None
    problems: list[str] = []
    values = check_table(document, "", _KEYS, problems)
    if problems:
        raise SiteError(name, problems)
    fingerprint = hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
    values["budget"] = values.pop("false_alarms_per_tower_year", None)
    limits = values.setdefault("limits", {})
    values["limit_times"] = limits.pop("times_new", None)
    values["asked"] = values.pop("entry", USUAL_ASKED)
    return Site(**values, fingerprint=fingerprint)


def _zone(value: object, path: str, problems: list[str]) -> str | None:
    name = check_text(value, path, problems)
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
    problems.append(f"{path} is {shown(name)}, which is no time zone; {hint}")
    return None


def _date_form(value: object, path: str, problems: list[str]) -> str | None:
    form = check_text(value, path, problems)
    if form is None or form in DATE_FORMS:
        return form
    # dd/mm/yyyy is how spreadsheets write it.
    meant = re.sub(r"([DMY])\1*", r"\1", form.upper())
    hint = f"; did you mean {meant}?" if meant in DATE_FORMS else ""
    problems.append(f"{path} is {shown(form)}; write one of {', '.join(DATE_FORMS)}{hint}")
    return None


_NAMES = frozenset(name for kind in KINDS.values() for name in kind.names)


def _headers(value: object, path: str, problems: list[str]) -> dict[str, str]:
    """Check the site's own headers; several may mean one name, as spreadsheets differ."""
    found: dict[str, str] = {}
    for key, inner in items_of(value, path, problems):
        here, own = dotted(path, key), key.strip().lower()
        meant = check_text(inner, here, problems)
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
    for key, inner in items_of(value, path, problems):
        here, name = dotted(path, key), key.strip().lower()
        if not _is_setting(name):
            meant = nearest(f"set_{name}", frozenset(SETTINGS))
            hint = f"did you mean {meant}?" if meant else "its name begins with set_, as in the log"
            problems.append(f"{here} is no setting; {hint}")
            continue
        if name in found:
            problems.append(f"{here} stands twice, since case and blanks do not count; keep one")
        found[name] = Setting(**check_table(inner, here, _OF_SETTING, problems))
    return found


def _levels(value: object, path: str, problems: list[str]) -> tuple[str, ...] | None:
    if not isinstance(value, list) or not value:
        problems.append(f'{path} is no list; write the levels in order, such as ["low", "high"]')
        return None
    levels: list[str] = []
    for number, one in enumerate(value, 1):
        level = check_text(one, f"{path} number {number}", problems)
        if level is not None and level in levels:
            problems.append(f"{path} has {shown(level)} twice; name each level once")
        elif level is not None:
            levels.append(level)
    return tuple(levels)


def _standard(value: object, path: str, problems: list[str]) -> dict[str, float]:
    return check_rates(value, path, _OF_STANDARD, problems)


def _limits(value: object, path: str, problems: list[str]) -> dict[str, float]:
    return check_rates(value, path, _OF_LIMITS, problems)


#: Keys of the tables in the file, each with what checks it.
_OF_SETTING: Mapping[str, Checker] = {"unit": check_text, "levels": _levels}
_OF_STANDARD: Mapping[str, Checker] = dict.fromkeys(RATES, check_rate)
_OF_LIMITS: Mapping[str, Checker] = {
    **_OF_STANDARD,
    # A part that is due at no more faults than a new one has would always be due.
    "times_new": number_between(1, 100, above=True),
}
#: Keys of the file as a whole: the fields of `Site`.
_KEYS: Mapping[str, Checker] = {
    "zone": _zone,
    "date_form": _date_form,
    "headers": _headers,
    "settings": _settings,
    "standard": _standard,
    "false_alarms_per_tower_year": number_between(0, MOST_BUDGET, above=True),
    "limits": _limits,
    "costs": check_costs,
    "parts": check_parts,
    "towers": check_towers,
    "entry": check_entry,
}
