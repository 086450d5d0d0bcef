"""Log files of all four kinds from a seed, good and spoilt, and what must hold of each intake.

Everything comes from `random.Random`, so that a file is made again from its seed and number.
Records are counted by the `csv` module over the whole text, which shares no line with the intake.
"""

from __future__ import annotations

import codecs
import csv
import io
import random
import shutil
import traceback
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from analysis import taking_in
from analysis.snapshot import Account, StoreError
from analysis.store import Store

Cells = dict[str, str]
Key = tuple[str, str, int, int]
Content = tuple[int, int, int, int, str]

_WORDS = (
    'BO90;B-07;Müller;Ørsted;pile was damp;left of bin 3, again;he said "stop";two\nlines;'
    "one\r\ntwo;a\rb;=1+1;'=1+1;+49 123;@home;-7;tab\there;東京;naïve; padded ;'quoted';5%;1/2;0"
).split(";")
_NAMES = ("A", "B", "C", "Tower 4", "Ost, links", "Zürich", "07")
_DAYS = ("2031-03-14", "2032-02-29", "2030-12-31", "1999-01-01")
_TIMES = ("T08:05", " 08:05", "T23:59:59", "T08:05+02:00", "T08:05:30.25", "T00:00Z")

#: Cells that a value of a kind may have; text where a column is not named here.
_CELLS: dict[str, tuple[str, ...]] = {
    "stretch": ("", "1", "2", "3"),
    "purpose": ("", "production", "burn-in", "SET-UP", "trial"),
    "humidity_pct": ("", "45", "45.5", "0", "100"),
    "temperature_c": ("", "21.5", "-3", "60"),
    "prepared": ("", "none", "fanned", "Blown"),
    "stops": ("", "0", "3"),
    "jams": ("", "0", "1"),
    "grammage_gsm": ("", "80", "115.5"),
    "caliper_um": ("", "95", "120.25"),
    "printed_by": ("", "offset", "toner", "inkjet"),
    "sides": ("", "0", "1", "2"),
    "grain": ("", "long", "short"),
    "bins": ("", "10", "16", "500"),
    "numbered_from": ("", "top", "bottom"),
    "place_in_line": ("", "1", "2"),
    "commissioned": ("", "2029-04-01", "2029-04-01T10:00"),
    "reason": ("", "planned", "worn", "broken"),
    "quantity": ("", "1", "12"),
}

_NEEDED = {
    "runs": ("run", "started", "tower", "bin", "cycles", "misses", "doubles"),
    "stocks": ("stock",),
    "services": ("when", "tower", "part", "action"),
    "towers": ("tower",),
}

_MORE = {
    "runs": (
        *("stretch", "ended", "purpose", "proof", "stock", "lot", "humidity_pct", "temperature_c"),
        *("prepared", "set_vacuum", "set_of_our_own", "stops", "jams", "operator", "job", "note"),
        *("weather", "nots"),
    ),
    "stocks": (
        *("description", "grammage_gsm", "caliper_um", "coating", "printed_by", "sides", "grain"),
        *("special", "supplier"),
    ),
    "services": ("bin", "reason", "quantity", "operator", "note", "invoice"),
    "towers": (
        *("site", "bins", "numbered_from", "line", "place_in_line", "commissioned", "note"),
        "colour",
    ),
}

#: What slips of the pen, spreadsheets and other programs leave in a cell.
_ODD_CELLS = (
    *("", " ", "-1", "1e5", "4.000", "4,5", " 7 ", "+3", "999999999999999", "18446744073709551616"),
    *("off", "OFF", "?", "1-3", "3-1", "1-6 8-10", "1-9999", "03/04/2031", "2031-02-30T08:05"),
    *("2031-03-14", "2031-13-01T08:05", "9999-01-01T00:00", "=cmd", "'=cmd", "''=cmd", "\0"),
    *(
        "x" * 65,
        "x" * 300,
        "NaN",
        "inf",
        "-0",
        "0x10",
        "٣",
        "１",
        "\u2028",
        "\x85",
        "\xa0",
        "\ufeff",
    ),
    *("production ", "unprintable\x07", "a\x0bb", "a\x0cb", "\\", "'", "`", "NULL", "#N/A"),
)

