"""The tally sheet: the same bytes each time, size A5, every bin from the top down, all in words."""

from __future__ import annotations

import io
import re
from itertools import pairwise
from pathlib import Path

import pytest
from pypdf import PdfReader

from analysis import taking_in
from analysis.counts import LogScan
from analysis.store import Store
from analysis.taking_in import Upload
from dashboard.reports import sheet
from dashboard.reports.sheet import TallySheet, pdf, sheet_of
from tests.conftest import LINE, RUNS_HEADER, run_log

#: Millimetres to points.
MM = 72 / 25.4


def of(bins: int, *, bottom_up: bool = False, tower: str = "B", **more: object) -> TallySheet:
    numbers = tuple(range(1, bins + 1))
    numbers = numbers[::-1] if bottom_up else numbers
    return TallySheet(tower, "", numbers, **more)  # type: ignore[arg-type]


def texts(content: bytes) -> list[str]:
    return [page.extract_text() for page in PdfReader(io.BytesIO(content)).pages]


def bins(content: bytes) -> list[int]:
    """Return the numbers of the bins in the order that they stand on the paper."""
    found: list[tuple[int, float, int]] = []
    for number, page in enumerate(PdfReader(io.BytesIO(content)).pages):

        def see(text: str, _: object, at: list[float], __: object, size: float) -> None:
            if text.strip().isdecimal() and size == 13:
                found.append((number, -at[5], int(text)))  # noqa: B023

        page.extract_text(visitor_text=see)
    return [bin_ for _, _, bin_ in sorted(found)]


def scan_of(store: Store, *files: bytes) -> LogScan:
    taken = taking_in.add(store.folder, [Upload(f"{i}.csv", f) for i, f in enumerate(files)])
    assert not any(t.error or (t.account and t.account.rejected) for t in taken.files)
    return LogScan(store.snapshot())


def test_it_is_the_same_each_time() -> None:
    assert pdf(of(10)) == pdf(of(10))


@pytest.mark.parametrize(
    ("count", "pages"), [(1, 1), (10, 1), (12, 1), (13, 2), (20, 2), (30, 2), (60, 4)]
)
@pytest.mark.parametrize("bottom_up", [False, True])
def test_every_bin_stands_in_its_place_on_sheets_of_a5(
    count: int, pages: int, bottom_up: bool
) -> None:
    made = of(count, bottom_up=bottom_up)
    content = pdf(made)
    assert bins(content) == list(made.bins)
    read = PdfReader(io.BytesIO(content)).pages
    assert len(read) == pages
    for page in read:
        assert [round(float(side) / MM) for side in page.mediabox[2:]] == [148, 210]


def test_rows_are_high_enough_to_write_in_and_pages_are_about_as_full() -> None:
    def steps(content: bytes) -> list[list[float]]:
        found = []
        for page in PdfReader(io.BytesIO(content)).pages:
            heights: list[float] = []
            page.extract_text(
                visitor_text=lambda t, c, at, f, size: (
                    heights.append(at[5]) if t.strip().isdecimal() and size == 13 else None  # noqa: B023
                )
            )
            found.append([high - low for high, low in pairwise(heights)])
        return found

    (ten,), (twelve,) = steps(pdf(of(10))), steps(pdf(of(12)))
    assert ten == pytest.approx([20.0] * 9)
    assert len(twelve) == 11 and min(twelve) >= 6 * MM
    first, second = steps(pdf(of(13)))
    assert (len(first), len(second)) == (6, 5)


def test_it_asks_for_all_that_is_logged_of_a_run() -> None:
    (text,) = texts(pdf(of(10)))
    for field in (
        "Tower B|run|stretch|job|operator|started|ended|production|burn-in|set-up|trial|humidity|"
        "temperature|fanned|blown|stock|lot|counter at end|foot rest|bleed holes|speed|cycles|"
        "misses|doubles|stops|jams|refills|sets spoiled|sets mended|note|I changed something"
    ).split("|"):
        assert field in text, field


def test_it_says_what_to_count_on_its_last_page_and_warns() -> None:
    for count in (10, 25):
        last = " ".join(texts(pdf(of(count)))[-1].split())
        for word, told in sheet.WHAT_TO_COUNT:
            assert f"{word} {told}" in last
        assert sheet.CAUTION in last


def test_a_second_page_says_whose_it_is() -> None:
    first, second = texts(pdf(of(20)))
    assert "tally sheet 1 of 2" in first and "tally sheet 2 of 2" in second
    assert "Tower B" in second and "run" in second


