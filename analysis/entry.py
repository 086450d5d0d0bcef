"""How does a run that was counted at the tower become lines of the log?

While a run goes, the log page keeps a draft of it: what was typed, one fault after the other as
they were seen, and where something was changed. When the run is over the draft becomes a CSV file
in the log format, a line for each bin and stretch, so that it is checked and taken in by the same
way as every other file. A zero is written only where somebody watched: that is what the page asks.

A draft is flat, so that two devices at one tower can count into it and neither overwrites the
other: fields by name, ``2.humidity_pct`` being the humidity of stretch 2, and faults each under a
name of its own.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from analysis.log_format import KINDS, MOST_BINS, PURPOSES
from analysis.site_entry import ASKABLE
from analysis.values import bin_list, escape_cell
from analysis.words import many

#: Kinds of fault, and what one of them is called.
ONE_OF = {"misses": "miss", "doubles": "double"}

#: More stretches, faults or letters than a run can have.
_MOST_STRETCHES, _MOST_FAULTS, _LONGEST = 200, 5_000, 2_000

_BIN = KINDS["runs"].column("bin")
_NUMBERS = tuple(c.name for c in KINDS["runs"].columns if c.type == "number")
_Amiss = Callable[[str], None]
_OF_STRETCH = tuple(c.name for c in KINDS["runs"].columns if c.of_stretch)


class EntryError(ValueError):
    """A run that cannot be taken in as it was counted.

    Attributes
    ----------
    problems : tuple of str
        Each a whole sentence but for its stop: where, what, and what to do.
    """

    def __init__(self, problems: Sequence[str]) -> None:
        self.problems = tuple(problems)
        super().__init__("; ".join(problems))


@dataclass(frozen=True)
class Paper:
    """What lay in some bins.

    Attributes
    ----------
    bins : tuple of int
        Which; none for all bins that no other paper names.
    stock, lot : str
        As the crew knows it; empty where it was not noted.
    """

    bins: tuple[int, ...]
    stock: str
    lot: str


@dataclass(frozen=True)
class CountedFault:
    """One fault as it was seen.

    Attributes
    ----------
    bin : int or None
        Where; None where it was not noted.
    kind : str
        ``misses`` or ``doubles``.
    """

    bin: int | None
    kind: str


@dataclass(frozen=True)
class CountedStretch:
    """The part of a run with nothing changed, as it was counted.

    Attributes
    ----------
    started, ended : str
        As on the wall clock of the tower, ISO 8601; ``ended`` may be empty.
    cycles : int
        What the counter showed at its end, less what it showed at its beginning.
    purpose, proof : str
        As in the log.
    papers : tuple of Paper
        What lay in the bins.
    left_empty : tuple of int
        Bins that were left empty.
    unwatched : tuple of str
        Kinds of fault for which nothing was watching.
    values : mapping of str to str
        All else, by column.
    faults : tuple of CountedFault
        In the order in which they were seen.
    """

    started: str
    ended: str
    cycles: int
    purpose: str
    proof: str
    papers: tuple[Paper, ...]
    left_empty: tuple[int, ...]
    unwatched: tuple[str, ...]
    values: Mapping[str, str] = field(hash=False)
    faults: tuple[CountedFault, ...]


@dataclass(frozen=True)
class CountedRun:
    """A run as it was counted at the tower.

    Attributes
    ----------
    tower, run : str
        Which.
    bins : tuple of int
        Bins of the tower.
    stretches : tuple of CountedStretch
        One or more, in order.
    """

    tower: str
    run: str
    bins: tuple[int, ...]
    stretches: tuple[CountedStretch, ...]

    def count(self, kind: str) -> int:
        """Return how many faults of a kind were counted."""
        return sum(fault.kind == kind for one in self.stretches for fault in one.faults)

    def sentence(self) -> str:
        """Say what the run holds, in one line."""
        cycles = sum(one.cycles for one in self.stretches)
        told = [
            many(self.count(kind), one, kind)
            for kind, one in ONE_OF.items()
            if any(kind not in stretch.unwatched for stretch in self.stretches)
        ]
        parts = "" if len(self.stretches) == 1 else f" in {len(self.stretches)} stretches"
        return (
            f"Run {self.run} of tower {self.tower}: {many(cycles, 'cycle')}{parts}, "
            f"{' and '.join(told) or 'nothing was watched'}."
        )


def read_draft(draft: Mapping[str, object]) -> CountedRun:
    """Read a draft of a run that is over.

    Parameters
    ----------
    draft : mapping
        ``tower``; ``bins``, a list of numbers; ``fields``, texts and lists by name; and
        ``faults``, each a mapping with ``stretch``, ``bin`` (null where it was not noted),
        ``kind`` and, where it was taken back, ``undone``, under names of their own.

    Raises
    ------
    EntryError
        With everything that is amiss.
    """
    problems: list[str] = []
    fields, faults = draft.get("fields"), draft.get("faults")
    if not isinstance(fields, Mapping) or not isinstance(faults, Mapping):
        raise EntryError(["this is no draft of a run; open the log page again"])
    tower, run = _text(draft.get("tower")), _text(fields.get("run"))
    if not tower:
        problems.append("the run has no tower; begin it at one")
    if not run:
        problems.append("the run has no name; type its number")
    bins = _whole_numbers(draft.get("bins"))
    if not bins:
        problems.append("the tower has no bins; say how many it has")
    number = _text(fields.get("stretches")) or "1"
    stretches = int(number) if number.isdecimal() and len(number) < 4 else 0
    if not 1 <= stretches <= _MOST_STRETCHES or len(faults) > _MOST_FAULTS:
        raise EntryError([*problems, "this is more than one run holds; begin another"])
    seen: dict[int, list[CountedFault]] = {}
    for fault in faults.values():
        _see(fault, seen, bins, stretches, problems)
    found = [
        _stretch(place, fields, bins, seen.get(place, []), stretches, problems)
        for place in range(1, stretches + 1)
    ]
    if problems:
        raise EntryError(list(dict.fromkeys(problems)))
    return CountedRun(tower, run, tuple(bins), tuple(found))


def run_log(counted: CountedRun) -> bytes:
    r"""Write a run that was counted as a file in the log format.

    Examples
    --------
    >>> one = CountedStretch("2031-03-14T08:05", "", 4180, "production", "", (), (3,), (), {},
    ...                      (CountedFault(2, "doubles"),))
    >>> print(run_log(CountedRun("B", "814", (1, 2, 3), (one,))).decode())
    run,stretch,started,ended,tower,bin,cycles,misses,doubles,purpose,proof,stock,lot
    814,1,2031-03-14T08:05,,B,1,4180,0,0,production,,,
    814,1,2031-03-14T08:05,,B,2,4180,0,1,production,,,
    814,1,2031-03-14T08:05,,B,3,0,0,0,production,,,
    <BLANKLINE>
    """
    own = list(dict.fromkeys(name for one in counted.stretches for name in one.values))
    names = [*_ALWAYS, *own]
    out = io.StringIO()
    write = csv.writer(out, lineterminator="\n")
    write.writerow(names)
    for place, stretch in enumerate(counted.stretches, 1):
        for number, row in enumerate(_rows(counted.bins, stretch)):
            # Counts of the whole stretch stand on one of its lines.
            rest = {k: v for k, v in stretch.values.items() if not number or k not in _OF_STRETCH}
            cells = {
                "run": counted.run,
                "stretch": str(place),
                "started": stretch.started,
                "ended": stretch.ended,
                "tower": counted.tower,
                "purpose": stretch.purpose,
                "proof": stretch.proof,
                **rest,
                **row,
            }
            write.writerow([escape_cell(cells.get(name, "")) for name in names])
    return out.getvalue().encode()


def mended(
    names: Sequence[str], rows: Sequence[Sequence[str]], changes: Sequence[Mapping[str, object]]
) -> bytes:
    """Write the rows of a stored run that were mended, as a file in the log format.

    Parameters
    ----------
    names, rows
        As `analysis.export.run_cells` gives them.
    changes : sequence of mapping
        Each with ``row``, the place of a row among ``rows``, ``column`` and ``value``.

    Raises
    ------
    EntryError
        Where a change names a row or a column that cannot be mended, or nothing is changed.
    """
    found = [list(row) for row in rows]
    touched: dict[int, None] = {}
    for change in changes:
        place, column, value = change.get("row"), change.get("column"), change.get("value")
        if (
            not isinstance(place, int)
            or not 0 <= place < len(found)
            or column not in names
            or column in _FIXED
            or not isinstance(value, str)
            or len(value) > _LONGEST
        ):
            raise EntryError(["that cannot be mended here; mend it in a file and add the file"])
        cell = escape_cell(_text(value))
        if found[place][names.index(str(column))] != cell:
            found[place][names.index(str(column))] = cell
            touched[place] = None
    if not touched:
        raise EntryError(["nothing was changed; change a count first"])
    out = io.StringIO()
    write = csv.writer(out, lineterminator="\n")
    write.writerow([escape_cell(name) for name in names])
    write.writerows(found[place] for place in sorted(touched))
    return out.getvalue().encode()


#: What a row is known by cannot be mended: it would be another row.
_FIXED = ("tower", "run", "stretch", "bin", "started")

_ALWAYS = (
    "run",
    "stretch",
    "started",
    "ended",
    "tower",
    "bin",
    "cycles",
    "misses",
    "doubles",
    "purpose",
    "proof",
    "stock",
    "lot",
)


def _text(value: object) -> str:
    if not isinstance(value, str) or len(value) > _LONGEST:
        return ""
    # Half of a letter, as some keyboards cut it off, can stand in no file.
    return value.strip().encode("utf-8", "replace").decode()


def _whole_numbers(value: object) -> list[int]:
    found = value if isinstance(value, list) else []
    good = all(type(one) is int and 1 <= one <= MOST_BINS for one in found)
    return sorted(set(found)) if good else []


def _see(
    fault: object,
    seen: dict[int, list[CountedFault]],
    bins: Sequence[int],
    stretches: int,
    problems: list[str],
) -> None:
    """Put a fault to those of its stretch, unless it was taken back."""
    if not isinstance(fault, Mapping):
        problems.append("a fault cannot be read; open the log page again")
        return
    if fault.get("undone"):
        return
    place, where, kind = fault.get("stretch"), fault.get("bin"), fault.get("kind")
    if where is not None and (type(where) is not int or where not in bins):
        problems.append(f"a fault is in bin {where}, which the tower has not; take it back")
    elif (
        not isinstance(kind, str)
        or kind not in ONE_OF
        or type(place) is not int
        or not 1 <= place <= stretches
    ):
        problems.append("a fault is of no stretch or kind of this run; take it back")
    else:
        seen.setdefault(place, []).append(CountedFault(where, kind))


def _stretch(
    place: int,
    fields: Mapping[str, object],
    bins: Sequence[int],
    faults: Sequence[CountedFault],
    stretches: int,
    problems: list[str],
) -> CountedStretch:
    where = "" if stretches == 1 else f"stretch {place}: "

    def said(name: str) -> str:
        return _text(fields.get(f"{place}.{name}"))

    def amiss(told: str) -> None:
        problems.append(where + told)

    if not said("started"):
        amiss("it has no beginning; type when it started")
    purpose = said("purpose") or PURPOSES[0]
    if purpose not in PURPOSES:
        amiss(f"it cannot have run for {purpose}; choose {', '.join(PURPOSES)}")
    empty = _bins(said("empty"), bins, "left empty", amiss)
    papers = _papers(fields.get(f"{place}.papers"), bins, amiss)
    off = fields.get(f"{place}.off")
    unwatched = tuple(k for k in ONE_OF if isinstance(off, list) and k in off)
    for fault in faults:
        at = "a bin that was not noted" if fault.bin is None else f"bin {fault.bin}"
        if fault.bin in empty:
            amiss(f"{at} was left empty and has a {ONE_OF[fault.kind]}; mend one of the two")
        if fault.kind in unwatched:
            amiss(
                f"{at} has a {ONE_OF[fault.kind]} though nothing was watching for {fault.kind}; "
                "mend one of the two"
            )
    values: dict[str, str] = {}
    for name in _columns(fields, place):
        # Phones write the decimal mark of their country.
        value = said(name).replace(",", ".") if name in _NUMBERS else said(name)
        if value:
            values[name] = value
    return CountedStretch(
        said("started"),
        said("ended"),
        _cycles(said("from"), said("to"), amiss),
        purpose,
        said("proof") if purpose == "burn-in" else "",
        papers,
        empty,
        unwatched,
        values,
        tuple(faults),
    )


def _columns(fields: Mapping[str, object], place: int) -> list[str]:
    """Return the columns that a stretch fills, in the order of the format."""
    names = [name.partition(".")[2] for name in fields if name.startswith(f"{place}.")]
    settings = sorted(n for n in names if n.startswith("set_") and n not in ASKABLE)
    asked = (*ASKABLE, *settings)
    return [name for name in asked if name in names and name not in ("stock", "lot")]


def _cycles(start: str, end: str, amiss: _Amiss) -> int:
    counter = [text.replace(" ", "").replace("\u00a0", "") or None for text in (start or "0", end)]
    if counter[1] is None:
        amiss("the counter was not typed; type what it showed at the end")
        return 0
    if not all(text and text.isdecimal() and len(text) <= 12 for text in counter):
        amiss("the counter is no whole number; type its digits alone")
        return 0
    first, last = (int(text) for text in counter if text)
    if last < first:
        amiss(
            f"the counter shows {last:,}, less than the {first:,} at its start; if it was set "
            "back, put right what it showed at the start"
        )
        return 0
    return last - first


def _bins(text: str, bins: Sequence[int], told: str, amiss: _Amiss) -> tuple[int, ...]:
    if not text:
        return ()
    found = bin_list(text.replace(",", " "), _BIN)
    if found is None or not set(found) <= set(bins):
        amiss(
            f"the bins {told} are {text!r}; write numbers of this tower's bins, such as 9 or 1-3 10"
        )
        return ()
    return tuple(found)


def _papers(value: object, bins: Sequence[int], amiss: _Amiss) -> tuple[Paper, ...]:
    found: list[Paper] = []
    named: set[int] = set()
    for number, one in enumerate(value if isinstance(value, list) else []):
        cells = one if isinstance(one, list) and len(one) == 3 else ["", "", ""]
        where, stock, lot = map(_text, cells)
        if not number:
            found.append(Paper((), stock, lot))
            continue
        if not (where or stock or lot):
            continue
        if not where:
            amiss(f"{stock or lot} lies in no bin; write in which")
            continue
        in_bins = _bins(where, bins, f"of {stock or lot or 'another paper'}", amiss)
        if named & set(in_bins):
            amiss(f"bin {min(named & set(in_bins))} has two papers; leave it to one of them")
        named |= set(in_bins)
        found.append(Paper(in_bins, stock, lot))
    return tuple(found)


def _rows(bins: Sequence[int], stretch: CountedStretch) -> list[dict[str, str]]:
    """Return what differs from bin to bin, and at the end the faults whose bin was not noted."""
    usual = next((paper for paper in stretch.papers if not paper.bins), Paper((), "", ""))
    rows = []
    for one in bins:
        paper = next((paper for paper in stretch.papers if one in paper.bins), usual)
        fed = one not in stretch.left_empty
        rows.append(
            {
                "bin": str(one),
                "cycles": str(stretch.cycles if fed else 0),
                **{kind: _counted(stretch, one, kind) for kind in ONE_OF},
                "stock": paper.stock if fed else "",
                "lot": paper.lot if fed else "",
            }
        )
    if any(fault.bin is None for fault in stretch.faults):
        counts = {kind: _counted(stretch, None, kind) for kind in ONE_OF}
        rows.append({"bin": "?", "cycles": "", **counts})
    return rows


def _counted(stretch: CountedStretch, where: int | None, kind: str) -> str:
    if kind in stretch.unwatched:
        return "off"
    return str(sum(fault.bin == where and fault.kind == kind for fault in stretch.faults))