_BYTES = (b"\0", b"\r", b"\n", b'"', b",", b";", b"\t", b"\xff", b"\xfe", b"\x81", b"\xc3", b"'")


@dataclass(frozen=True)
class Made:
    """One made file.

    Attributes
    ----------
    raw : bytes
        The file.
    kind : str
        The kind of log that it was before anything was spoilt.
    header : str
        Text of its first line, without the line ending.
    delimiter : str
        Between its values.
    spoilt : bool
        Whether there are slips in it, or anything was changed after it was written.
    """

    raw: bytes
    kind: str
    header: str
    delimiter: str
    spoilt: bool


class Maker:
    """Makes files that also copy, correct and contradict the files made before.

    Parameters
    ----------
    seed : int
        The same seed gives the same files in the same order.
    """

    def __init__(self, seed: int) -> None:
        self.draw = random.Random(seed)
        self.count = 0
        self.earlier: dict[str, list[Cells]] = {kind: [] for kind in _NEEDED}

    def forget(self) -> None:
        """Start anew, as with an empty store."""
        for lines in self.earlier.values():
            lines.clear()

    def make(self) -> Made:
        """Make the next file."""
        draw = self.draw
        self.count += 1
        kind = draw.choices(list(_NEEDED), (7, 1, 2, 1))[0]
        delimiter = draw.choice((",", ",", ";", "\t"))
        more = [name for name in _MORE[kind] if draw.random() < 0.35]
        names = [*_NEEDED[kind], *more]
        draw.shuffle(names)
        lines = [self._line(kind, names, delimiter) for _ in range(draw.choice((1, 3, 8, 20)))]
        lines += self._of_earlier(kind, names)
        if draw.random() < 0.3:
            lines += self._changed(kind, draw.sample(lines, min(3, len(lines))))
        if draw.random() < 0.3:
            draw.shuffle(lines)
        self.earlier[kind] = (self.earlier[kind] + lines)[-60:]
        cells = [[line.get(name, "") for name in names] for line in lines]
        slips = draw.choice((0, 0, 1, 4))
        for _ in range(slips):
            draw.choice(cells)[draw.randrange(len(names))] = draw.choice(_ODD_CELLS)
        text, header = self._text(names, cells, delimiter)
        spoilt = slips > 0
        if draw.random() < 0.45:
            for _ in range(draw.choice((1, 1, 2, 5))):
                text = draw.choice(_SPOIL)(draw, text, delimiter)
            spoilt = True
        raw = self._encoded(text)
        if draw.random() < 0.3:
            for _ in range(draw.choice((1, 1, 3))):
                raw = self._spoilt(raw)
            spoilt = True
        return Made(raw, kind, header, delimiter, spoilt)

    def _line(self, kind: str, names: list[str], delimiter: str) -> Cells:
        draw = self.draw
        line = {name: draw.choice(_CELLS.get(name, ("", *_WORDS))) for name in names}
        if delimiter != "," and draw.random() < 0.5:
            for name in ("humidity_pct", "temperature_c", "grammage_gsm", "caliper_um"):
                if name in line:
                    line[name] = line[name].replace(".", ",")
        if "tower" in names:
            line["tower"] = draw.choice(_NAMES)
        if kind == "runs":
            line["run"] = f"{self.count:04d}-{draw.randrange(40)}"
            if draw.random() < 0.05:
                line["run"] = draw.choice(_WORDS)
            line["started"] = draw.choice(_DAYS) + draw.choice(_TIMES)
            line["cycles"] = str(draw.randrange(10, 9000))
            line["misses"] = draw.choice(("0", "0", "0", "1", "3", "off"))
            line["doubles"] = draw.choice(("0", "0", "0", "2", "off"))
            line["bin"] = str(draw.randrange(1, 17))
            if "ended" in names:
                line["ended"] = draw.choice(("", line["started"]))
            if draw.random() < 0.1:
                line |= {"bin": draw.choice(("1-6 8-10", "1-3", "11-16")), "misses": "0"}
                line["doubles"] = "0"
            elif draw.random() < 0.1:
                line |= {"bin": "?", "cycles": "", "misses": "1"}
        if kind == "stocks":
            line["stock"] = f"{draw.choice(_WORDS).strip() or 'x'} {draw.randrange(300)}"
        if kind == "services":
            line["when"] = draw.choice(_DAYS) + draw.choice(("", *_TIMES))
            line["part"] = draw.choice(("brush", "suction foot", "filter", "Bürste"))
            line["action"] = draw.choice(("fitted", "Cleaned", "adjusted", "overhauled", "moved"))
            if "bin" in names:
                line["bin"] = draw.choice(("", "1", "7", "tower"))
        return line

    def _of_earlier(self, kind: str, names: list[str]) -> list[Cells]:
        draw = self.draw
        held = self.earlier[kind]
        if not held or draw.random() < 0.6:
            return []
        chosen = draw.sample(held, min(len(held), draw.choice((1, 4, 10))))
        return [dict(line) for line in chosen] + self._changed(kind, chosen[:3])

    def _changed(self, kind: str, lines: list[Cells]) -> list[Cells]:
        """Return lines again: as they were, with other content, or with another start."""
        draw = self.draw
        changed = []
        for line in map(dict, lines):
            what = draw.choice(("nothing", "note", "misses", "started"))
            if what == "note":
                line["note"] = f"looked at again {draw.randrange(1000)}"
            if kind == "runs" and what == "misses":
                line["misses"] = str(draw.randrange(9))
            if kind == "runs" and what == "started":
                line["started"] = "2033-05-06T07:08"
            changed.append(line)
        return changed

    def _text(self, names: list[str], cells: list[list[str]], delimiter: str) -> tuple[str, str]:
        draw = self.draw
        all_quoted = draw.random() < 0.15
        trailing = delimiter if draw.random() < 0.1 else ""

        def shown(value: str) -> str:
            # Programs that know nothing of quotes write them as they come.
            if '"' in value and draw.random() < 0.15:
                return value
            return _quoted(value, delimiter, all_quoted)

        def joined(values: list[str]) -> str:
            return delimiter.join(map(shown, values)) + trailing

        named = [draw.choice((str, str.upper, " {} ".format))(name) for name in names]
        ends = draw.choice((("\n",), ("\n",), ("\r\n",), ("\r",), ("\n", "\r\n", "\r")))
        header = joined(named)
        parts = [header]
        for values in cells:
            parts.append(draw.choice(ends))
            if draw.random() < 0.03:
                parts.append(draw.choice(("", delimiter * 3, "  ")) + draw.choice(ends))
            parts.append(joined(values))
        if draw.random() < 0.85:
            parts.append(draw.choice(ends))
        return "".join(parts), header

    def _encoded(self, text: str) -> bytes:
        encoding = self.draw.choices(
            ("utf-8", "utf-8-sig", "utf-16-le", "utf-16-be", "cp1252"), (10, 2, 1, 1, 2)
        )[0]
        mark = {"utf-16-le": codecs.BOM_UTF16_LE, "utf-16-be": codecs.BOM_UTF16_BE}
        return mark.get(encoding, b"") + text.encode(encoding, "replace")

    def _spoilt(self, raw: bytes) -> bytes:
        draw = self.draw
        at = draw.randrange(len(raw) + 1)
        to = min(len(raw), at + draw.choice((1, 2, 17, 200)))
        what = draw.randrange(7)
        if what == 0 and at < len(raw):
            return raw[:at] + bytes([raw[at] ^ (1 << draw.randrange(8))]) + raw[at + 1 :]
        if what == 1:
            return raw[:at] + draw.choice(_BYTES) * draw.choice((1, 1, 3)) + raw[at:]
        if what == 2:
            return raw[:at] + raw[to:]
        if what == 3:
            return raw[:at]
        if what == 4:
            return raw[:to] + raw[at:]
        if what == 5:
            return raw + raw[at:]
        return raw[:at] + bytes(draw.randrange(256) for _ in range(draw.choice((1, 5)))) + raw[at:]


