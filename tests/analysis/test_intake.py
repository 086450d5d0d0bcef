"""A file to accepted rows and rejected lines: the rules of the four kinds of log."""

from __future__ import annotations

import csv
import datetime as dt
import io
import random
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.headers import REJECT_COLUMNS, tell_kind
from analysis.intake import KnownNames, ParsedLog, read_bytes, read_log
from analysis.log_format import KINDS
from analysis.rejects import RejectsFile, rejects_name, write_rejects
from analysis.store import Store
from analysis.texts import NotALogError
from tests.conftest import LINE, RUNS_HEADER, everything, problems, read, reasons, rows, run_log

Write = Callable[..., Path]


def with_column(name: str, *values: str) -> bytes:
    """Return a log of one bin per value, each with that value in one more column."""
    lines = [f"{LINE.format(number)},{value}" for number, value in enumerate(values, 1)]
    return run_log(*lines, header=f"{RUNS_HEADER},{name}")


def rejects_text(parsed: ParsedLog) -> str:
    out = io.StringIO()
    write_rejects(parsed, out)
    return out.getvalue()


class TestKinds:
    @pytest.mark.parametrize(
        ("header", "kind"),
        [
            (RUNS_HEADER, "runs"),
            ("stock", "stocks"),
            ("stock,grammage_gsm", "stocks"),
            ("when,tower,part,action", "services"),
            ("tower", "towers"),
            ("tower,site,bins", "towers"),
        ],
    )
    def test_the_needed_columns_tell_the_kind(self, header: str, kind: str) -> None:
        assert tell_kind(header.split(",")).name == kind

    def test_the_name_of_the_file_tells_nothing(self) -> None:
        assert read_bytes(run_log(), "towers.csv").kind.name == "runs"

    @pytest.mark.parametrize("missing", KINDS["runs"].needed)
    def test_a_run_log_without_a_needed_column_is_refused_by_its_name(self, missing: str) -> None:
        names = [name for name in RUNS_HEADER.split(",") if name != missing]
        with pytest.raises(NotALogError, match=f"no column {missing}; .* site file"):
            tell_kind(names)

    @pytest.mark.parametrize("missing", ["when", "part", "action"])
    def test_a_service_log_without_a_needed_column_is_refused(self, missing: str) -> None:
        names = ["when", "tower", "bin", "part", "action", "reason", "quantity"]
        with pytest.raises(NotALogError, match=f"service log but has no column {missing}; "):
            tell_kind([name for name in names if name != missing])

    def test_headers_of_the_works_own_are_sent_to_the_site_file(self) -> None:
        with pytest.raises(
            NotALogError,
            match=r"no columns run, bin and cycles; add them, rename the columns that hold them, "
            r"or say under \[headers\] of the site file which mean them",
        ):
            tell_kind(["ticket", "started", "tower", "pocket", "counter", "misses", "doubles"])

    def test_a_file_of_other_things_is_refused_with_what_a_run_log_needs(self) -> None:
        with pytest.raises(NotALogError, match="a run log needs run, started, tower, bin"):
            read(b"name,price\nscrew,3\n")

    def test_a_column_named_twice_is_refused(self) -> None:
        with pytest.raises(NotALogError, match="the header names bin twice"):
            read(run_log(header=RUNS_HEADER + ",bin"))

    def test_a_header_alone_is_refused(self) -> None:
        with pytest.raises(NotALogError, match="header of a run log but no line after it"):
            read(run_log()[: len(RUNS_HEADER) + 1] + b"\n,,\n")

    @pytest.mark.parametrize("more", [393, 394])
    def test_four_hundred_columns_are_the_most(self, more: int) -> None:
        header = ",".join([RUNS_HEADER, *(f"own_{i}" for i in range(more))])
        raw = run_log(LINE.format(1) + "," * more, header=header)
        if more <= 393:
            assert read(raw).rows.num_rows == 1
        else:
            with pytest.raises(NotALogError, match="401 columns, more than a log has"):
                read(raw)


