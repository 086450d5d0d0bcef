"""What leaves the store comes back as it was, and runs nothing in a spreadsheet."""

from __future__ import annotations

import csv
import io
import re
import shutil
import tempfile
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import data_samples
from analysis.counts import LogScan
from analysis.export import Exported, ExportError, _escaped, export_counts, export_log
from analysis.filters import FilterError, Filters, parse_filters
from analysis.intake import read_log
from analysis.log_format import KINDS, Kind
from analysis.store import Store
from analysis.values import escape_cell
from tests.conftest import RUNS_HEADER, read, run_log, stored

HEADER = RUNS_HEADER + ",purpose,stock,humidity_pct,set_vacuum,note,mood"


def content(store: Store, kind: str) -> list[dict[str, object]]:
    """Return a log's rows without what says where they came from."""
    came_from = {"file_line", "intake"}
    kept = KINDS[kind].columns  # type: ignore[index]
    names = {c.name for c in kept} | {f"{c.name}_offset_min" for c in kept} | {"of_tower", "extra"}
    rows = [{k: v for k, v in row.items() if k in names} for row in stored(store, kind)]
    assert not rows or not came_from & set(rows[0])
    return sorted(rows, key=repr)


def differing(one: Store, other: Store, kind: str) -> tuple[int, list[tuple[object, ...]]]:
    """Return how many rows a log has, and those that only one of two stores has, as `content`.

    DuckDB compares them: tens of thousands of rows take seconds in Python.
    """
    kept = KINDS[kind].columns  # type: ignore[index]
    names = {c.name for c in kept} | {f"{c.name}_offset_min" for c in kept} | {"of_tower", "extra"}
    with one.snapshot().connect() as ours, other.snapshot().connect() as theirs:
        there = [told[0] for told in ours.sql(f"describe {kind}").fetchall()]
        assert {c.name for c in kept} | {"extra"} <= set(there)
        cells = ", ".join(
            f'"{name}"' if name != "extra" else "coalesce(extra::varchar, '{}') as extra"
            for name in there
            if name in names
        )
        table = ours.sql(f"select {cells} from {kind}").to_arrow_table()
        theirs.register("ours", table)
        mine, others = "select * from ours", f"select {cells} from {kind}"
        return table.num_rows, [
            *theirs.sql(f"{mine} except all {others}").fetchall(),
            *theirs.sql(f"{others} except all {mine}").fetchall(),
        ]


def whole(store: Store, path: Path, log: Kind = "runs", filters: Filters | None = None) -> Exported:
    return export_log(LogScan(store.snapshot()), path, log, filters or Filters())


def cells(path: Path) -> list[list[str]]:
    """Read a file as a spreadsheet does: a mark for UTF-8, then quoted cells with commas."""
    raw = path.read_bytes()
    assert raw.startswith(b"\xef\xbb\xbf")
    return list(csv.reader(io.StringIO(raw.decode("utf-8-sig"), newline="")))


@pytest.mark.parametrize("kind", KINDS)
def test_the_samples_come_back_to_the_last_count(
    sample_store: Path, store: Store, tmp_path: Path, kind: Kind
) -> None:
    sample = Store(sample_store)
    done = whole(sample, tmp_path / "log.csv", kind)
    account = store.add(read_log(tmp_path / "log.csv"))
    rows, off = differing(sample, store, kind)
    assert account.rejected == 0 and account.rows_added == done.rows == rows
    assert off == []


def test_what_is_odd_in_a_log_comes_back(store: Store, tmp_path: Path) -> None:
    store.add(
        read(
            run_log(
                "1,2031-03-14T08:05,A,1-3,100,0,0,,BO90,45.5,5,,",
                "1,2031-03-14T08:05:07+02:00,A,4,100,off,2,trial,,0.00001,,'=1+1,calm",
                '1,2031-03-14T08:05:07.25-03:30,A,5,100,1,off,,,,-5,\'\'=x,"a, ""b"""',
                "1,2031-03-14T08:05,A,?,,3,1,,,,+7,-2.5,-x",
                header=HEADER,
            )
        )
    )
    done = whole(store, tmp_path / "log.csv")
    table = cells(tmp_path / "log.csv")
    assert table[0] == [*done.columns]
    by_bin = {row["bin"]: row for row in (dict(zip(table[0], r, strict=True)) for r in table[1:])}
    assert list(by_bin) == ["1", "2", "3", "4", "5", "?"]
    assert [by_bin[b]["started"] for b in "145"] == [
        "2031-03-14T08:05",
        "2031-03-14T08:05:07+02:00",
        "2031-03-14T08:05:07.25-03:30",
    ]
    assert (by_bin["4"]["misses"], by_bin["5"]["doubles"], by_bin["?"]["cycles"]) == (
        "off",
        "off",
        "",
    )
    assert [by_bin[b]["humidity_pct"] for b in "14"] == ["45.5", "0.00001"]
    assert [by_bin[b]["note"] for b in "45?"] == ["'=1+1", "''=x", "-2.5"]
    assert [by_bin[b]["mood"] for b in "45?"] == ["calm", 'a, "b"', "'-x"]
    assert [by_bin[b]["set_vacuum"] for b in "15?"] == ["5", "-5", "+7"]
    before = content(store, "runs")
    again = Store(tmp_path / "again", create=True)
    again.add(read_log(tmp_path / "log.csv"))
    assert content(again, "runs") == before


