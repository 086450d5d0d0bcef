"""The log page: what is found in files, what is taken in and when, and what is refused."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from analysis import taking_in
from analysis.headers import REJECT_COLUMNS
from analysis.snapshot import StoreError
from analysis.store import Store
from analysis.taking_in import Upload
from dashboard import app as shell
from dashboard import server
from dashboard.data import Data
from dashboard.pages import log
from dashboard.pages import log_files as page
from dashboard.waiting import MOST_AT_ONCE, MOST_FILES, MOST_OF_A_FILE, SHOWN, Batch, Stood, Waiting
from tests.conftest import LINE, RUNS_HEADER, everything, run_log, stored
from tests.dashboard.test_server import PORT, ask

OWN = dict([page.HEADER])
TOWERS = b"tower,bins\nA,10\n"
BAD = run_log(LINE.format(4), "0814,03/04/2031,A,5,4517,1,0", LINE.format(6) + ",", LINE.format(77))
NAMES = ["../../x.csv", "C:\\x.csv", "/etc/x.csv", "x\0y.csv", "..", "", "<b>x</b>.csv", "é" * 300]


@dataclass
class Clock:
    now: float = 0.0

    def __call__(self) -> float:
        return self.now


@dataclass
class Served:
    """The pages of a store of its own, and a client that asks them."""

    folder: Path
    client: FlaskClient

    def check(self, *files: tuple[str, bytes], headers: dict[str, str] = OWN) -> object:
        # By hand: the client's own way leaves files of its own open.
        parts = (
            b'--x\r\nContent-Disposition: form-data; name="files"; filename="%s"\r\n'
            b"Content-Type: text/csv\r\n\r\n%s\r\n" % (name.encode(), raw)
            for name, raw in files
        )
        return self.client.post(
            page.CHECK,
            data=b"".join(parts) + b"--x--\r\n",
            content_type="multipart/form-data; boundary=x",
            headers=headers,
        )

    def token(self, *files: tuple[str, bytes]) -> str:
        answer = self.check(*files)
        assert answer.status_code == 200, answer.data
        return answer.json["files"]

    def press(self, button: str, token: str) -> dict[str, object]:
        """Press a button as a browser does."""
        outputs = {
            "log-take": [("log-top", "children"), ("log-said", "children")],
            "log-put-away": [("url", "search")],
        }[button]
        found = self.client.get("/_dash-dependencies").json
        (told,) = [d for d in found if d["inputs"] == [{"id": button, "property": "n_clicks"}]]
        names = [told["output"].strip(".").split("...")] if "..." in told["output"] else [[]]
        specified = [
            {"id": i, "property": name.rsplit(".", 1)[1]}
            for (i, _), name in zip(outputs, names[0] or [told["output"]], strict=True)
        ]
        state = [{"id": "log-token", "property": "data", "value": token}]
        if button == "log-put-away":
            state.append({"id": "url", "property": "search", "value": f"?tower=B&files={token}"})
        answer = self.client.post(
            "/_dash-update-component",
            json={
                "output": told["output"],
                "outputs": specified if len(specified) > 1 else specified[0],
                "inputs": [{"id": button, "property": "n_clicks", "value": 1}],
                "changedPropIds": [f"{button}.n_clicks"],
                "state": state,
            },
        )
        assert answer.status_code == 200
        response: dict[str, object] = json.loads(answer.data)["response"]
        return response


@pytest.fixture
def served(store: Store) -> Iterator[Served]:
    app = shell.create_app(Data(store.folder))
    with app.server.test_client() as client:
        yield Served(store.folder, client)


def waiting(folder: Path, **options: object) -> Waiting:
    return Waiting(folder, **options)  # type: ignore[arg-type]


def checked(folder: Path, *files: tuple[str, bytes]) -> Batch:
    held = waiting(folder)
    batch = held.get(held.check(lambda: [Upload(name, raw) for name, raw in files]))
    assert batch is not None
    return batch


def said(batch: Batch | None, token: str = "token") -> str:
    return shown(page.top(token, batch)[0])


def shown(component: object) -> str:
    """Return all that a part of a page says, as one text."""
    if isinstance(component, str):
        return component
    if isinstance(component, list):
        return "".join(map(shown, component))
    if isinstance(component, dict):
        return shown(component.get("props", {}).get("children"))
    return shown(component.to_plotly_json()) if hasattr(component, "to_plotly_json") else ""


def ids(component: object) -> set[str]:
    text = json.dumps(component, default=lambda c: c.to_plotly_json())
    return {part.split('"')[0] for part in text.split('"id": "')[1:]}


class TestThePage:
    def test_its_first_line_says_how_to_get_counts_in(self, sample_data: Data) -> None:
        name, part, _ = shell.page_at(sample_data, "/log", "?tower=B")
        text = shown(part)
        assert name == "Log"
        assert text.startswith("Count a run as it goes, or drop the log of one that is over.")
        assert str(sample_data.folder) in text and "feedtally add FILE --store" in text
        for word, told in log.sheet.WHAT_TO_COUNT:
            assert f"{word} {told}" in text

    def test_each_tower_has_its_sheet(self, sample_data: Data) -> None:
        text = json.dumps(log.layout(sample_data), default=lambda c: c.to_plotly_json())
        assert [f"/log/sheet.pdf?tower={t}" in text for t in "ABCD"] == [True, True, True, False]

    def test_an_empty_store_has_no_sheets_and_takes_files(self, empty_data: Data) -> None:
        text = shown(log.layout(empty_data))
        assert "each tower has its sheet here" in text and "Choose files" in text

    def test_it_shows_no_filter_but_carries_it_along(self) -> None:
        assert not shell.filtered("/log")
        assert shell.filtered("/") and shell.filtered("/nowhere")
        links = {link.children: link.href for link in shell.navigation("/log", "?tower=B&files=x")}
        assert links["Overview"] == "/?tower=B" and links["Log"] == "/log?tower=B"


class TestWhatIsFound:
    def test_nothing_is_taken_by_a_check(self, store: Store) -> None:
        before = store.snapshot().version, everything(store)
        batch = checked(store.folder, ("towers.csv", TOWERS), ("log.csv", BAD))
        assert (store.snapshot().version, everything(store)) == before
        assert not (store.folder / "rejects").exists()
        assert not batch.stored and batch.to_take == 3

    def test_the_account_adds_up_and_each_problem_has_its_line(self, store: Store) -> None:
        text = said(checked(store.folder, ("towers.csv", TOWERS), ("log.csv", BAD)))
        assert text.startswith("3 lines can be taken in, 2 lines to mend.")
        assert "4 lines read = 2 to add + 0 to correct + 0 already known + 2 to mend." in text
        assert "line 3started is 03/04/2031, which is ambiguous" in text
        # The tower list that came along is taken first.
        assert "line 5bin: tower A has 10 bins by the tower list" in text

    def test_what_will_not_do_is_marked_where_it_stands(self, store: Store) -> None:
        (one,) = checked(store.folder, ("log.csv", BAD)).shown
        assert one.lines == {
            3: Stood(("0814", "03/04/2031", "A", "5", "4517", "1", "0"), ",", frozenset({1}))
        }
        part = page._stood(one.lines[3])
        assert "0814,03/04/2031,A,5,4517,1,0" in shown(part)
        assert [c.children for c in part.children if not isinstance(c, str)] == ["03/04/2031"]

    def test_a_line_that_is_none_is_shown_whole(self, store: Store) -> None:
        raw = run_log(LINE.format(1), "too,few", LINE.format(2) + ",1,2,3")
        (one,) = checked(store.folder, ("log.csv", raw)).shown
        assert one.lines[3].cells == ("too", "few") and not one.lines[3].wrong
        assert one.lines[4].cells[-3:] == ("1", "2", "3")

    def test_lines_of_a_rejects_file_are_shown_as_they_stand_in_it(self, store: Store) -> None:
        header = ",".join(REJECT_COLUMNS) + "," + RUNS_HEADER
        raw = run_log("3,started,why," + LINE.format(2).replace("4517", "x"), header=header)
        (one,) = checked(store.folder, ("log.rejects.csv", raw)).shown
        assert one.lines[2].cells[one.lines[2].wrong.__iter__().__next__()] == "x"

    def test_an_empty_cell_can_be_seen(self, store: Store) -> None:
        raw = run_log("0814,2031-03-14T08:05,A,1,4517,,0")
        assert "4517,\u00a0\u00a0\u00a0\u00a0,0" in said(checked(store.folder, ("log.csv", raw)))

    def test_long_cells_and_long_lines_are_cut(self, store: Store) -> None:
        header = RUNS_HEADER + "".join(f",x{i}" for i in range(100))
        line = "0814,2031-03-14T08:05,A,1,x,0,0" + f",{'y' * 500}" * 100
        batch = checked(store.folder, ("log.csv", run_log(line, header=header)))
        assert len(said(batch)) < 20_000

    def test_the_first_problems_are_shown_and_the_others_counted(self, store: Store) -> None:
        raw = run_log(*(LINE.format("x") for _ in range(SHOWN + 7)))
        batch = checked(store.folder, ("log.csv", raw))
        assert len(batch.shown[0].taken.problems) == SHOWN
        text = said(batch)
        assert f"line {SHOWN + 1}bin is x" in text
        assert f"line {SHOWN + 2}bin is x" not in text
        assert "And 7 more problems, not shown here." in text

    def test_a_refused_file_says_why_and_the_others_go_on(self, store: Store) -> None:
        batch = checked(store.folder, ("a.csv", b"\xff\xd8\xff\0\0"), ("log.csv", run_log()))
        text = said(batch)
        assert text.startswith("3 lines can be taken in, 1 file refused.")
        assert "The file is not text; save the log as CSV" in text
        alone = checked(store.folder, ("a.csv", b"\xff\xd8\xff\0\0"))
        assert said(alone).startswith("Nothing can be taken from this file.")
        assert "log-take" not in ids(page.top("t", alone)[0])

    def test_a_file_that_is_known_has_nothing_to_take(self, store: Store) -> None:
        taking_in.add(store.folder, [Upload("log.csv", run_log())])
        batch = checked(store.folder, ("again.csv", run_log()))
        text = said(batch)
        assert text.startswith("Every line is already known; there is nothing to take in.")
        assert "0 to add + 0 to correct + 3 already known + 0 to mend" in text
        assert "log-take" not in ids(page.top("t", batch)[0])

    def test_one_file_twice_at_once_is_known_the_second_time(self, store: Store) -> None:
        text = said(checked(store.folder, ("a.csv", run_log()), ("b.csv", run_log())))
        assert "0 to add + 0 to correct + 3 already known" in text
        # Chosen twice under one name, it is one file.
        assert len(checked(store.folder, ("a.csv", run_log()), ("a.csv", run_log())).shown) == 1

    def test_a_line_for_several_bins_is_told_in_rows(self, store: Store) -> None:
        raw = run_log("0814,2031-03-14T08:05,A,1-6 8,4517,0,0")
        text = said(checked(store.folder, ("log.csv", raw)))
        assert "1 line read = 1 to add" in text and "; 7 rows, since" in text
        assert text.startswith("1 line can be taken in, all good.")

    def test_files_that_are_gone_are_said_to_be(self) -> None:
        assert said(None).startswith("These files are no longer waiting here.")

    @pytest.mark.parametrize("name", NAMES)
    def test_a_name_is_a_label(self, store: Store, name: str) -> None:
        held = waiting(store.folder)
        around = sorted(store.folder.parent.rglob("*"))
        token = held.check(lambda: [Upload(name, BAD)])
        assert sorted(store.folder.parent.rglob("*")) == around
        batch = held.take(token)
        assert batch is not None
        (one,) = batch.shown
        assert "/" not in one.taken.file and "\\" not in one.taken.file
        assert Path(one.taken.rejects_file or "").parent == store.folder / "rejects"
        new = {p for p in store.folder.parent.rglob("*") if p not in around}
        assert {p.relative_to(store.folder).parts[0] for p in new} <= {
            "rejects",
            "runs",
            "intakes",
            ".lock",
            "SHA256SUMS",
            "kept",
        }


class TestTakingIn:
    def test_what_is_good_is_taken_and_the_rest_is_handed_back(self, served: Served) -> None:
        token = served.token(("../../tuesday.csv", BAD))
        assert served.client.get(f"{page.REJECTS}/{token}/0").status_code == 404
        told = served.press("log-take", token)
        text = shown(told["log-top"]["children"])  # type: ignore[index]
        assert text.startswith("3 lines are taken in; 1 line to mend.")
        assert "4 lines read = 3 added + 0 corrected + 0 already known + 1 to mend." in text
        assert len(stored(Store(served.folder))) == 3
        answer = served.client.get(f"{page.REJECTS}/{token}/0")
        assert "filename=tuesday.rejects.csv" in answer.headers["Content-Disposition"]
        assert answer.data == (served.folder / "rejects" / "upload.rejects.csv").read_bytes()
        (line,) = csv.DictReader(io.StringIO(answer.data.decode("utf-8-sig")))
        assert (line["line"], line["column"], line["started"]) == ("3", "started", "03/04/2031")

    def test_pressed_again_it_takes_nothing_again(self, served: Served) -> None:
        token = served.token(("log.csv", run_log()))
        first = served.press("log-take", token)
        version = Store(served.folder).snapshot().version
        assert served.press("log-take", token) == first
        assert Store(served.folder).snapshot().version == version

    def test_put_away_it_is_gone_and_the_rest_of_the_address_stays(self, served: Served) -> None:
        token = served.token(("log.csv", run_log()))
        assert served.press("log-put-away", token)["url"] == {"search": "?tower=B"}
        text = shown(served.press("log-take", token)["log-top"]["children"])  # type: ignore[index]
        assert text.startswith("These files are no longer waiting here.")
        assert stored(Store(served.folder)) == []

    def test_a_store_that_cannot_be_written_keeps_the_files_waiting(
        self, served: Served, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        token = served.token(("log.csv", run_log()))

        def fail(*_: object) -> object:
            raise StoreError("the disk is full; free some room")

        with monkeypatch.context() as patch:
            patch.setattr(taking_in, "add", fail)
            part = served.press("log-take", token)["log-top"]["children"]  # type: ignore[index]
        assert "The disk is full; free some room." in shown(part)
        served.press("log-take", token)
        assert len(stored(Store(served.folder))) == 3

    @pytest.mark.parametrize(
        "at", ["nobody/0", "../0", "%2e%2e%2fstore.json/0", "..%2f..%2fstore.json/0"]
    )
    def test_a_token_is_no_path(self, served: Served, at: str) -> None:
        answer = served.client.get(f"{page.REJECTS}/{at}")
        assert answer.status_code == 404 or b"feedtally" in answer.data
        assert b"format" not in answer.data.split(b"<footer>")[0][:60]

    def test_a_number_beyond_the_files_is_refused(self, served: Served) -> None:
        token = served.token(("log.csv", BAD))
        served.press("log-take", token)
        assert served.client.get(f"{page.REJECTS}/{token}/1").status_code == 404
        (served.folder / "rejects" / "upload.rejects.csv").unlink()
        assert served.client.get(f"{page.REJECTS}/{token}/0").status_code == 404


class TestWhatWaits:
    def test_not_forever(self, store: Store) -> None:
        clock = Clock()
        held = waiting(store.folder, seconds=60, clock=clock)
        token = held.check(lambda: [Upload("log.csv", run_log())])
        clock.now = 59
        assert held.get(token) is not None
        clock.now = 61
        assert held.get(token) is None and held.take(token) is None
        assert stored(store) == []

    def test_not_too_many(self, store: Store) -> None:
        held = waiting(store.folder, most=2)
        tokens = [held.check(lambda: [Upload("log.csv", run_log())]) for _ in range(3)]
        assert len(set(tokens)) == 3
        assert [held.get(t) is not None for t in tokens] == [False, True, True]

    def test_not_too_large_together(self, store: Store) -> None:
        held = waiting(store.folder, most_bytes=3 * len(run_log()))
        tokens = [held.check(lambda: [Upload("log.csv", run_log())]) for _ in range(4)]
        assert [held.get(t) is not None for t in tokens] == [False, True, True, True]
        # Once taken in, a file is no longer held.
        batch = held.take(tokens[-1])
        assert batch is not None and batch.size == 0

    def test_tokens_cannot_be_guessed(self, store: Store) -> None:
        assert len(waiting(store.folder).check(lambda: [Upload("log.csv", run_log())])) >= 20


class TestWhatIsRefused:
    def test_a_form_on_a_page_from_elsewhere(self, served: Served) -> None:
        for headers in ({}, {page.HEADER[0]: "other"}):
            answer = served.check(("log.csv", run_log()), headers=headers)
            assert (answer.status_code, answer.mimetype) == (403, "text/plain")

    def test_a_script_on_a_page_from_elsewhere(self, sample_data: Data) -> None:
        status = ask(
            server.build_wsgi(sample_data, PORT),
            REQUEST_METHOD="POST",
            PATH_INFO=page.CHECK,
            HTTP_ORIGIN="http://evil.example",
            HTTP_X_FEEDTALLY="log",
        )[0]
        assert status.startswith("403")

    def test_nothing(self, served: Served) -> None:
        answer = served.client.post(page.CHECK, data={"files": "text"}, headers=OWN)
        assert answer.status_code == 400 and b"choose one or more" in answer.data
        assert served.client.get(page.CHECK).status_code != 500

    def test_a_file_that_is_too_large(self, served: Served) -> None:
        # Blank lines as long as they may be: a file of a million of them takes seconds to read.
        left = MOST_OF_A_FILE - len(run_log())
        most = run_log() + (b" " * 9999 + b"\n") * (left // 10_000) + b"\n" * (left % 10_000)
        assert len(most) == MOST_OF_A_FILE
        assert served.check(("log.csv", most)).status_code == 200
        answer = served.check(("log.csv", most + b"\n"))
        assert (answer.status_code, answer.mimetype) == (413, "text/plain")
        assert b"feedtally add FILE" in answer.data

    def test_files_that_are_too_large_together(self, served: Served) -> None:
        raw = b"\n" * (MOST_AT_ONCE // 2 - 1000)
        assert served.check(("a", raw), ("b", raw)).status_code == 200
        assert served.check(("a", raw), ("b", raw), ("c", raw)).status_code == 413

    def test_too_many(self, served: Served) -> None:
        files = [(f"{i}.csv", run_log()) for i in range(MOST_FILES + 1)]
        assert served.check(*files).status_code == 413

    @pytest.mark.parametrize(
        ("path", "length", "status"),
        [
            (page.CHECK, page.LARGEST_REQUEST, "hello"),
            (page.CHECK, page.LARGEST_REQUEST + 1, "413"),
            (page.CHECK + "/", server.LARGEST_BODY + 1, "413"),
            ("/_dash-update-component", server.LARGEST_BODY + 1, "413"),
            (log.SHEET, server.LARGEST_BODY + 1, "413"),
        ],
    )
    def test_only_files_may_be_large(self, path: str, length: int, status: str) -> None:
        def hello(environ: object, start_response: object) -> list[bytes]:
            start_response("200 hello", [])  # type: ignore[operator]
            return [b""]

        guarded = server.OwnOriginOnly(hello, PORT)
        told = ask(guarded, PATH_INFO=path, CONTENT_LENGTH=str(length), REQUEST_METHOD="POST")[0]
        assert status in told

    @pytest.mark.parametrize(
        ("path", "most"),
        [
            (page.CHECK, page.LARGEST_REQUEST),
            ("/_dash-update-component", server.LARGEST_BODY),
        ],
    )
    def test_bytes_are_counted_where_no_length_is_told(
        self, sample_data: Data, path: str, most: int
    ) -> None:
        body = io.BytesIO(b'--x\r\nContent-Disposition: form-data; name="files"\r\n\r\n' * 10**6)
        form = "multipart/form-data; boundary=x" if path == page.CHECK else "application/json"
        told = ask(
            server.build_wsgi(sample_data, PORT),
            REQUEST_METHOD="POST",
            PATH_INFO=path,
            HTTP_X_FEEDTALLY="log",
            CONTENT_TYPE=form,
            **{"wsgi.input": body, "wsgi.input_terminated": True},  # type: ignore[arg-type]
        )[0]
        assert told[:3] in ("400", "413")
        assert body.tell() <= most + 2**17

    def test_a_damaged_store_is_said(self, served: Served) -> None:
        (served.folder / "store.json").write_text("{")
        answer = served.check(("log.csv", run_log()))
        assert answer.status_code == 409 and b"restore it from a copy" in answer.data
        assert served.client.get(f"{log.SHEET}?tower=A").status_code == 409


class TestTheSheet:
    def test_it_is_served(self, sample_data: Data) -> None:
        client = shell.create_app(sample_data).server.test_client()
        answer = client.get(f"{log.SHEET}?tower=B")
        assert answer.data.startswith(b"%PDF") and answer.mimetype == "application/pdf"
        assert "filename=tally-B.pdf" in answer.headers["Content-Disposition"]

    @pytest.mark.parametrize(
        ("asked", "told"),
        [
            ("", b"No tower is named"),
            ("?tower=", b"No tower is named"),
            ("?tower=Z", b"There is no tower Z"),
            ("?tower=../A", b"There is no tower ../A"),
        ],
    )
    def test_a_tower_that_is_not_known_is_said(
        self, sample_data: Data, asked: str, told: bytes
    ) -> None:
        answer = shell.create_app(sample_data).server.test_client().get(log.SHEET + asked)
        assert answer.status_code == 404
        assert answer.data.startswith(told + b"; known are A, B, C: name one of them, or say")