class TestShapesOfAFile:
    def test_columns_stand_in_any_order(self) -> None:
        names = RUNS_HEADER.split(",")
        values = LINE.format(3).split(",")
        order = random.Random(5).sample(range(len(names)), len(names))
        shuffled = run_log(
            ",".join(values[i] for i in order), header=",".join(names[i] for i in order)
        )
        assert rows(read(shuffled)) == rows(read(run_log(LINE.format(3))))

    def test_headers_stand_in_any_case_with_blanks_around(self) -> None:
        header = ",".join(f" {name.upper()}\t" for name in RUNS_HEADER.split(","))
        parsed = read(run_log(header=header))
        assert rows(parsed) == rows(read(run_log()))
        assert not parsed.warnings

    @pytest.mark.parametrize("delimiter", [",", ";", "\t"])
    @pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
    @pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
    def test_any_shape_gives_the_same_rows(
        self, delimiter: str, encoding: str, ending: str
    ) -> None:
        text = with_column("operator", "Zoé", "Jürg").decode()
        parsed = read(text.replace(",", delimiter).replace("\n", ending).encode(encoding))
        assert [(r["file_line"], r["bin"], r["operator"]) for r in rows(parsed)] == [
            (2, 1, "Zoé"),
            (3, 2, "Jürg"),
        ]
        assert not parsed.rejected

    def test_windows_1252_is_said(self) -> None:
        parsed = read(with_column("operator", "Zoé").decode().encode("cp1252"))
        assert parsed.warnings == [
            "the file is not UTF-8 and was read as Windows-1252; check accents in names"
        ]

    def test_a_decimal_comma_is_read_where_the_delimiter_is_none(self) -> None:
        raw = with_column("humidity_pct", "45.5").replace(b",", b";").replace(b"45.5", b"45,5")
        assert rows(read(raw))[0]["humidity_pct"] == 45.5

    def test_a_decimal_comma_makes_one_value_too_many_where_it_is(self) -> None:
        assert problems(read(with_column("humidity_pct", "45,5"))) == [(2, "")]

    def test_lines_keep_their_number_behind_breaks_and_empty_lines(self) -> None:
        raw = with_column("note", '"a\r\nb\rc"', "", '"d\n\ne"', "")
        raw = raw.replace(b"\n0814", b"\n\n \n0814", 3) + b"\n\n0814,bad,A,9,1,0,0,\n"
        lines = raw.decode().replace("\r\n", "\n").replace("\r", "\n").split("\n")
        parsed = read(raw)
        for row in rows(parsed):
            assert lines[int(str(row["file_line"])) - 1].startswith(
                f"0814,2031-03-14T08:05,A,{row['bin']},"
            )
        assert [lines[p[0] - 1] for p in problems(parsed)] == ["0814,bad,A,9,1,0,0,"]

    def test_a_trailing_delimiter_may_stand_in_the_header_or_in_lines(self) -> None:
        plain = rows(read(run_log()))
        lines = [LINE.format(i) for i in (1, 2, 3)]
        for header in (RUNS_HEADER, RUNS_HEADER + ",", RUNS_HEADER + ",,"):
            for ends in (["", "", ""], [",", ",", ","], ["", ",", ",,,"]):
                raw = run_log(*(a + b for a, b in zip(lines, ends, strict=True)), header=header)
                assert rows(read(raw)) == plain