def test_only_columns_with_something_in_them_are_written(store: Store, tmp_path: Path) -> None:
    store.add(read(run_log("1,2031-03-14T08:05,A,1,5,0,0,,,,,,", header=HEADER)))
    done = whole(store, tmp_path / "log.csv")
    assert done.columns == tuple(
        "run,stretch,started,tower,bin,cycles,misses,doubles,purpose".split(",")
    )


#: Text that may stand in a cell: all of Unicode but what no UTF-8 file holds, and NUL.
TEXT = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=12)
RUN = st.sampled_from(["=1+1", "'=x", "''=x", "+", "-", "@a", "\tx", "\r", "-5", "+1,5", "'-5"])


# Stores are made, filled and read in each example, so there are few, with many texts in each.
@settings(max_examples=8)
@given(
    st.lists(TEXT | RUN | st.builds(str.__add__, RUN, TEXT), min_size=12, max_size=60),
    st.lists(TEXT | RUN, min_size=3, max_size=4),
)
def test_any_text_survives_export_and_intake(
    empty_store: Path, texts: list[str], names: list[str]
) -> None:
    out = io.StringIO()
    writer = csv.writer(out)
    begun = [f"x{number}{name}" for number, name in enumerate(names)]
    ended = [f"{name}y{number}" for number, name in enumerate(names)]
    writer.writerow([*RUNS_HEADER.split(","), "note", *begun, *ended])
    for number, text in enumerate(texts, 1):
        escaped = escape_cell(text)
        line = f"1,2031-03-14T08:05,A,{number},5,0,0".split(",")
        writer.writerow([*line, escaped, *[escaped] * len(begun), *[text + "y"] * len(ended)])
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        (folder / "first.csv").write_bytes(out.getvalue().encode())
        first = Store(Path(shutil.copytree(empty_store, folder / "first")))
        first.add(read_log(folder / "first.csv"))
        whole(first, folder / "log.csv")
        again = Store(Path(shutil.copytree(empty_store, folder / "again")))
        account = again.add(read_log(folder / "log.csv"))
        assert account.rejected == 0
        came_back = content(again, "runs")
        assert came_back == content(first, "runs")
        assert len(came_back) == len(texts)


@given(st.lists(TEXT | RUN | st.from_regex(r"['=+\-]*[0-9٣.,]*\n?", fullmatch=True)))
def test_a_column_is_escaped_as_a_cell_is(texts: list[str]) -> None:
    assert _escaped(pa.array(texts, pa.string())).to_pylist() == [escape_cell(t) for t in texts]


def test_no_cell_of_the_file_is_run(store: Store, tmp_path: Path) -> None:
    header = RUNS_HEADER + ',stock,"=cmd()",@sum'
    line = "=1,2031-03-14T08:05,@A,1,5,0,0,=2+3,+cmd,-1"
    store.add(read(run_log(line, header=header)))
    whole(store, tmp_path / "log.csv")
    export_counts(LogScan(store.snapshot()), tmp_path / "by.csv", ["tower", "=cmd()"], Filters())
    for name in ("log.csv", "by.csv"):
        for row in cells(tmp_path / name):
            for cell in row:
                assert not re.match(r"[=+@\t\r]|-(?!1$)", cell), cell
    again = Store(tmp_path / "again", create=True)
    again.add(read_log(tmp_path / "log.csv"))
    assert content(again, "runs") == content(store, "runs")


