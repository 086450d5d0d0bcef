"""``feedtally history``, ``undo``, ``store check``, ``store backup``; the site file at intake."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from analysis.store import Store
from tests.conftest import LINE, run_log, stored

Write = Callable[..., Path]
MENDED = "0814,2031-03-14T08:05,A,2,4517,5,0"


@pytest.fixture
def folder(run, write: Write, tmp_path: Path) -> Path:
    """Return a store of two intakes, the second a correction."""
    place = tmp_path / "store"
    run("add", write(run_log(), "monday.csv"), "--store", place)
    run("add", write(run_log(MENDED), "mended.csv"), "--store", place)
    return place


class TestHistory:
    def test_every_version_of_a_run_is_shown(self, run, folder: Path) -> None:
        said = run("history", "--tower", "A", "--run", "0814", "--store", folder)
        assert (said.code, said.err) == (0, "")
        lines = said.out.splitlines()
        assert lines[0] == (
            "Run 0814 of tower A: 3 rows and 1 change since, from monday.csv and mended.csv."
        )
        (mended,) = [line for line in lines if "corrected" in line]
        assert mended.split()[-4:] == ["misses", "1", "to", "5"]
        assert "mended.csv, line 2" in mended

    def test_a_fault_without_a_bin_has_no_cycles_that_could_be_off(
        self, run, write: Write, tmp_path: Path
    ) -> None:
        place = tmp_path / "store"
        line = "0815,2031-03-14T10:05,A,?,,off,1"
        run("add", write(run_log(line), "unplaced.csv"), "--store", place)
        said = run("history", "--tower", "A", "--run", "0815", "--store", place)
        (added,) = [line for line in said.out.splitlines() if "added" in line]
        assert added.split()[5:8] == ["added", "off", "1"]

    def test_its_json_names_intake_file_line_and_values(self, run, folder: Path) -> None:
        said = run("history", "--tower", "A", "--run", "0814", "--store", folder, "--json")
        answer = said.json
        assert answer["account"]["rows"] == 3
        row = answer["rows"][1]
        assert (row["stretch"], row["bin"]) == (1, 2)
        assert [(c["intake"], c["what"], c["file"], c["line"]) for c in row["changes"]] == [
            (1, "added", "monday.csv", 3),
            (2, "corrected", "mended.csv", 2),
        ]
        assert row["changes"][1]["changed"] == {"misses": ["1", "5"]}

    def test_without_a_run_all_intakes_are_shown(self, run, folder: Path) -> None:
        run("undo", 2, "--store", folder)
        said = run("history", "--store", folder)
        assert said.out.splitlines()[0] == "3 intakes, the last one the undo of intake 2."
        assert "intake 2 taken back" in said.out
        assert "1 row out, 1 again" in said.out
        assert "taken back by 3" in said.out
        answer = run("history", "--store", folder, "--json").json
        assert [e["intake"] for e in answer["intakes"]] == [3, 2, 1]

    def test_a_run_needs_its_tower(self, run, folder: Path) -> None:
        run("history", "--run", "0814", "--store", folder).refused("give both --tower and --run")

    def test_as_of_a_day_before_there_is_nothing(self, run, folder: Path) -> None:
        said = run("history", "--store", folder, "--as-of", "2020-01-01", "--json")
        assert said.json["intakes"] == []
        assert said.json["sentence"] == ("As the log stood on 2020-01-01: Nothing was taken in.")


class TestUndo:
    def test_an_intake_is_taken_back_and_brought_again(self, run, folder: Path) -> None:
        said = run("undo", 2, "--store", folder)
        assert (said.code, said.err) == (0, "")
        assert said.out == (
            "Intake 2 (mended.csv) is taken back: 1 row taken out, 1 row that stood before it "
            "stands again. Nothing is lost: feedtally undo 3 brings it back.\n"
        )
        answer = run("undo", 3, "--store", folder, "--json").json
        assert (answer["taken_out"], answer["reinstated"]) == (1, 1)
        assert answer["account"]["rows"] == 3
        assert {r["bin"]: r["misses"] for r in stored(Store(folder))} == {1: 1, 2: 5, 3: 1}

    @pytest.mark.parametrize("number", ["x", "-1", "1.5", "9" * 20])
    def test_what_is_no_number_is_refused(self, run, folder: Path, number: str) -> None:
        said = run("undo", "--store", folder, "--", number)
        said.refused("is no number of an intake; see feedtally history")

    def test_an_intake_that_is_not_there_is_refused(self, run, folder: Path) -> None:
        run("undo", 9, "--store", folder).refused("there is no intake 9; the last one is 2")


class TestStore:
    def test_a_sound_store_is_whole(self, run, folder: Path) -> None:
        said = run("store", "check", "--store", folder)
        assert (said.code, said.err) == (0, "")
        assert said.out.startswith("The store is whole: 3 rows and 1 that were replaced")
        assert run("store", "check", "--store", folder, "--json").json["sound"]

    def test_a_damaged_file_is_named_and_set_aside(self, run, folder: Path) -> None:
        for victim in (folder / "runs").glob("*.parquet"):
            victim.write_bytes(b"x")
        refused = run("rates", "--store", folder)
        refused.refused("feedtally store check says what is lost", code=1)
        said = run("store", "check", "--store", folder)
        assert said.code == 1
        assert "its checksum is another." in said.out
        assert "feedtally store check --set-aside" in said.out
        assert "of intake 1 (monday.csv): add the file again to restore them." in said.out
        answer = run("store", "check", "--set-aside", "--store", folder, "--json")
        assert (answer.code, answer.json["set_aside"]) == (1, True)
        assert run("store", "check", "--store", folder).code == 0

    def test_a_copy_is_a_store(self, run, folder: Path, tmp_path: Path) -> None:
        said = run("store", "backup", tmp_path / "copy", "--store", folder)
        assert said.code == 0
        assert said.out.startswith(f"The copy is in {tmp_path / 'copy'}; it is used with --store")
        assert len(stored(Store(tmp_path / "copy"))) == 3
        again = run("store", "backup", tmp_path / "copy", "--store", folder)
        again.refused("is there already; name a new folder for the copy")

    def test_without_an_action_the_command_says_which_there_are(self, run, folder: Path) -> None:
        run("store", "--store", folder).refused("--help")


class TestSiteFile:
    SITE = (
        'zone = "Europe/Vienna"\ndate_form = "D.M.Y"\n'
        '[headers]\nAuftrag = "run"\nZyklen = "cycles"\n'
    )
    LOG = "Auftrag;started;tower;bin;Zyklen;misses;doubles\n0814;14.3.2031 8:05;A;1;4517;1;0\n"

    def test_a_log_with_the_sites_own_headers_and_dates_is_taken(
        self, run, write: Write, tmp_path: Path
    ) -> None:
        place = tmp_path / "store"
        place.mkdir()
        (place / "site.toml").write_text(self.SITE)
        said = run("add", write(self.LOG), "--store", place, "--json")
        assert said.code == 0
        assert said.json["zone"] == "Europe/Vienna"
        (row,) = stored(Store(place))
        assert (row["run"], row["cycles"]) == ("0814", 4517)
        assert f"{row['started']:%Y-%m-%dT%H:%M}" == "2031-03-14T08:05"
        answer = run("history", "--store", place, "--json").json
        assert answer["intakes"][0]["zone"] == "Europe/Vienna"

    def test_its_rejects_keep_the_sites_own_headers_and_are_taken_when_mended(
        self, run, write: Write, tmp_path: Path
    ) -> None:
        place = tmp_path / "store"
        place.mkdir()
        (place / "site.toml").write_text(self.SITE)
        said = run("add", write(self.LOG.replace("4517", "many")), "--store", place)
        assert said.code == 1
        rejects = tmp_path / "log.rejects.csv"
        text = rejects.read_text("utf-8-sig")
        assert text.splitlines()[0].startswith("line;column;reason;auftrag;started")
        rejects.write_text(text.replace("many;", "4517;", 2), "utf-8")
        assert run("add", rejects, "--store", place).code == 0
        assert len(stored(Store(place))) == 1

    def test_a_wrong_site_file_stops_everything_with_a_sentence(
        self, run, write: Write, tmp_path: Path
    ) -> None:
        place = tmp_path / "store"
        place.mkdir()
        (place / "site.toml").write_text('zone = "Europe/Vyenna"\n')
        said = run("add", write(run_log()), "--store", place)
        said.refused("did you mean Europe/Vienna?")
        assert not (place / "store.json").exists()


def test_paper_by_the_pound_is_kept_in_both_and_what_disagrees_is_rejected(
    run, write: Write, tmp_path: Path
) -> None:
    log = (
        "stock,grammage_gsm,basis_weight_lb,basis_grade\n"
        "B,,80,text\nC,216,80,cover\nD,90,,\nE,90,80,cover\nF,,80,\n"
    )
    said = run("add", write(log), "--store", tmp_path / "store", "--json")
    assert [(p["line"], p["column"]) for p in said.json["files"][0]["problems"]] == [
        (5, "grammage_gsm"),
        (6, "basis_grade"),
    ]
    assert said.json["files"][0]["problems"][0]["reason"] == (
        "grammage_gsm is 90 but 80 lb cover is 216; correct whichever is wrong, or leave one out"
    )
    found = {r["stock"]: r for r in stored(Store(tmp_path / "store"), "stocks")}
    # 80 lb text is 118 g/m2 (the factor of 1.480 that handbooks print).
    assert found["B"]["grammage_gsm"] == pytest.approx(80 * 1.480, abs=0.05)
    assert (found["B"]["basis_weight_lb"], found["B"]["basis_grade"]) == (80, "text")
    assert (found["C"]["grammage_gsm"], found["D"]["grammage_gsm"]) == (216, 90)


def test_add_says_its_number_and_a_bar_is_for_terminals_only(
    run, write: Write, tmp_path: Path
) -> None:
    said = run("add", write(run_log(LINE.format(7))), "--store", tmp_path / "store")
    assert said.out.splitlines()[0].endswith("This is intake 1.")
    assert said.err == ""