class TestRunLog:
    def test_a_line_is_a_row(self) -> None:
        parsed = read(
            run_log(
                "0814,2,2031-03-14T08:05,2031-03-14 09:40:30,A,7,4517,3,1,Burn-in,new feet,BO90,"
                "P12,45.5,21,Fanned,soft,off,2,2800,site's own,1,2,3,4,2,1,5,6,7,8,9,stacker,K,"
                "J1,damp",
                header="run,stretch,started,ended,tower,bin,cycles,misses,doubles,purpose,proof,"
                "stock,lot,humidity_pct,temperature_c,prepared,set_blast,set_spring,"
                "set_foot_height,set_speed,set_mood,found_later,false_calls,planted_misses,"
                "planted_doubles,called_misses,called_doubles,stops,jams,refills,sets_spoiled,"
                "sets_mended,at_end,operator,job,note",
            )
        )
        assert not parsed.rejected
        assert not parsed.warnings
        (row,) = rows(parsed)
        started, ended = row.pop("started"), row.pop("ended")
        assert isinstance(started, dt.datetime) and isinstance(ended, dt.datetime)
        assert started.isoformat() == "2031-03-14T08:05:00+00:00"
        assert ended.isoformat() == "2031-03-14T09:40:30+00:00"
        assert {name: value for name, value in row.items() if value is not None} == {
            "run": "0814",
            "stretch": 2,
            "tower": "A",
            "bin": 7,
            "cycles": 4517,
            "misses": 3,
            "doubles": 1,
            "purpose": "burn-in",
            "proof": "new feet",
            "stock": "BO90",
            "lot": "P12",
            "humidity_pct": 45.5,
            "temperature_c": 21.0,
            "prepared": "fanned",
            "set_blast": "soft",
            "set_spring": "off",
            "set_foot_height": "2",
            "set_speed": "2800",
            "extra": {"set_mood": "site's own"},
            "found_later": 1,
            "false_calls": 2,
            "planted_misses": 3,
            "planted_doubles": 4,
            "called_misses": 2,
            "called_doubles": 1,
            "stops": 5,
            "jams": 6,
            "refills": 7,
            "sets_spoiled": 8,
            "sets_mended": 9,
            "at_end": "stacker",
            "operator": "K",
            "job": "J1",
            "note": "damp",
            "file_line": 2,
        }

    def test_stretch_is_1_and_purpose_production_when_absent_or_empty(self) -> None:
        for raw in (
            run_log(LINE.format(1)),
            with_column("purpose", ""),
            with_column("stretch", ""),
        ):
            (row,) = rows(read(raw))
            assert (row["stretch"], row["purpose"], row["proof"]) == (1, "production", None)

    def test_several_bins_are_one_line_and_several_rows(self) -> None:
        parsed = read(run_log("0814,2031-03-14T08:05,A,1-3 6,4517,0,0"))
        assert parsed.lines == 1
        assert [(r["bin"], r["cycles"], r["file_line"]) for r in rows(parsed)] == [
            (1, 4517, 2),
            (2, 4517, 2),
            (3, 4517, 2),
            (6, 4517, 2),
        ]

    def test_what_counts_for_the_stretch_stands_on_one_row_of_several_bins(self) -> None:
        header = RUNS_HEADER + ",stops,jams,refills,sets_spoiled,sets_mended,stock"
        parsed = read(
            run_log("0814,2031-03-14T08:05,A,6 1-3,4517,0,0,1,2,3,4,5,BO90", header=header)
        )
        for name, total in zip(
            ["stops", "jams", "refills", "sets_spoiled", "sets_mended"],
            [1, 2, 3, 4, 5],
            strict=True,
        ):
            assert [r[name] for r in rows(parsed) if r[name] is not None] == [total]
        assert [r["stock"] for r in rows(parsed)] == ["BO90"] * 4

    @pytest.mark.parametrize("counts", ["1,0", "0,1", "1,off"])
    def test_several_bins_have_no_faults(self, counts: str) -> None:
        parsed = read(run_log(f"0814,2031-03-14T08:05,A,1-3,4517,{counts}"))
        assert len(parsed.rejected) == 1
        assert "give the bin that had them a line of its own" in reasons(parsed)[0]

    @pytest.mark.parametrize(
        "name", ["found_later", "false_calls", "planted_misses", "planted_doubles"]
    )
    def test_several_bins_have_no_counts_of_one_bin(self, name: str) -> None:
        header = f"{RUNS_HEADER},{name}"
        parsed = read(
            run_log(
                "0814,2031-03-14T08:05,A,1-3,4517,0,0,1",
                "0814,2031-03-14T08:05,A,4-6,4517,0,0,0",
                "0814,2031-03-14T08:05,A,7-7,4517,0,0,1",
                header=header,
            )
        )
        assert problems(parsed) == [(2, name)]

    def test_several_bins_may_be_unwatched(self) -> None:
        parsed = read(run_log("0814,2031-03-14T08:05,A,1-2,4517,off,0"))
        assert [(r["misses"], r["doubles"]) for r in rows(parsed)] == [(None, 0), (None, 0)]

    def test_a_bin_that_was_not_noted_has_counts_and_no_cycles(self) -> None:
        parsed = read(run_log("0814,2031-03-14T08:05,A,?,,3,1"))
        (row,) = rows(parsed)
        assert (row["bin"], row["cycles"], row["misses"], row["doubles"]) == (None, None, 3, 1)

    @pytest.mark.parametrize("cycles", ["4517", "0", "x"])
    def test_a_bin_that_was_not_noted_with_cycles_is_rejected(self, cycles: str) -> None:
        parsed = read(run_log(f"0814,2031-03-14T08:05,A,?,{cycles},3,1"))
        assert {column for _, column in problems(parsed)} == {"cycles"}

    def test_cycles_may_be_empty_for_no_other_bin(self) -> None:
        parsed = read(run_log("0814,2031-03-14T08:05,A,1,,0,0", "0814,2031-03-14T08:05,A,x,,0,0"))
        assert problems(parsed) == [(2, "cycles"), (3, "bin"), (3, "cycles")]
        assert "0 if it was left empty" in reasons(parsed)[0]

    def test_a_bin_that_was_left_empty_has_no_cycles(self) -> None:
        assert rows(read(run_log("0814,2031-03-14T08:05,A,1,0,0,0")))[0]["cycles"] == 0

    def test_faults_are_at_most_the_cycles(self) -> None:
        parsed = read(
            run_log(
                "0814,2031-03-14T08:05,A,1,10,6,4",
                "0814,2031-03-14T08:05,A,2,10,6,5",
                "0814,2031-03-14T08:05,A,3,10,11,off",
            )
        )
        assert problems(parsed) == [(3, "misses"), (4, "misses")]
        assert "6 misses and 5 doubles are more than 10 cycles" in reasons(parsed)[0]

    @pytest.mark.parametrize("kind", ["misses", "doubles"])
    def test_no_more_planted_faults_are_called_than_were_planted(self, kind: str) -> None:
        header = f"{RUNS_HEADER},planted_{kind},called_{kind}"
        lines = [f"{LINE.format(n)},{p}" for n, p in enumerate(["3,3", "3,4", ",1", "3,"], 1)]
        assert problems(read(run_log(*lines, header=header))) == [
            (3, f"called_{kind}"),
            (4, f"called_{kind}"),
        ]

    def test_ended_is_not_before_started(self) -> None:
        parsed = read(with_column("ended", "2031-03-14T08:05", "2031-03-14T08:04", ""))
        assert problems(parsed) == [(3, "ended")]

    def test_offsets_count_where_the_clock_was_set_back(self) -> None:
        header = RUNS_HEADER.replace("started", "started,ended")
        night = "0814,2031-10-26T02:50{},2031-10-26T02:10{},A,{},100,0,0"
        parsed = read(
            run_log(
                night.format("+02:00", "+01:00", 1),
                night.format("+01:00", "+02:00", 2),
                night.format("", "", 3),
                header=header,
            )
        )
        assert problems(parsed) == [(3, "ended"), (4, "ended")]

    def test_an_empty_count_is_rejected_with_the_explanation(self) -> None:
        parsed = read(run_log("0814,2031-03-14T08:05,A,1,10,,0", "0814,2031-03-14T08:05,A,2,10,0,"))
        assert problems(parsed) == [(2, "misses"), (3, "doubles")]
        assert all("an empty count is not zero" in reason for reason in reasons(parsed))

    def test_off_takes_the_feeds_out_of_one_kind(self) -> None:
        parsed = read(
            run_log("0814,2031-03-14T08:05,A,1,10,off,1", "0814,2031-03-14T08:05,A,2,10,1,OFF")
        )
        assert [(r["misses"], r["doubles"]) for r in rows(parsed)] == [(None, 1), (1, None)]

    def test_bins_are_no_more_than_the_tower_has(self) -> None:
        raw = run_log(
            "1,2031-03-14T08:05,A,10,1,0,0",
            "1,2031-03-14T08:05,A,11,1,0,0",
            "2,2031-03-14T08:05,A,8-12,1,0,0",
            "1,2031-03-14T08:05,B,11,1,0,0",
            "1,2031-03-14T08:05,A,?,,1,0",
        )
        parsed = read(raw, tower_bins={"A": 10})
        assert problems(parsed) == [(3, "bin"), (4, "bin")]
        assert "tower A has 10 bins by the tower list" in reasons(parsed)[0]
        assert not read(raw).rejected

    def test_every_problem_of_a_line_is_told_at_once(self) -> None:
        parsed = read(run_log(",14/03/2031,,0,-1,x,"))
        assert len(parsed.rejected) == 1
        assert [column for _, column in problems(parsed)] == RUNS_HEADER.split(",")