@pytest.mark.parametrize("settings", [0, 10, 20])
def test_nothing_runs_off_the_paper(settings: int) -> None:
    names = tuple(f"set_own{i}" for i in range(settings))
    made = [PdfReader(io.BytesIO(pdf(of(count, settings=names)))) for count in range(1, 47)]
    pages = [len(one.pages) for one in made]
    for count, this in enumerate(made[:44], 1):
        # The fullest two of each number of pages, and some others: to read them takes longest.
        if pages[count - 1] == pages[count + 1] and count % 6:
            continue
        for page in this.pages:
            heights: list[float] = []
            page.extract_text(
                visitor_text=lambda t, c, at, f, s: heights.append(at[5]) if t.strip() else None  # noqa: B023
            )
            assert min(heights) >= 20, (count, settings)


def test_what_cannot_be_written_is_left_to_the_hand() -> None:
    assert sheet.can_write("Straße Łódź 7") and not sheet.can_write("Ж")
    assert "?" not in texts(pdf(of(1, tower="Ж")))[0]


def test_a_long_name_stays_on_the_paper() -> None:
    made = TallySheet("W" * 64, "Site " * 40, (1,))
    width = max(
        float(at) for page in PdfReader(io.BytesIO(pdf(made))).pages for at in [page.mediabox[2]]
    )
    assert width == pytest.approx(148 * MM, abs=1)
    assert "W" * 64 in texts(pdf(made))[0]


def test_the_type_is_in_the_file_and_its_licence_beside_it() -> None:
    fonts = PdfReader(io.BytesIO(pdf(of(1)))).pages[0]["/Resources"]["/Font"]  # type: ignore[index]
    embedded = [
        font.get_object()["/FontDescriptor"]["/FontFile2"]
        for font in fonts.values()
        if "/FontDescriptor" in font.get_object()
    ]
    assert len(embedded) == 2
    licence = (Path(sheet.__file__).parents[1] / "assets/fonts/public-sans-licence.txt").read_text()
    assert "SIL OPEN FONT LICENSE" in licence.upper()
    assert "The Public Sans Project Authors" in licence


@pytest.mark.parametrize(
    ("tower", "name"),
    [
        ("B", "tally-B.pdf"),
        ("Line 2/B", "tally-Line-2-B.pdf"),
        ("../../etc", "tally-etc.pdf"),
        ("C:\\x", "tally-C-x.pdf"),
        ("a\0b", "tally-a-b.pdf"),
        ("..", "tally-tower.pdf"),
        ("Süd", "tally-Süd.pdf"),
    ],
)
def test_its_name_is_one_that_any_system_takes(tower: str, name: str) -> None:
    assert sheet.file_name(tower) == name
    assert re.fullmatch(r"tally-[\w.-]+\.pdf", name)
    assert len(sheet.file_name("🙂ß漢" * 64).encode()) < 255


class TestWhatItIsMadeFor:
    def test_the_tower_list_says_which_bins_there_are_and_from_where(self, store: Store) -> None:
        scan = scan_of(store, b"tower,bins,numbered_from,site\nA,12,bottom,Works\nB,8,top,\nC,,,\n")
        assert sheet_of(scan, "A").bins == tuple(range(12, 0, -1))
        assert sheet_of(scan, "A").site == "Works"
        assert sheet_of(scan, "B").bins == tuple(range(1, 9))
        assert sheet_of(scan, "C").bins == tuple(range(1, 11))
        assert sheet_of(scan, "C", 6).bins == tuple(range(1, 7))
        assert sheet_of(scan, "B", 8).bins == tuple(range(1, 9))
        with pytest.raises(sheet.BinsError, match="tower B has 8 bins by the tower list"):
            sheet_of(scan, "B", 9)

    def test_a_tower_of_the_run_log_alone_has_ten_or_as_many_as_ran(self, store: Store) -> None:
        assert len(sheet_of(scan_of(store, run_log()), "A").bins) == 10
        more = run_log(LINE.format(14).replace("0814", "0815"), "0816,2031-03-15T08:05,A,?,,1,0")
        assert len(sheet_of(scan_of(store, more), "A").bins) == 14

    def test_settings_of_the_sites_own_come_last(self, store: Store) -> None:
        raw = run_log(LINE.format(1) + ",5,x", header=RUNS_HEADER + ",set_brush,moon")
        assert sheet_of(scan_of(store, raw), "A").settings == (*sheet.SETTINGS, "set_brush")

    def test_an_unknown_tower_is_told_which_are_known(self, store: Store) -> None:
        scan = scan_of(store, run_log(), b"tower,bins\nC,8\n")
        with pytest.raises(sheet.UnknownTowerError, match="no tower Z; known are A, C"):
            sheet_of(scan, "Z")

    def test_without_any_it_is_told_how_to_name_one(self, store: Store) -> None:
        with pytest.raises(sheet.UnknownTowerError, match="add a tower list first"):
            sheet_of(LogScan(store.snapshot()), "A")
