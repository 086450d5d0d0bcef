"""``feedtally sheet``: where the sheet is written, and what it says when it cannot be."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from pypdf import PdfReader

from tests.conftest import run_log

Write = Callable[..., Path]


@pytest.fixture
def folder(run, write: Write, tmp_path: Path) -> Path:
    folder = tmp_path / "store"
    assert run("add", write(run_log()), "--store", folder).code == 0
    return folder


def test_it_is_written_here_and_said_where(run, here: Path, folder: Path) -> None:
    said = run("sheet", "--tower", "A", "--store", folder)
    assert (said.code, said.err) == (0, "")
    assert said.out == "The tally sheet of tower A is in tally-A.pdf; it has 10 bins.\n"
    first = (here / "tally-A.pdf").read_bytes()
    assert first.startswith(b"%PDF-")
    assert run("sheet", "--tower", "A", "--store", folder).code == 0
    assert (here / "tally-A.pdf").read_bytes() == first
    assert [path.name for path in here.iterdir()] == ["tally-A.pdf"]


def test_it_is_written_where_it_is_told_to(run, here: Path, folder: Path) -> None:
    said = run("sheet", "--tower", "A", "--to", "x/../a.pdf", "--store", folder)
    said.refused("x/../a.pdf cannot be written")
    said = run("sheet", "--tower", "A", "--to", "a.pdf", "--bins", "1", "--store", folder, "--json")
    assert (said.code, said.err) == (0, "")
    assert said.json["file"] == "a.pdf" and said.json["bins"] == [1]
    assert said.json["sentence"].endswith("it has 1 bin.")
    assert (here / "a.pdf").exists()


def test_the_sample_store_has_it_too(run, here: Path, sample_store: Path) -> None:
    said = run("sheet", "--tower", "B", "--store", sample_store, "--json")
    assert said.json["bins"] == list(range(1, 11))


def test_a_name_without_letters_for_it_is_said(run, here: Path, write: Write, tmp_path: Path):
    store = tmp_path / "other"
    run("add", write("tower,bins\nЖ,3\n".encode(), "towers.csv"), "--store", store)
    said = run("sheet", "--tower", "Ж", "--store", store)
    assert said.code == 0 and "write that by hand" in said.out


def test_an_unknown_tower_is_told_which_are_known(run, here: Path, folder: Path) -> None:
    run("sheet", "--tower", "Z", "--store", folder).refused(
        "there is no tower Z; known are A: name one of them, or say how many bins it has"
    )
    assert list(here.iterdir()) == []


def test_a_tower_that_nothing_names_has_its_sheet_by_its_bins(
    run, here: Path, folder: Path, tmp_path: Path
) -> None:
    for store in (folder, tmp_path / "none"):
        said = run("sheet", "--tower", "Z", "--bins", "12", "--store", store, "--json")
        assert (said.code, said.json["bins"]) == (0, list(range(1, 13)))
        assert PdfReader(here / "tally-Z.pdf").get_num_pages() == 1
    assert not (tmp_path / "none").exists()


def test_another_number_of_bins_than_listed_is_refused(
    run, here: Path, folder: Path, write: Write
) -> None:
    run("add", write(b"tower,bins\nA,8\n", "towers.csv"), "--store", folder)
    run("sheet", "--tower", "A", "--bins", "9", "--store", folder).refused("has 8 bins by the")


@pytest.mark.parametrize("bins", ["0", "-1", "ten", "501", "1.5"])
def test_a_number_of_bins_that_cannot_be_is_refused(run, folder: Path, bins: str) -> None:
    run("sheet", "--tower", "A", f"--bins={bins}", "--store", folder).refused("is no number of")


def test_a_tower_has_to_be_named(run) -> None:
    run("sheet").refused("the following arguments are required: --tower")


def test_without_a_store_it_is_told_how_to_make_one(run, here: Path, tmp_path: Path) -> None:
    run("sheet", "--tower", "A", "--store", tmp_path / "none").refused(
        "so no tower is known yet; write a tower list, a CSV file with the columns tower and bins"
    )
    assert not (tmp_path / "none").exists() and list(here.iterdir()) == []


def test_what_is_no_pdf_is_not_written_over(run, here: Path, folder: Path) -> None:
    (here / "log.csv").write_bytes(run_log())
    run("sheet", "--tower", "A", "--to", "log.csv", "--store", folder).refused(
        "log.csv is there already and no PDF"
    )
    assert (here / "log.csv").read_bytes() == run_log()


@pytest.mark.parametrize("to", [".", "none/a.pdf", "a" * 300 + ".pdf", "a\0.pdf"])
def test_where_nothing_can_be_written_is_said(run, here: Path, folder: Path, to: str) -> None:
    run("sheet", "--tower", "A", "--to", to, "--store", folder).refused("cannot be written")


def test_a_folder_without_rights_is_said(
    run, here: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Refused here and not by the folder's rights: those bind nobody who runs the tests as root.
    def refuse(self: Path, content: bytes) -> int:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "write_bytes", refuse)
    run("sheet", "--tower", "A", "--store", folder).refused("cannot be written")
    assert not list(here.glob("*.pdf"))