class TestTowersWrittenInTwoWays:
    FILE = (
        b"when,tower,bin,part,action\n2031-03-14,birke,1,brush,fitted\n"
        b"2031-03-15,Birke,2,brush,fitted\n2031-03-16,birke,3,brush,fitted\n"
    )

    def test_the_one_that_the_tower_list_does_not_name_is_told_with_its_line(self) -> None:
        parsed = read(self.FILE, tower_bins={"Ahorn": 8, "Birke": 8})
        assert parsed.warnings == [
            "tower birke (line 2) differs from tower Birke in capitals or blanks only, and is "
            "taken for another; write it alike where it is the same"
        ]
        assert [row["tower"] for row in rows(parsed)] == ["birke", "Birke", "birke"]

    def test_so_is_one_with_other_blanks(self) -> None:
        parsed = read(self.FILE.replace(b"birke", b"b  irke"), tower_bins={"Birke": 8})
        assert [text.partition(" differs")[0] for text in parsed.warnings] == [
            "tower b  irke (line 2)"
        ]

    def test_without_a_list_it_is_the_later_one(self) -> None:
        parsed = read(self.FILE)
        assert [text.partition(" differs")[0] for text in parsed.warnings] == [
            "tower Birke (line 3)"
        ]

    def test_it_is_told_where_the_file_has_the_one_name_only(self) -> None:
        alone = self.FILE.replace(b"Birke", b"birke")
        assert not read(alone).warnings
        assert len(read(alone, tower_bins={"BIRKE": 8}).warnings) == 1

    def test_two_that_the_list_names_are_two_towers(self) -> None:
        assert not read(self.FILE, tower_bins={"birke": 8, "Birke": 8}).warnings

    def test_it_does_not_matter_how_the_file_is_cut(self) -> None:
        cut = read_bytes(self.FILE, "services.csv", block_bytes=40)
        assert cut.warnings == read(self.FILE).warnings


