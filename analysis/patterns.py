"""By which pattern of faults does each cause show?

Patterns are data: `patterns.toml` beside this module holds what technicians know, in words that
they can read and add to. A site adds causes of its own by a file of the same name in the store's
folder. A file that is wrong is refused as a whole, with every problem in it.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

from analysis.site_values import no_toml
from analysis.values import nearest

#: Name of a site's own patterns in the store's folder.
PATTERNS_FILE = "patterns.toml"

_MOST_BYTES = 1_000_000

#: Words of the format, as they stand in the file.
ALWAYS, AT_ONCE, LITTLE_BY_LITTLE = "always", "at once", "little by little"
SINCE_SERVICE, SINCE_MOVE = "since a service", "since a setting was moved"
WITH_AGE = "with the age of the "
WHEN = (ALWAYS, AT_ONCE, LITTLE_BY_LITTLE, SINCE_SERVICE, SINCE_MOVE)
ONE_STOCK = "one stock"
PAPER = (
    *("toner", "offset", "coated", "uncoated", "light", "heavy", "large", "heavy or large"),
    *("special", ONE_STOCK),
)
AIR = ("dry", "damp")
UNDER_COVER, BIN_EMPTY = "under a heavy cover", "a bin left empty"
RUN = (UNDER_COVER, BIN_EMPTY)
SWAPS = ("piles", "suction feet", "brushes")


@dataclass(frozen=True)
class Pattern:
    """A cause, and by what it shows.

    Attributes
    ----------
    name, kind, why, check_first : str
        What it is called; misses or doubles; what happens; what to look at first.
    every_bin : bool
        Whether all bins of the tower have it alike, or one.
    when : tuple of str
        How it comes: any of `WHEN`, or with the age of a part.
    paper : tuple of str
        Of `PAPER`; all must hold. Empty: every paper.
    air, run, swap : str
        Of `AIR`, `RUN` and `SWAPS`; empty where it does not matter.
    settings : mapping of str to tuple of str
        Levels by column; all columns must be at one of theirs.
    weight : float
        How common it is beside the others.
    family : str
        Causes with the same word differ only in how they come; empty where it stands alone.
    same_as : tuple of str
        What shows by the same pattern.
    hands : bool
        Whether hands go into the tower for it.
    """

    name: str
    kind: str
    every_bin: bool
    when: tuple[str, ...]
    why: str
    check_first: str
    paper: tuple[str, ...] = ()
    air: str = ""
    run: str = ""
    swap: str = ""
    settings: Mapping[str, tuple[str, ...]] = field(default_factory=dict, hash=False)
    weight: float = 1.0
    family: str = ""
    same_as: tuple[str, ...] = ()
    hands: bool = False

    @property
    def of_any_run(self) -> bool:
        """Whether it shows on every paper, in any air, at any settings."""
        return not (self.paper or self.air or self.run or self.settings)

    @property
    def shows(self) -> tuple[object, ...]:
        """All by which it shows: no log tells two causes apart in which this is the same."""
        levels = frozenset((column, frozenset(some)) for column, some in self.settings.items())
        when, paper = frozenset(self.when), frozenset(self.paper)
        return (self.kind, self.every_bin, when, paper, self.air, self.run, levels)


class PatternsError(ValueError):
    """A file of patterns that is wrong; the message names the file and its first problem.

    Attributes
    ----------
    problems : tuple of str
        All of them, without the file's name.
    """

    def __init__(self, name: str, problems: Sequence[str]) -> None:
        self.problems = tuple(problems)
        more = len(problems) - 1
        rest = f" ({more} more)" if more else ""
        super().__init__(f"patterns {name}: {problems[0]}{rest}")


@cache
def known_patterns() -> tuple[Pattern, ...]:
    """Return the causes that the program comes with."""
    path = Path(__file__).with_name(PATTERNS_FILE)
    return _parsed(path.read_text("utf-8"), path.name)


def read_patterns(folder: Path) -> tuple[Pattern, ...]:
    """Return the causes that the program comes with, and a site's own.

    Parameters
    ----------
    folder : Path
        Of the store; the file is `PATTERNS_FILE` in it and may be absent.

    Raises
    ------
    PatternsError
        When there is one and it is wrong or cannot be read.
    """
    path = folder / PATTERNS_FILE
    try:
        with path.open("rb") as file:
            raw = file.read(_MOST_BYTES + 1)
        if len(raw) > _MOST_BYTES:
            raise PatternsError(str(path), [f"it is larger than {_MOST_BYTES:,} bytes; shorten it"])
        text = raw.decode("utf-8-sig")
    except (FileNotFoundError, NotADirectoryError):
        return known_patterns()
    except UnicodeDecodeError:
        raise PatternsError(str(path), ["it is not UTF-8; save it as UTF-8"]) from None
    except OSError as error:
        why = error.strerror or "no reason is known"
        raise PatternsError(
            str(path), [f"it cannot be read ({why}); see to it that you may open it"]
        ) from None
    own = _parsed(text, str(path))
    names = {(one.name, one.kind) for one in own}
    return (*(one for one in known_patterns() if (one.name, one.kind) not in names), *own)


def one_class(patterns: Sequence[Pattern]) -> tuple[Pattern, ...]:
    """Join causes of several names that show by the same pattern: the log cannot tell them apart.

    The first stands for all of them, as common as they are together, with the names of the others
    in `same_as`, and with what is to be looked at first for each.
    """
    found: dict[tuple[object, ...], list[Pattern]] = {}
    for one in patterns:
        alike = found.setdefault(one.shows, [])
        first = next(iter(alike), one)
        if one is first or one.name == first.name:
            alike.append(one)
            continue
        others = dict.fromkeys((*first.same_as, one.name, *one.same_as))
        alike[0] = replace(
            first,
            weight=first.weight + one.weight,
            family=first.family or one.family,
            same_as=tuple(name for name in others if name != first.name),
            check_first=f"{first.check_first}; or, for {one.name}, {one.check_first}",
            swap=first.swap or one.swap,
            hands=first.hands or one.hands,
        )
    return tuple(one for alike in found.values() for one in alike)


def _parsed(text: str, name: str) -> tuple[Pattern, ...]:
    try:
        document = tomllib.loads(text)
    except RecursionError:
        raise PatternsError(name, ["it is nested too deep; write [[cause]] tables"]) from None
    except ValueError as error:
        raise PatternsError(name, [no_toml(str(error))]) from None
    problems = [f"{key} is not known; write [[cause]] tables" for key in document if key != "cause"]
    tables = document.get("cause", [])
    if not isinstance(tables, list) or not all(isinstance(one, dict) for one in tables):
        raise PatternsError(name, ["cause is no list of tables; begin each with [[cause]]"])
    found = [_pattern(one, number, problems) for number, one in enumerate(tables, 1)]
    if problems:
        raise PatternsError(name, problems)
    return tuple(one for one in found if one is not None)


def _pattern(table: Mapping[str, object], number: int, problems: list[str]) -> Pattern | None:
    title = table.get("name")
    where = f"cause {title}" if isinstance(title, str) and title.strip() else f"cause {number}"
    before = len(problems)
    for key in table:
        if key not in _KEYS:
            meant = nearest(key, frozenset(_KEYS), 0.6)
            hint = f"did you mean {meant}?" if meant else f"known are {', '.join(_KEYS)}"
            problems.append(f"{where} has {key}, which is not known; {hint}")
    for key in _NEEDED:
        if key not in table:
            problems.append(f"{where} has no {key}; add it")
    values = {
        key: _KEYS[key](table[key], f"{where}: {key}", problems) for key in table if key in _KEYS
    }
    if len(problems) > before:
        return None
    values["every_bin"] = values.pop("bins") == "every"
    return Pattern(**values)  # type: ignore[arg-type]


_Checker = Callable[[object, str, list[str]], object]


def _text(value: object, where: str, problems: list[str]) -> str:
    if isinstance(value, str) and value.strip() and value.isprintable() and len(value) <= 400:
        return value.strip()
    problems.append(f"{where} is no text of one line; write at most 400 letters in quotes")
    return ""


def _texts(value: object, where: str, problems: list[str]) -> tuple[str, ...]:
    if not isinstance(value, list):
        problems.append(f'{where} is no list; write ["one", "another"]')
        return ()
    return tuple(_text(one, where, problems) for one in value)


def _one_of(words: Sequence[str]) -> _Checker:
    def check(value: object, where: str, problems: list[str]) -> str:
        if value not in words:
            problems.append(f"{where} is {str(value)[:60]}; write one of {', '.join(words)}")
            return ""
        return str(value)

    return check


def _papers(value: object, where: str, problems: list[str]) -> tuple[str, ...]:
    found = _texts(value, where, problems)
    for word in found:
        _one_of(PAPER)(word, where, problems)
    return found


_AGE = re.compile(WITH_AGE + r"\S.*")


def _when(value: object, where: str, problems: list[str]) -> tuple[str, ...]:
    found = _texts(value, where, problems)
    if value == []:
        problems.append(f"{where} is empty; write {ALWAYS} where it was always so")
    for word in found:
        if word not in WHEN and not _AGE.fullmatch(word):
            problems.append(
                f"{where} is {word[:60]}; write one of {', '.join(WHEN)}, or {WITH_AGE}PART"
            )
    return found


def _levels(value: object, where: str, problems: list[str]) -> dict[str, tuple[str, ...]]:
    if not isinstance(value, dict):
        problems.append(f'{where} is no table; write {{ set_bleed_holes = ["0", "closed"] }}')
        return {}
    for key in value:
        if not key.startswith("set_"):
            problems.append(f"{where} has {key}, which is no setting; its name begins with set_")
    return {key: _texts(one, f"{where}.{key}", problems) for key, one in value.items()}


def _weight(value: object, where: str, problems: list[str]) -> float:
    if isinstance(value, int | float) and not isinstance(value, bool) and 0.01 <= value <= 100:
        return float(value)
    problems.append(f"{where} is no number from 0.01 to 100; 1 is usual")
    return 1.0


def _yes(value: object, where: str, problems: list[str]) -> bool:
    if not isinstance(value, bool):
        problems.append(f"{where} is neither true nor false; write one, without quotes")
    return bool(value)


_KEYS: Mapping[str, _Checker] = {
    "name": _text,
    "kind": _one_of(("misses", "doubles")),
    "bins": _one_of(("one", "every")),
    "when": _when,
    "why": _text,
    "check_first": _text,
    "paper": _papers,
    "air": _one_of(AIR),
    "run": _one_of(RUN),
    "settings": _levels,
    "weight": _weight,
    "family": _text,
    "same_as": _texts,
    "swap": _one_of(SWAPS),
    "hands": _yes,
}
_NEEDED = ("name", "kind", "bins", "when", "why", "check_first")