def _quoted(cell: str, delimiter: str, always: bool) -> str:
    if always or any(mark in cell for mark in (delimiter, '"', "\r", "\n")):
        return '"' + cell.replace('"', '""') + '"'
    return cell


def _in_a_line(
    change: Callable[[random.Random, str, str], str],
) -> Callable[[random.Random, str, str], str]:
    def spoil(draw: random.Random, text: str, delimiter: str) -> str:
        lines = text.splitlines(keepends=True) or [""]
        at = draw.randrange(len(lines))
        lines[at] = change(draw, lines[at], delimiter)
        return "".join(lines)

    return spoil


def _put_in(draw: random.Random, line: str, what: str) -> str:
    at = draw.randrange(len(line) + 1)
    return line[:at] + what + line[at:]


#: Ways to spoil a text: (draw, text, delimiter) -> text.
_SPOIL: tuple[Callable[[random.Random, str, str], str], ...] = (
    _in_a_line(lambda draw, line, d: _put_in(draw, line, '"')),
    _in_a_line(lambda draw, line, d: line.replace('"', "", 1)),
    _in_a_line(lambda draw, line, d: line.replace(d, draw.choice(",;\t|"))),
    _in_a_line(lambda draw, line, d: _put_in(draw, line, d * draw.choice((1, 2, 30)))),
    _in_a_line(lambda draw, line, d: line.replace(d, "", 1)),
    _in_a_line(lambda draw, line, d: line[: draw.randrange(len(line) + 1)]),
    _in_a_line(lambda draw, line, d: line + line),
    _in_a_line(lambda draw, line, d: ""),
    _in_a_line(lambda draw, line, d: line + draw.choice(("\n", "total\n", d * 4 + "\r", '""\n'))),
    _in_a_line(lambda draw, line, d: _put_in(draw, line, draw.choice(_ODD_CELLS))),
    _in_a_line(lambda draw, line, d: _put_in(draw, line, draw.choice(("\r", "\n", "\0", " ")))),
    _in_a_line(lambda draw, line, d: "'" + line),
    lambda draw, text, d: text.replace("\n", "\r"),
    lambda draw, text, d: "\n" * draw.randrange(4) + text,
    lambda draw, text, d: text + text.split("\n", 1)[-1],
)


