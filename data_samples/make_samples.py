"""Make the sample files: ``python -m data_samples.make_samples [--to DIR]``.

The same bytes come out on every machine. What is true of the invented works stands in ``works``;
``days`` runs through its days and writes the crew's lines; here they become files.
"""

import argparse
import json
from collections.abc import Iterable, Sequence
from pathlib import Path

from data_samples import FILES, TRUTHS, folder, odd_files, works
from data_samples.days import RUN_COLUMNS, Works

STOCK_COLUMNS = (
    "stock", "description", "grammage_gsm", "basis_weight_lb", "basis_grade", "caliper_um",
    "coating", "printed_by", "sides", "width_mm", "height_mm", "grain", "special",
)  # fmt: skip
SERVICE_COLUMNS = (
    "when", "tower", "bin", "part", "action", "reason", "quantity", "operator", "note",
)  # fmt: skip
TOWER_COLUMNS = (
    "tower", "site", "bins", "numbered_from", "line", "place_in_line", "suction_feet_per_bin",
    "commissioned", "note",
)  # fmt: skip


def _quoted(value: str) -> str:
    # Written here and not by the csv module, whose idea of what needs a quote has changed.
    if any(mark in value for mark in ',"\n\r'):
        return '"' + value.replace('"', '""') + '"'
    return value


def write_csv(path: Path, columns: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Write a header and rows as UTF-8 with plain newlines, on any system."""
    text = "".join(",".join(map(_quoted, row)) + "\n" for row in (columns, *rows))
    path.write_bytes(text.encode())


def _stock_rows() -> list[list[str]]:
    rows = []
    for stock in works.STOCKS.values():
        pounds, grade = works.BY_BASIS_WEIGHT.get(stock.code, ("", ""))
        grammage = "" if grade else str(stock.grammage)
        rows.append(
            [stock.code, stock.description, grammage, str(pounds), grade, str(stock.caliper)]
            + [stock.coating, stock.printed_by, str(stock.sides), str(stock.width)]
            + [str(stock.height), stock.grain, stock.special]
        )
    return rows


def _tower_rows() -> list[list[str]]:
    return [
        ["A", works.SITE, "10", "top", "", "", "2", "2031-01-06", ""],
        ["B", works.SITE, "10", "top", "", "", "2", "2031-01-06", ""],
        ["C", works.SITE, "10", "bottom", "", "", "2", "2031-01-07", "overhauled in August 2031"],
    ]


def write_samples(to: Path) -> None:
    """Write the four sample files and the planted truths into the folder `to`."""
    made = Works()
    made.all_days()
    to.mkdir(parents=True, exist_ok=True)
    rows = {
        "towers.csv": (TOWER_COLUMNS, _tower_rows()),
        "stocks.csv": (STOCK_COLUMNS, _stock_rows()),
        "services.csv": (SERVICE_COLUMNS, works.services()),
        "runs.csv": (RUN_COLUMNS, [list(line.values()) for line in made.lines]),
    }
    for name in FILES:
        write_csv(to / name, *rows[name])
    text = json.dumps(made.tally.truths(), indent=2) + "\n"
    (to / TRUTHS).write_bytes(text.encode())


def write_odd_and_bad(to: Path) -> None:
    """Write the folders ``odd`` and ``bad`` of small files, each with what to expect of it."""
    odd_files.write(to / "odd", odd_files.ODD)
    odd_files.write(to / "bad", odd_files.BAD)


def main(arguments: Sequence[str] | None = None) -> None:
    """Write everything into ``--to DIR``, or else over the files of this package."""
    parser = argparse.ArgumentParser(description="Make the sample files of an invented works.")
    parser.add_argument("--to", type=Path, default=folder(), metavar="DIR", help="where to write")
    to = parser.parse_args(arguments).to
    write_samples(to)
    write_odd_and_bad(to)


if __name__ == "__main__":
    main()