class TestStocksWrittenInTwoWays:
    KNOWN = KnownNames(listed=("NT70",), logged=("OF80", "nt70", "OF 80", "Veil"))

    def told(self, *stocks: str, known: KnownNames = KNOWN) -> list[tuple[str, str]]:
        raw = with_column("stock", *stocks)
        found = read_bytes(raw, "log.csv", stocks=lambda named: known)
        assert not found.rejected and len(rows(found)) == len(stocks)
        return [(one.name, one.known) for one in found.alike]

    def test_one_that_the_list_or_the_log_writes_otherwise_is_told(self) -> None:
        assert self.told("nt70", "OF 80", "veil", "BO90") == [
            ("nt70", "NT70"),
            ("OF 80", "OF80"),
            ("veil", "Veil"),
        ]

    def test_none_is_told_of_names_as_they_are_known(self) -> None:
        assert not self.told("NT70", "OF80", "Veil", "")

    def test_without_a_store_it_is_the_later_one(self) -> None:
        assert self.told("Veil", "veil", known=KnownNames()) == [("veil", "Veil")]

    def test_it_is_told_as_of_towers(self) -> None:
        parsed = read_bytes(with_column("stock", "NT70", "nt70"), "log.csv")
        assert parsed.warnings == [
            "stock nt70 (line 3) differs from stock NT70 in capitals or blanks only, and is "
            "taken for another; write it alike where it is the same"
        ]


class TestUnknownColumns:
    def test_they_are_kept_word_for_word_and_empty_cells_left_out(self) -> None:
        parsed = read(with_column("moon", " Full ", "", "'=1+1"))
        assert [r["extra"] for r in rows(parsed)] == [{"moon": " Full "}, {}, {"moon": "=1+1"}]

    def test_each_is_reported_once_with_the_nearest_known_name(self) -> None:
        parsed = read(with_column("humidty_pct,moon", "45,full", "46,new"))
        assert len(parsed.warnings) == 2
        assert "humidty_pct" in parsed.warnings[0]
        assert parsed.warnings[0].endswith("did you mean humidity_pct?")
        assert "moon" in parsed.warnings[1]
        assert "mean" not in parsed.warnings[1]

    def test_a_setting_of_the_sites_own_is_no_stranger(self) -> None:
        parsed = read(with_column("set_mood", "calm"))
        assert rows(parsed)[0]["extra"] == {"set_mood": "calm"}
        assert not parsed.warnings

    def test_a_setting_that_is_all_but_a_known_one_is_asked_about(self) -> None:
        assert "did you mean set_vacuum?" in read(with_column("set_vacum", "5")).warnings[0]

    def test_a_column_without_a_name_is_kept_under_its_place(self) -> None:
        parsed = read(with_column(",moon", "x,full", ",new"))
        assert [r["extra"] for r in rows(parsed)] == [
            {"column_8": "x", "moon": "full"},
            {"moon": "new"},
        ]
        assert parsed.warnings[0] == "column 8 has no name; it is kept as column_8"

    def test_they_are_kept_in_lists_too(self) -> None:
        parsed = read(b"stock,shelf\nBO90,7\n")
        assert rows(parsed)[0]["extra"] == {"shelf": "7"}


class TestLists:
    def test_a_stock_list_keeps_what_it_says(self) -> None:
        parsed = read(
            b"stock,description,grammage_gsm,basis_weight_lb,basis_grade,caliper_um,coating,"
            b"printed_by,sides,width_mm,height_mm,grain,special\n"
            b"BO90,body,90,,,115,silk,Offset,2,210,297,Long,scored\n"
            b"TX70,text,,70,Text,,,,,,,,\n"
        )
        assert not parsed.rejected
        first, second = rows(parsed)
        assert (first["grammage_gsm"], first["coating"], first["printed_by"]) == (
            90,
            "silk",
            "offset",
        )
        assert (first["sides"], first["grain"]) == (2, "long")
        assert (second["basis_weight_lb"], second["basis_grade"]) == (70, "text")

    def test_a_basis_weight_needs_its_grade_and_a_grade_its_weight(self) -> None:
        parsed = read(b"stock,basis_weight_lb,basis_grade\nA,70,\nB,,text\nC,70,text\nD,,\n")
        assert problems(parsed) == [(2, "basis_grade"), (3, "basis_weight_lb")]
        assert problems(read(b"stock,basis_weight_lb\nA,70\n")) == [(2, "basis_grade")]

    def test_only_the_stock_is_needed(self) -> None:
        assert problems(read(b"stock,coating\nA,\n,silk\n")) == [(3, "stock")]

    def test_a_service_is_of_a_bin_every_bin_or_the_tower(self) -> None:
        parsed = read(
            b"when,tower,bin,part,action\n2031-03-14,A,7,brush,fitted\n"
            b"2031-03-14T10:00,A,,brush,cleaned\n2031-03-14,A,tower,pump,swapped\n"
        )
        assert [(r["bin"], r["of_tower"]) for r in rows(parsed)] == [
            (7, False),
            (None, False),
            (None, True),
        ]

    @pytest.mark.parametrize("action", ["overhauled", "moved"])
    def test_a_whole_tower_is_overhauled_or_moved_without_a_part(self, action: str) -> None:
        parsed = read(f"when,tower,part,action\n2031-03-14,A,,{action}\n".encode())
        assert not parsed.rejected

    @pytest.mark.parametrize("action", ["fitted", "cleaned", "adjusted", "inspected", "swapped"])
    def test_every_other_action_needs_its_part(self, action: str) -> None:
        parsed = read(f"when,tower,part,action\n2031-03-14,A,,{action}\n".encode())
        assert problems(parsed) == [(2, "part")]

    def test_a_service_is_of_a_bin_that_the_tower_has(self) -> None:
        parsed = read(
            b"when,tower,bin,part,action\n2031-03-14,A,11,brush,fitted\n", tower_bins={"A": 10}
        )
        assert problems(parsed) == [(2, "bin")]

    def test_a_tower_is_numbered_from_the_top_when_it_does_not_say(self) -> None:
        for raw in (b"tower\nA\n", b"tower,numbered_from\nA,\n", b"tower,numbered_from\nA,TOP\n"):
            assert rows(read(raw))[0]["numbered_from"] == "top"
        assert rows(read(b"tower,numbered_from\nA,bottom\n"))[0]["numbered_from"] == "bottom"