def text_of(raw: bytes) -> str:
    """Return the text of a file as the format's rule for encodings has it."""
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return raw.decode("utf-16")
    if raw.startswith(codecs.BOM_UTF8):
        raw = raw[3:]
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        # Five bytes mean nothing in Windows-1252 and stand for the control characters of the same
        # number, as in browsers.
        text = raw.decode("cp1252", "surrogateescape")
        return text.translate({0xDC00 + byte: byte for byte in (0x81, 0x8D, 0x8F, 0x90, 0x9D)})


def records(made: Made) -> list[tuple[int, list[str]]] | None:
    """Count a file's records without the code under test.

    Returns
    -------
    list of (int, list of str) or None
        Line on which each record after the header starts, and its cells; None where the header or
        the quotes are spoilt, so that nobody can say what the records are. A record of nothing but
        blanks and quotes is an empty line.
    """
    if made.delimiter not in ("," + made.header):
        # One column alone does not show what would stand between two.
        return None
    text = text_of(made.raw)
    found: list[tuple[int, list[str]]] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=made.delimiter, strict=True)
    if not text.startswith((made.header + "\r", made.header + "\n")):
        return None
    at = 1
    try:
        for cells in reader:
            if "".join(cells).strip(' \t\r\n"'):
                found.append((at, cells))
            at = reader.line_num + 1
    except csv.Error:
        return None
    return found[1:]


#: What a row is known by, in each of the store's views.
_KEYS = {
    "runs": "tower, run, stretch, bin",
    "stocks": "stock",
    "towers": "tower",
    "services": "* exclude (note, file_line, intake)",
}


