"""Every file of the samples that is bad or odd on purpose, and files that no crew ever wrote."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import data_samples
from analysis import taking_in
from analysis.intake import read_bytes, read_log
from analysis.store import Store
from analysis.texts import NotALogError
from tests.conftest import LINE, RUNS_HEADER, problems, read, reasons, run_log, stored

SAMPLES = data_samples.folder()
Write = Callable[..., Path]


def cases(folder: str) -> list[Any]:
    expected = json.loads((SAMPLES / folder / "expected.json").read_text("utf-8"))
    return [pytest.param(SAMPLES / folder / name, e, id=name) for name, e in expected.items()]


def one_plain_sentence(text: str, *, names: str = "") -> None:
    """Check that a message names what is wrong and what to do, in words."""
    assert text == text.strip()
    assert "\n" not in text
    assert "; " in text, "no remedy"
    assert names in text
    for piece in ("Traceback", "Error", "0x", "<", "None", "b'", "pyarrow", "utf8", "codec"):
        assert piece not in text
    # Where a reason quotes a value, the full stop is put by whoever prints it.
    assert not text.endswith(".")


@pytest.mark.parametrize("folder", ["bad", "odd"])
def test_every_file_of_the_folder_is_expected(folder: str) -> None:
    expected = json.loads((SAMPLES / folder / "expected.json").read_text("utf-8"))
    assert set(expected) == {path.name for path in (SAMPLES / folder).glob("*.csv")}


def has_to_be_added(place: int, case: Any) -> bool:
    """Tell whether a bad file is tried in a store: where that decides, and each third of others."""
    path, expected = case.values
    decides = expected["refused"] or "after" in expected or path.name.startswith("same_row_")
    return decides or place % 3 == 0


ADDED = [case for place, case in enumerate(cases("bad")) if has_to_be_added(place, case)]


@pytest.mark.parametrize(
    ("path", "expected"),
    [case for place, case in enumerate(cases("bad")) if not has_to_be_added(place, case)],
)
def test_reading_a_bad_file_tells_all_its_problems(path: Path, expected: dict[str, Any]) -> None:
    parsed = read_log(path)
    assert parsed.kind.name == expected["kind"]
    assert (parsed.lines, len(parsed.rejected)) == (expected["read"], expected["rejected"])
    told = [problem for line in parsed.rejected for problem in line.problems]
    assert [{"line": p.line, "column": p.column} for p in told] == expected["problems"]
    for problem in told:
        one_plain_sentence(problem.reason, names=problem.column)


@pytest.mark.parametrize(("path", "expected"), [*ADDED, *cases("odd")])
def test_a_file_is_taken_in_as_expected(
    tmp_path: Path, store: Store, write: Write, path: Path, expected: dict[str, Any]
) -> None:
    for name in expected.get("after", []):
        store.add(read_log((path.parent / name).resolve()))
    before = store.snapshot()
    copy = write(path.read_bytes(), path.name)
    (taken,) = taking_in.add(store.folder, [copy]).files

    if expected["refused"]:
        assert taken.account is None
        one_plain_sentence(taken.error)
        # The same files in each table: not a row has come, gone or changed.
        after = store.snapshot()
        assert (after.version, after.files) == (before.version, before.files)
        assert not list(tmp_path.glob("*.rejects*"))
        return
    assert taken.error == ""
    assert taken.kind == expected["kind"]
    account = taken.account
    assert account is not None
    assert account.lines == expected["read"]
    assert account.rejected == expected["rejected"]
    assert account.lines == account.added + account.corrected + account.known + account.rejected
    found = [{"line": p.line, "column": p.column} for p in taken.problems]
    assert found == expected["problems"]
    for problem in taken.problems:
        one_plain_sentence(problem.reason, names=problem.column)
    assert account.known == expected.get("known", 0)
    assert account.rows_added == expected.get("rows", account.rows_added)
    assert bool(taken.rejects_file) == bool(expected["rejected"])
    for name, meant in expected.get("unknown_columns", {}).items():
        (warning,) = (w for w in taken.warnings if f"column {name} " in w)
        assert warning.endswith(f"did you mean {meant}?" if meant else "it is kept as it stands")
    if "encoding" in expected:
        assert read_bytes(path.read_bytes(), path.name).text.encoding == expected["encoding"]


@pytest.mark.parametrize(("path", "expected"), cases("odd"))
def test_an_odd_file_says_the_same_however_it_is_cut(path: Path, expected: dict[str, Any]) -> None:
    whole = read_log(path)
    for block_bytes in (1, 64):
        parsed = read_bytes(path.read_bytes(), path.name, block_bytes=block_bytes)
        assert sorted(map(repr, parsed.rows.table().to_pylist())) == sorted(
            map(repr, whole.rows.table().to_pylist())
        )


def test_the_bad_lines_of_a_file_can_be_mended_in_its_rejects(tmp_path: Path, write: Write) -> None:
    path = write((SAMPLES / "bad" / "cycles_fraction.csv").read_bytes(), "log.csv")
    taking_in.add(tmp_path / "store", [path])
    rejects = tmp_path / "log.rejects.csv"
    text = rejects.read_text("utf-8-sig")
    mended, changed = re.subn(r",\d+\.\d+,", ",4517,", text)
    assert changed == 1
    rejects.write_text(mended, "utf-8")
    (taken,) = taking_in.add(tmp_path / "store", [rejects]).files
    assert taken.account is not None
    assert (taken.account.added, taken.account.rejected, taken.warnings) == (1, 0, ())
    assert len(stored(Store(tmp_path / "store"))) == 3


# Files that no crew ever wrote --------------------------------------------------------------------

COMMAS = b"," * 4_000_000
PICTURE = b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR" + bytes(range(256)) * 200
WORDY = "x" * 100_000
#: Of processors, not by the clock, so that other work on the machine is no failure.
SECONDS = 2.0

REFUSED = {
    "four million commas": COMMAS,
    "a header and four million commas in one line": RUNS_HEADER.encode() + COMMAS + b"\n1",
    "four million commas between the names": RUNS_HEADER.encode().replace(b",", COMMAS[:1_000_000]),
    "a name of a hundred thousand characters": run_log(header=RUNS_HEADER + "," + WORDY),
    "a picture": PICTURE,
    "a picture behind a good header": RUNS_HEADER.encode() + b"\n" + PICTURE,
    "a header only": RUNS_HEADER.encode(),
    "a header and empty lines": RUNS_HEADER.encode() + b"\n" * 1_000_000,
    "nothing": b"",
    "zero bytes": bytes(1_000_000),
    "one line of two million letters": b"x" * 2_000_000,
    "one line of two million quotes": b'"' * 2_000_000,
    "two million line breaks": b"\n" * 2_000_000,
    "401 columns": run_log(header=RUNS_HEADER + "".join(f",c{i}" for i in range(394))),
    "four thousand columns": run_log(header=RUNS_HEADER + "".join(f",c{i}" for i in range(4000))),
    "UTF-16 cut short": b"\xff\xfe" + run_log().decode().encode("utf-16-le")[:-1],
    "a zip file": b"PK\x03\x04\x14\0\x06\0" + bytes(500),
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_file_that_is_no_log_is_refused_at_once_in_a_sentence(name: str) -> None:
    begin = time.process_time()
    with pytest.raises(NotALogError) as found:
        read(REFUSED[name])
    assert time.process_time() - begin < SECONDS
    one_plain_sentence(str(found.value))
    assert len(str(found.value)) < 400


def good_with(*lines: bytes, header: str = RUNS_HEADER) -> bytes:
    """Put lines between two good ones."""
    more = "," * (header.count(",") - RUNS_HEADER.count(","))
    first, last = (LINE.format(number) + more for number in (1, 2))
    return b"\n".join([header.encode(), first.encode(), *lines, last.encode(), b""])


GOOD = LINE.format(3).encode()
BINS = b"," + b"3 " * 50_000 + b","
NOTE = RUNS_HEADER + ",note"
REJECTED = {
    "four million commas before a value": (good_with(COMMAS + b"9"), 1),
    "four million commas behind a good line": (good_with(GOOD + COMMAS + b"9"), 1),
    "a run of a hundred thousand characters": (good_with(GOOD.replace(b"0814", WORDY.encode())), 1),
    "cycles of a hundred thousand digits": (good_with(GOOD.replace(b"4517", b"9" * 100_000)), 1),
    "a line of two million letters": (good_with(b"x" * 2_000_000), 1),
    "a quoted value of two million letters": (good_with(b'"' + b"x" * 2_000_000 + b'"'), 1),
    "a zero byte": (good_with(GOOD.replace(b"4517", b"45\x0017")), 1),
    "a thousand zero bytes": (good_with(*[b"0814,\0" * 9] * 1000), 1000),
    "a picture": (good_with(*[bytes([n]) * 7 for n in range(1, 9)]), 8),
    "an unclosed quote": (good_with(b'"' + GOOD), 1),
    "ten thousand unclosed quotes": (good_with(*[b'"' + GOOD] * 10_000), 10_000),
    "unclosed quotes in notes": (good_with(*[GOOD + b',"oops'] * 10_000, header=NOTE), 10_000),
    "the year 9999": (good_with(GOOD.replace(b"2031", b"9999")), 1),
    "the year 0000": (good_with(GOOD.replace(b"2031", b"0000")), 1),
    "a number beyond 64 bits": (good_with(GOOD.replace(b"4517", b"18446744073709551616")), 1),
    "an exponent": (good_with(GOOD.replace(b"4517", b"1e400")), 1),
    "a bin beyond 32 bits": (good_with(GOOD.replace(b",3,", b",4294967299,")), 1),
    "a bin list of fifty thousand parts": (good_with(GOOD.replace(b",3,", BINS)), 1),
}  # fmt: skip


@pytest.mark.parametrize("name", REJECTED)
def test_a_line_that_is_none_is_rejected_at_once_and_the_others_taken(
    name: str, store: Store
) -> None:
    raw, bad = REJECTED[name]
    # Behind four kilobytes a zero byte no longer makes the whole file a picture.
    padding = b"\n" * 5000
    header, rest = raw.split(b"\n", 1)
    begin = time.process_time()
    parsed = read(header + padding + b"\n" + rest)
    assert time.process_time() - begin < SECONDS
    assert len(parsed.rejected) == bad
    assert parsed.lines == bad + 2
    assert [line for line, _ in problems(parsed)][0] == 5003
    assert [line.line for line in parsed.rejected] == list(range(5003, 5003 + bad))
    for reason in set(reasons(parsed)):
        one_plain_sentence(reason)
        assert len(reason) < 400
    assert store.add(parsed).added == 2


@pytest.mark.parametrize("raw", [good_with(COMMAS), COMMAS + b"\n" + good_with()])
def test_four_million_commas_in_a_line_of_their_own_are_an_empty_line(raw: bytes) -> None:
    begin = time.process_time()
    parsed = read(raw)
    assert time.process_time() - begin < SECONDS
    assert (parsed.lines, parsed.rows.num_rows, len(parsed.rejected)) == (2, 2, 0)


def test_a_hundred_thousand_characters_are_a_note_all_the_same(store: Store) -> None:
    store.add(read(good_with(GOOD + b"," + WORDY.encode(), header=NOTE)))
    assert sorted(len(str(row["note"] or "")) for row in stored(store)) == [0, 0, 100_000]


def test_a_log_of_broken_quotes_and_line_breaks_ends(store: Store) -> None:
    begin = time.process_time()
    parsed = read(good_with(b'"' + b"\n" * 400_000))
    assert (parsed.lines, len(parsed.rejected)) == (3, 1)
    assert time.process_time() - begin < 60