class TestRejects:
    bad = run_log(
        LINE.format(1),
        "0814,2031-03-14T08:05,A,2,4 517,,0",
        "0814,2031-03-14T08:05,A,3,4517,1",
        '"0814,2031-03-14T08:05,A,4,4517,1,0',
    )

    @staticmethod
    def table(text: str, delimiter: str = ",") -> list[list[str]]:
        return list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))

    def test_each_rejected_line_stands_as_it_was_after_what_is_wrong(self) -> None:
        parsed = read(self.bad)
        assert parsed.lines == 4
        table = self.table(rejects_text(parsed))
        assert table[0] == [*REJECT_COLUMNS, *RUNS_HEADER.split(",")]
        assert [(row[0], row[1]) for row in table[1:]] == [
            ("3", "cycles; misses"),
            ("4", ""),
            ("5", ""),
        ]
        assert table[1][2] == " | ".join(reasons(parsed)[:2])
        assert [row[3:] for row in table[1:]] == [
            ["0814", "2031-03-14T08:05", "A", "2", "4 517", "", "0"],
            ["0814", "2031-03-14T08:05", "A", "3", "4517", "1"],
            ['"0814', "2031-03-14T08:05", "A", "4", "4517", "1", "0"],
        ]

    def test_mended_it_is_added_as_it_is(self) -> None:
        text = rejects_text(read(self.bad))
        mended = (
            text.replace("4 517,,0", "4517,0,0").replace("A,3,4517,1", "A,3,4517,1,0")
        ).replace('"""0814"', "0814")
        parsed = read(b"\xef\xbb\xbf" + mended.encode())
        assert not parsed.rejected
        assert not parsed.warnings
        whole = run_log(
            *(
                "0814,2031-03-14T08:05,A," + end
                for end in ("2,4517,0,0", "3,4517,1,0", "4,4517,1,0")
            )
        )
        assert rows(parsed) == rows(read(whole))

    def test_not_mended_the_same_is_rejected_again(self) -> None:
        raw = with_column("note", "x", '"a\nb"').replace(b"4517", b"many")
        first = read(raw)
        again = read(rejects_text(first).encode())
        assert reasons(again) == reasons(first)
        assert [line.cells for line in again.rejected] == [line.cells for line in first.rejected]

    def test_the_delimiter_and_the_decimal_comma_stay(self) -> None:
        raw = with_column("humidity_pct", "45.5").replace(b",", b";").replace(b"45.5", b"45,5")
        first = read(raw.replace(b"4517", b"many"))
        again = read(rejects_text(first).replace("many", "4517").encode())
        assert rows(again) == rows(read(raw))

    @pytest.mark.parametrize("note", ["=1+1", "'=1+1", "''=1+1", "@x", "-x", "-5", "'-5", "'tis"])
    def test_a_spreadsheet_runs_nothing_and_a_round_trip_changes_nothing(self, note: str) -> None:
        raw = with_column("note,=moon", f"{note},{note}")
        first = read(raw.replace(b"4517", b"many"))
        text = rejects_text(first)
        for row in self.table(text):
            assert not any(cell[:1] in "=@" for cell in row if cell)
            assert "-x" not in row
        again = read(text.replace("many", "4517").encode())
        assert rows(again) == rows(read(raw))

    def test_a_column_without_a_name_keeps_its_place(self) -> None:
        raw = with_column(",moon", "x,full")
        text = rejects_text(read(raw.replace(b"4517", b"many")))
        assert rows(read(text.replace("many", "4517").encode())) == rows(read(raw))

    @pytest.mark.parametrize(
        ("name", "number", "expected"),
        [
            ("runs.csv", 1, "runs.rejects.csv"),
            ("runs.CSV", 2, "runs.rejects-2.csv"),
            ("runs.txt", 1, "runs.rejects.csv"),
            ("runs", 1, "runs.rejects.csv"),
            ("a.b.csv", 3, "a.b.rejects-3.csv"),
        ],
    )
    def test_its_name_is_the_logs(self, name: str, number: int, expected: str) -> None:
        assert rejects_name(name, number) == expected

    def test_it_is_written_with_a_mark_that_spreadsheets_read(self, tmp_path: Path) -> None:
        file = RejectsFile("log.csv", [tmp_path])
        file.write(read(self.bad))
        assert file.path == tmp_path / "log.rejects.csv"
        assert file.path.read_bytes().startswith(b"\xef\xbb\xbfline,column,reason,run,")
        assert sorted(p.name for p in tmp_path.iterdir()) == ["log.rejects.csv"]

    def test_nothing_is_written_where_nothing_was_rejected(self, tmp_path: Path) -> None:
        RejectsFile("log.csv", [tmp_path]).write(read(run_log()))
        assert not list(tmp_path.iterdir())

    def test_an_older_one_is_never_written_over(self, tmp_path: Path) -> None:
        old = tmp_path / "log.rejects.csv"
        old.write_text("half mended")
        file = RejectsFile("log.csv", [tmp_path])
        file.write(read(self.bad))
        assert old.read_text() == "half mended"
        assert file.path == tmp_path / "log.rejects-2.csv"

    def test_an_older_one_with_the_same_in_it_is_told_again(self, tmp_path: Path) -> None:
        for _ in range(3):
            file = RejectsFile("log.csv", [tmp_path])
            file.write(read(self.bad))
            assert file.path == tmp_path / "log.rejects.csv"

    def test_an_older_one_stays_even_when_there_is_more_to_write(self, tmp_path: Path) -> None:
        RejectsFile("log.csv", [tmp_path]).write(read(self.bad))
        old = (tmp_path / "log.rejects.csv").read_bytes()
        file = RejectsFile("log.csv", [tmp_path])
        file.write(read(self.bad))
        file.write(read(self.bad.replace(b"A,1,4517", b"A,1,many")))
        assert (tmp_path / "log.rejects.csv").read_bytes() == old
        assert file.path == tmp_path / "log.rejects-2.csv"
        file.write(read(self.bad.replace(b"A,1,4517", b"A,1,lots")))
        assert file.path == tmp_path / "log.rejects-2.csv"
        assert b"lots" in file.path.read_bytes()

    def test_the_next_folder_is_taken_where_the_first_will_not_do(self, tmp_path: Path) -> None:
        (tmp_path / "file").write_text("in the way")
        file = RejectsFile("log.csv", [tmp_path / "file", tmp_path / "new" / "folder"])
        file.write(read(self.bad))
        assert file.path == tmp_path / "new" / "folder" / "log.rejects.csv"

    def test_no_folder_at_all_is_an_error(self, tmp_path: Path) -> None:
        (tmp_path / "file").write_text("in the way")
        with pytest.raises(OSError):
            RejectsFile("log.csv", [tmp_path / "file"]).write(read(self.bad))