@dataclass
class Tally:
    """What was offered and what became of it.

    Attributes
    ----------
    offered, stored, rejected : int
        Different rows offered, counted from what the files were made of; rows in the store, past
        ones included; lines in the rejects files. A copy of a row is not offered again.
    twice, missing : int
        Keys that stand twice; rows that should be in the store and are not.
    faults : list of str
        What was off, in words.
    notes : dict of str to int
        Counts of the trial itself.
    said : Counter of str
        How often which sentence was said about a disk in trouble.
    """

    offered: int = 0
    stored: int = 0
    rejected: int = 0
    twice: int = 0
    missing: int = 0
    faults: list[str] = field(default_factory=list)
    notes: dict[str, int] = field(default_factory=dict)
    said: Counter[str] = field(default_factory=Counter)

    @property
    def good(self) -> bool:
        """Whether nothing was lost, doubled or otherwise off."""
        whole = self.offered == self.stored + self.rejected
        return whole and not (self.twice or self.missing or self.faults)

    def line(self) -> str:
        """Say the counts in one line."""
        notes = "".join(f"{name} {count:,}; " for name, count in self.notes.items())
        return (
            f"{notes}rows offered {self.offered:,} = stored {self.stored:,} + rejected "
            f"{self.rejected:,}; twice {self.twice:,}; missing {self.missing:,}"
        )

    def note(self, name: str, count: int = 1) -> None:
        """Count something."""
        self.notes[name] = self.notes.get(name, 0) + count

    def expect(self, holds: bool, fault: str) -> bool:
        """Keep a fault where something does not hold."""
        if not holds:
            self.faults.append(fault)
        return holds

    def compare(self, found: dict[Key, Content], wanted: dict[Key, Content], where: str) -> None:
        """Count rows that are missing, and keep a fault for rows that differ."""
        if found == wanted:
            return
        gone = wanted.keys() - found.keys()
        more = found.keys() - wanted.keys()
        other = [key for key in wanted.keys() & found.keys() if wanted[key] != found[key]]
        self.missing += len(gone)
        shown = [*sorted(gone), *sorted(more), *sorted(other)][:3]
        self.faults.append(
            f"{where}: {len(gone)} rows missing, {len(more)} too many, {len(other)} with other "
            f"content, such as {shown}"
        )


@dataclass(frozen=True)
class Totals:
    """Rows of a store as a whole: all, current, and keys that stand twice among the current."""

    all: int
    current: int
    twice: int

    @property
    def past(self) -> int:
        """Rows that were replaced."""
        return self.all - self.current


def count_rows(folder: Path, *kinds: str) -> Totals:
    """Count the rows of a store: of its run log, or of other kinds, added up."""
    with Store(folder).snapshot().connect() as connection:
        return totals_of(connection, *kinds)


def totals_of(connection: Any, *kinds: str) -> Totals:
    """Count as `count_rows` over a connection that is open."""
    counted = []
    for kind in kinds or ("runs",):
        query = f"""
            select (select count(*) from all_{kind}), (select count(*) from {kind}),
                (select count(*) from (
                    select {_KEYS[kind]} from {kind} group by all having count(*) > 1))
        """
        counted.append(connection.execute(query).fetchall()[0])
    return Totals(*map(sum, zip(*counted, strict=True)))


def read_rejects(path: Path) -> list[tuple[int, list[str]]]:
    """Return line number and cells of each record of a rejects file, by the csv module."""
    text = path.read_bytes().decode("utf-8-sig")
    delimiter = text[len("line")]
    read = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True))
    return [(int(cells[0]), cells[3:]) for cells in read[1:]]


def one_sentence(text: str) -> bool:
    return 0 < len(text) < 700 and "\n" not in text and "Traceback" not in text


def offer(folder: Path, file: Path) -> dict[str, Any]:
    """Take one file in: its account, the sentence of a refusal, or the trace of a crash."""
    try:
        taken = taking_in.add(folder, [file]).files[0]
    except StoreError as error:
        return {"error": str(error)}
    except Exception:
        return {"crash": traceback.format_exc()}
    if taken.account is None:
        return {"error": taken.error}
    return dict(taken.account.__dict__)


def fuzz(folder: Path, number: int, *, seed: int = 1, look: int = 1, again: int = 3) -> Tally:
    """Add good and spoilt files, and hold each account against the store and the rejects file.

    Parameters
    ----------
    folder : Path
        An empty folder to work in.
    number : int
        How many files; each fifty have a store of their own.
    seed : int
        Of the files.
    look : int
        After how many files the store is looked into; those between are added together.
    again : int
        Every so many files, one that was looked for is added a second time, and its rejects file.
    """
    return _Fuzz(folder, seed, look, again).run(number)