class TestParquet:
    def test_it_holds_the_rows_as_they_are_stored(self, sample_store: Path, tmp_path: Path) -> None:
        sample = Store(sample_store)
        done = whole(sample, tmp_path / "log.parquet")
        table = pq.read_table(tmp_path / "log.parquet")
        assert table.column_names == [*done.columns] and table.num_rows == done.rows
        held = stored(sample)
        names = [name for name in table.column_names if name in held[0]]
        assert {"started", "started_offset_min", "humidity_pct"} < set(names)
        assert str(table.schema.field("started").type) == "timestamp[us, tz=UTC]"
        # As numbers: two readers name the same zone differently.
        moments = [n for n in names if pa.types.is_timestamp(table.schema.field(n).type)]
        rows = table.select(names).to_pylist()
        kept = [{name: row[name] for name in names} for row in held]
        for row in [*rows, *kept]:
            row.update({n: row[n] and row[n].timestamp() for n in moments})
        assert sorted(map(repr, rows)) == sorted(map(repr, kept))

    def test_own_columns_are_text_and_no_name_stands_twice(
        self, store: Store, tmp_path: Path
    ) -> None:
        header = RUNS_HEADER + ",mood,started_offset_min"
        store.add(read(run_log("1,2031-03-14T08:05,A,1,5,0,0,calm,x", header=header)))
        whole(store, tmp_path / "log.parquet")
        (row,) = pq.read_table(tmp_path / "log.parquet").to_pylist()
        assert (row["mood"], row["started_offset_min"], row["started_offset_min_"]) == (
            "calm",
            None,
            "x",
        )

    def test_counts_have_their_types(self, sample_store: Path, tmp_path: Path) -> None:
        scan = LogScan(Store(sample_store).snapshot())
        export_counts(scan, tmp_path / "by.parquet", ["tower", "bin"], Filters())
        table = pq.read_table(tmp_path / "by.parquet")
        assert table.schema.field("feeds").type == pa.int64()
        assert sum(table["feeds"].to_pylist()) == scan.account(Filters()).feeds


class TestFilters:
    def test_rows_are_those_that_the_csv_module_finds(
        self, sample_store: Path, tmp_path: Path
    ) -> None:
        filters = parse_filters(where=["tower=B", "stock=BO90"], since="2031-05-01")
        done = whole(Store(sample_store), tmp_path / "log.csv", "runs", filters)
        with (data_samples.folder() / "runs.csv").open(encoding="utf-8", newline="") as file:
            expected = [
                (row["run"], row["misses"], row["doubles"])
                for row in csv.DictReader(file)
                if (row["tower"], row["stock"]) == ("B", "BO90")
                and row["started"] >= "2031-05-01"
                and row["bin"].isdecimal()
            ]
        table = cells(tmp_path / "log.csv")
        rows = [dict(zip(table[0], row, strict=True)) for row in table[1:]]
        assert expected and done.rows == len(rows) >= len(expected)
        found = sorted((row["run"], row["misses"], row["doubles"]) for row in rows)
        for row in expected:
            found.remove(row)
        # What is left are bins of lines that stand for several, which have no faults.
        assert all(row[1:] == ("0", "0") for row in found)

    def test_counts_are_not_given_by_operator_but_the_log_keeps_the_column(
        self, sample_store: Path, tmp_path: Path
    ) -> None:
        scan = LogScan(Store(sample_store).snapshot())
        with pytest.raises(FilterError, match="rates are not given by operator"):
            export_counts(scan, tmp_path / "by.csv", ["operator"], Filters())
        assert not list(tmp_path.iterdir())
        assert "operator" in whole(Store(sample_store), tmp_path / "log.csv").columns


class TestTheFile:
    def test_one_that_is_there_is_left_alone(self, store: Store, tmp_path: Path) -> None:
        path = tmp_path / "log.csv"
        path.write_text("mine")
        with pytest.raises(ExportError, match="is there already; .* add --replace"):
            whole(store, path)
        assert path.read_text() == "mine"
        export_log(LogScan(store.snapshot()), path, "runs", Filters(), replace=True)
        assert cells(path)[0][:2] == ["run", "started"]

    @pytest.mark.parametrize(
        ("name", "words"),
        [
            ("log.xlsx", "ends neither in .csv nor in .parquet"),
            ("none/log.csv", "there is no folder .*none; make it first"),
        ],
    )
    def test_one_that_cannot_be_is_a_sentence(
        self, store: Store, tmp_path: Path, name: str, words: str
    ) -> None:
        with pytest.raises(ExportError, match=words):
            whole(store, tmp_path / name)

    @pytest.mark.parametrize("name", ["log.csv", "log.parquet"])
    def test_nothing_is_left_of_one_that_was_not_finished(
        self, store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
    ) -> None:
        store.add(read(run_log()))
        (tmp_path / "out").mkdir()
        scan = LogScan(store.snapshot())

        def full(*_: object, **__: object) -> None:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(scan, "stream", full)
        with pytest.raises(ExportError, match="cannot be written .No space left on device"):
            export_log(scan, tmp_path / "out" / name, "runs", Filters())
        assert not list((tmp_path / "out").iterdir())