def test_a_file_is_read_from_its_path(write: Write) -> None:
    parsed = read_log(write(run_log(), "märz.csv"))
    assert (parsed.name, parsed.lines) == ("märz.csv", 3)


# Whatever bytes a file holds ----------------------------------------------------------------------

VALID = [
    run_log(
        *(
            LINE.format(b) + f",45.5,BO90,{n}"
            for b, n in enumerate(["", '"a\nb"', "x y", "'=1"], 1)
        ),
        "0815,2031-03-15 08:05,B,1-3 5,900,0,0,,,",
        "0815,2031-03-15 08:05,B,?,,2,1,,,",
        "0815,2031-03-15 08:05,B,4,900,off,3,,,",
        header=RUNS_HEADER + ",humidity_pct,stock,note",
    ),
    b"when,tower,bin,part,action,note\r\n2031-03-14,A,7,brush,fitted,\r\n"
    b'2031-03-14T10:00,A,,brush,cleaned,"a\r\nb"\r\n2031-03-15,A,tower,,overhauled,\r\n',
    b"stock;grammage_gsm;basis_weight_lb;basis_grade\rA;90,5;;\rB;;70;text\r",
    b"tower,bins,numbered_from\nA,10,top\nB,12,\n",
]


@st.composite
def mutated(draw: st.DrawFn) -> bytes:
    """Draw a good log with bytes changed, put in or taken out, and lines doubled or swapped."""
    raw = bytearray(draw(st.sampled_from(VALID)))
    for _ in range(draw(st.integers(0, 4))):
        place = draw(st.integers(0, len(raw) - 1))
        what = draw(st.sampled_from(["flip", "put", "take", "double", "swap"]))
        byte = draw(st.sampled_from(b'",;\n\r\t 0123459-?\0\xe9ax') | st.integers(0, 255))
        if what == "flip":
            raw[place] = byte
        elif what == "put":
            raw.insert(place, byte)
        elif what == "take":
            del raw[place : place + draw(st.integers(1, 4))]
        else:
            lines = bytes(raw).split(b"\n")
            first = draw(st.integers(0, len(lines) - 1))
            second = draw(st.integers(0, len(lines) - 1))
            if what == "double":
                lines.insert(second, lines[first])
            else:
                lines[first], lines[second] = lines[second], lines[first]
            raw = bytearray(b"\n".join(lines))
        if not raw:
            raw = bytearray(b"\n")
    return bytes(raw)