class _Fuzz:
    def __init__(self, folder: Path, seed: int, look: int, again: int) -> None:
        self.folder, self.seed, self.look, self.again = folder, seed, look, again
        self.store = folder / "store"
        self.maker = Maker(seed)
        self.tally = Tally()
        # Rows that the store has to hold by the accounts so far: all, and current ones.
        self.held: dict[str, tuple[int, int]] = {}
        for name in ("files", "refused whole", "lines", "counted", "added again"):
            self.tally.notes[name] = 0

    def run(self, number: int) -> Tally:
        empty = self.folder / "empty"
        Store(empty, create=True)
        between: list[tuple[Path, Made]] = []
        for index in range(number):
            if index % 50 == 0:
                self._close_store()
                shutil.copytree(empty, self.store)
                self.held = dict.fromkeys(_KEYS, (0, 0))
                self.maker.forget()
            made = self.maker.make()
            path = self.folder / f"{index:05d}.csv"
            path.write_bytes(made.raw)
            between.append((path, made))
            # A file that is looked for afterwards is added alone.
            if (index + 1) % self.look == 0:
                self._offer(between[:-1], -1)
                self._offer(between[-1:], index)
                between.clear()
            elif (index + 1) % 50 == 0:
                self._offer(between, -1)
                between.clear()
        self._offer(between, -1)
        self._close_store()
        return self.tally

    def _close_store(self) -> None:
        """Count a store that has had its share, and throw it away."""
        if not self.store.exists():
            return
        totals = count_rows(self.store, *_KEYS)
        self.tally.stored += totals.all
        self.tally.twice += totals.twice
        where = f"seed {self.seed}, the store before file {self.maker.count}"
        self.tally.expect(not totals.twice, f"{where}: {totals.twice} keys stand twice")
        everything = sum(everything for everything, _ in self.held.values())
        self.tally.expect(totals.all == everything, f"{where}: {totals.all} rows, not {everything}")
        shutil.rmtree(self.store)

    def _offer(self, files: list[tuple[Path, Made]], index: int) -> None:
        """Add some files at once and judge each; one that is alone is looked for in the store."""
        if not files:
            return
        paths = [path for path, _ in files]
        try:
            found = taking_in.add(self.store, paths).files
        except Exception:
            self.tally.faults.append(f"seed {self.seed}, {paths}: {traceback.format_exc()}")
            return
        for (path, made), taken in zip(files, found, strict=True):
            before = len(self.tally.faults)
            self._one(index, path, made, taken)
            if len(self.tally.faults) == before:
                for left in self.folder.glob(f"{path.stem}*"):
                    left.unlink()

    def _one(self, index: int, path: Path, made: Made, taken: taking_in.Taken) -> None:
        tally, where = self.tally, f"seed {self.seed}, {path}"
        tally.note("files")
        a = taken.account
        if a is None:
            tally.note("refused whole")
            tally.expect(one_sentence(taken.error), f"{where}: {taken.error!r}")
            tally.expect(made.spoilt, f"{where}: a good log was refused: {taken.error}")
            return
        tally.note("lines", a.lines)
        tally.expect(a.lines == a.added + a.corrected + a.known + a.rejected, f"{where}: {a}")
        self._grow(taken.kind, a.rows_added, a.rows_corrected)
        tally.offered += a.rejected
        try:
            rejects = read_rejects(Path(taken.rejects_file)) if taken.rejects_file else []
        except (ValueError, IndexError, csv.Error) as error:
            tally.faults.append(f"{where}: its rejects file is no whole table: {error}")
            return
        tally.rejected += len(rejects)
        tally.expect(
            len(rejects) == a.rejected, f"{where}: {len(rejects)} rejects, {a.rejected} rejected"
        )
        counted = records(made)
        if counted is not None:
            tally.note("counted")
            tally.missing += max(0, len(counted) - a.lines)
            tally.expect(
                len(counted) == a.lines, f"{where}: {a.lines} lines, and {len(counted)} counted"
            )
            self._rejected_as_they_stood(dict(counted), rejects, where)
        if index >= 0:
            stored = a.rows_added + a.rows_corrected
            cells = dict(counted) if counted is not None and stored else {}
            for line, _ in rejects:
                cells.pop(line, None)
            self._look(taken.kind, cells, made, where)
        if index >= 0 and (index + 1) % self.again == 0:
            self._again(path, taken.kind, a, taken.rejects_file, where)

    def _grow(self, kind: str, added: int, corrected: int) -> None:
        everything, current = self.held[kind]
        self.held[kind] = everything + added + corrected, current + added
        self.tally.offered += added + corrected

    def _rejected_as_they_stood(
        self, cells: dict[int, list[str]], rejects: list[tuple[int, list[str]]], where: str
    ) -> None:
        for line, found in rejects:
            wanted = _trimmed([_bare(cell) for cell in cells.get(line, ["no such line"])])
            shown = _trimmed([_bare(cell) for cell in found])
            self.tally.expect(
                shown == wanted, f"{where}: line {line} was {wanted} and is rejected as {shown}"
            )

    def _look(self, kind: str, cells: dict[int, list[str]], made: Made, where: str) -> None:
        """See that the store grew as the accounts say, and holds text on the line it came from.

        ``cells`` are those of the accepted lines, where the file gave rows and can be read by rule.
        """
        header = next(csv.reader([made.header], delimiter=made.delimiter))
        places = {name.strip().lower(): at for at, name in enumerate(header)}
        names = [name for name in _SHOWN[kind] if name in places]
        rows: list[tuple[Any, ...]] = []
        with Store(self.store).snapshot().connect() as connection:
            query = f"select (select count(*) from all_{kind}), (select count(*) from {kind})"
            held = connection.execute(query).fetchall()[0]
            if cells:
                query = (
                    f"select file_line, {', '.join(names)} from all_{kind} "
                    f"where intake = (select max(intake) from all_{kind})"
                )
                rows = connection.execute(query).fetchall()
        wanted = self.held[kind]
        self.tally.expect(held == wanted, f"{where}: {kind} holds {held} rows, not {wanted}")
        for line, *values in rows:
            source = cells.get(line, [])
            stood = [_bare(source[places[n]]) if len(source) > places[n] else "" for n in names]
            shown = [_bare(value or "") for value in values]
            self.tally.expect(
                line in cells and stood == shown,
                f"{where}: line {line} was {stood} and is stored as {shown}",
            )

    def _again(
        self, path: Path, kind: str, first: Account, rejects: str | None, where: str
    ) -> None:
        """Add the same file once more, and its rejects file: nothing changes, nothing is lost."""
        tally = self.tally
        tally.note("added again")
        second = offer(self.store, path)
        wanted = {"lines": first.lines, "added": 0, "corrected": 0, "rejected": first.rejected}
        found = {name: second.get(name) for name in wanted}
        tally.expect(found == wanted, f"{where}, again: {second} where {wanted} was to be")
        # A zero byte near the start makes a file no text at all, so such a one has to be mended.
        if rejects and b"\0" not in Path(rejects).read_bytes():
            # What was rejected for its quotes is quoted by rule now, and may be taken.
            copy = path.with_name(path.stem + "-mended.csv")
            shutil.copyfile(rejects, copy)
            third = offer(self.store, copy)
            tally.expect(
                third.get("lines") == first.rejected,
                f"{where}, its rejects: {third} where {first.rejected} lines were to be read",
            )
            self._grow(kind, third.get("rows_added", 0), third.get("rows_corrected", 0))


#: Columns of text that are looked up again, by kind.
_SHOWN = {
    "runs": ("run", "tower", "note", "lot"),
    "stocks": ("stock", "description"),
    "services": ("tower", "part", "operator"),
    "towers": ("tower", "site"),
}


def _bare(cell: str) -> str:
    """Return a cell without blanks around it and apostrophes before it, which may come and go."""
    return cell.strip().lstrip("'").strip()


def _trimmed(cells: list[str]) -> list[str]:
    while cells and not cells[-1]:
        cells = cells[:-1]
    return cells
