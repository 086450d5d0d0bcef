"""Where do the lines go that were not taken, so that they can be mended and added?

A rejects file shows each rejected line as it stood, after what is wrong with it.
"""

from __future__ import annotations

import csv
import filecmp
from collections.abc import Sequence
from pathlib import Path
from typing import TextIO

from analysis.headers import REJECT_COLUMNS, columns_passed_over
from analysis.intake import ParsedLog
from analysis.spool import beside
from analysis.values import escape_cell, unescape_cell


def write_rejects(parsed: ParsedLog, out: TextIO) -> None:
    """Write a rejects file: each rejected line as it stood, after what is wrong.

    The three columns stand before the log's own, so that a line with too many or too few values
    is shown just as it was. Mended, the file can be added as it is: intake passes the three over.
    Cells that a spreadsheet would run are escaped by an apostrophe, which intake takes off; one
    that has its apostrophe already keeps just that.
    """
    # This ending makes the writer quote a cell that holds either of its two characters.
    writer = csv.writer(out, delimiter=parsed.header.delimiter, lineterminator="\r\n")
    names = parsed.header.names[columns_passed_over(parsed.header) :]
    writer.writerow([*REJECT_COLUMNS, *map(_safe, names)])
    for line in parsed.rejected:
        columns = "; ".join(dict.fromkeys(p.column for p in line.problems if p.column))
        reasons = " | ".join(dict.fromkeys(p.reason for p in line.problems))
        cells = map(_safe, line.cells)
        writer.writerow([line.line, columns, reasons, *cells])


def _safe(cell: str) -> str:
    return escape_cell(unescape_cell(cell))


def rejects_name(name: str, number: int = 1) -> str:
    """Return the name of the rejects file of a log, the second one numbered 2 and so on."""
    stem = name[:-4] if name.lower().endswith((".csv", ".tsv", ".txt")) else name
    return f"{stem}.rejects.csv" if number == 1 else f"{stem}.rejects-{number}.csv"


class RejectsFile:
    """Where the rejected lines of one file go; an older rejects file is never written over.

    Parameters
    ----------
    name : str
        Name of the log.
    folders : sequence of Path
        Where to write: the first that can be written to is taken.
    """

    def __init__(self, name: str, folders: Sequence[Path]) -> None:
        self.name = name
        self.folders = folders
        self.path: Path | None = None
        self._made = False

    def write(self, parsed: ParsedLog) -> None:
        """Write the rejected lines, in full and at once; nothing where there are none.

        Raises
        ------
        OSError
            When none of the folders can be written to.
        """
        if not len(parsed.rejected):
            return
        if self.path is not None and self._made:
            self._written(self.path, parsed).replace(self.path)
            return
        problem: OSError | None = None
        for folder in self.folders:
            try:
                folder.mkdir(parents=True, exist_ok=True)
                self.path = self._place(folder, parsed)
                return
            except OSError as error:
                problem = error
        raise problem or OSError("no folder for rejected lines")

    def _place(self, folder: Path, parsed: ParsedLog) -> Path:
        partial = self._written(folder / rejects_name(self.name), parsed)
        number = 1
        while True:
            path = folder / rejects_name(self.name, number)
            if not path.exists():
                partial.replace(path)
                self._made = True
                return path
            if filecmp.cmp(path, partial, shallow=False):
                partial.unlink()
                return path
            number += 1

    def _written(self, path: Path, parsed: ParsedLog) -> Path:
        """Write the lines beside where they go, so that what has the name is whole."""
        partial = beside(path)
        try:
            # The mark at the start tells spreadsheets that the text is UTF-8.
            with partial.open("w", encoding="utf-8-sig", errors="replace", newline="") as out:
                write_rejects(parsed, out)
        except OSError:
            partial.unlink(missing_ok=True)
            raise
        return partial