def holds_its_account(raw: bytes) -> ParsedLog | None:
    """Read any bytes: a refusal with its sentence, or lines that add up."""
    try:
        parsed = read(raw)
    except NotALogError as error:
        assert str(error)
        assert "\n" not in str(error)
        return None
    accepted = {row["file_line"] for row in parsed.rows.table().to_pylist()}
    rejected = [line.line for line in parsed.rejected]
    assert parsed.lines == len(accepted) + len(rejected)
    assert len(set(rejected)) == len(rejected)
    assert not accepted & set(rejected)
    assert all(line.problems and all(p.reason for p in line.problems) for line in parsed.rejected)
    return parsed


@settings(max_examples=150, derandomize=True, deadline=None)
@given(st.binary(max_size=200) | st.text(alphabet='a1,;"\n\r\t', max_size=80).map(str.encode))
def test_any_bytes_are_refused_or_add_up(raw: bytes) -> None:
    holds_its_account(raw)
    holds_its_account(VALID[0] + raw)
    holds_its_account(b"tower\n" + raw)


@settings(max_examples=250, derandomize=True, deadline=None)
@given(mutated())
def test_a_log_with_slips_is_refused_or_adds_up(raw: bytes) -> None:
    holds_its_account(raw)


@settings(max_examples=120, derandomize=True, deadline=None)
@given(mutated(), st.integers(1, 5000))
def test_the_size_of_a_block_does_not_matter(raw: bytes, block_bytes: int) -> None:
    whole = holds_its_account(raw)
    if whole is None:
        return
    parsed = read(raw, block_bytes=block_bytes)
    assert rows(parsed) == rows(whole)
    assert list(parsed.rejected) == list(whole.rejected)
    assert parsed.lines == whole.lines


def test_a_file_of_many_blocks_is_the_same_as_of_one() -> None:
    draw = random.Random(3)
    lines = []
    for number in range(1000):
        note = draw.choice(["", "x", '"a\nb"', '"a, ""b"""', '"\r\n"'])
        bad = "many" if draw.random() < 0.02 else "100"
        lines.append(f"{number},2031-03-14T08:05,A,{draw.choice(['7', '1-3'])},{bad},0,0,{note}")
        lines += [""] * draw.randrange(2)
    raw = run_log(*lines, header=RUNS_HEADER + ",note")
    whole = read(raw)
    assert whole.lines == 1000
    for block_bytes in (300, 5000):
        parsed = read(raw, block_bytes=block_bytes)
        assert rows(parsed) == rows(whole)
        assert list(parsed.rejected) == list(whole.rejected)


@settings(max_examples=7, derandomize=True, deadline=None)
@given(st.data())
def test_what_is_stored_adds_up_and_a_second_time_changes_nothing(
    tmp_path_factory: pytest.TempPathFactory, empty_store: Path, data: st.DataObject
) -> None:
    folder = tmp_path_factory.mktemp("any") / "store"
    store = Store(Path(shutil.copytree(empty_store, folder)))
    for _ in range(2):
        raw = data.draw(mutated())
        if holds_its_account(raw) is None:
            continue
        account = store.add(read(raw))
        assert account.lines == account.added + account.corrected + account.known + account.rejected
        assert account.lines == read(raw).lines
        version, rows_stored = store.snapshot().version, everything(store)
        again = store.add(read(raw))
        assert (again.added, again.corrected) == (0, 0)
        assert again.lines == again.known + again.rejected == account.lines
        assert store.snapshot().version == version
        assert everything(store) == rows_stored
