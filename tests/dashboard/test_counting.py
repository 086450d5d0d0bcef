"""Runs that are counted at the tower: what is offered, kept, stored, mended, taken back."""

from __future__ import annotations

import copy
import datetime as dt
import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from dash import Dash, no_update
from flask.testing import FlaskClient

from analysis import drafts, taking_in
from analysis.counts import LogScan
from analysis.drafts import OvertakenError
from analysis.export import run_cells
from analysis.snapshot import StoreError
from analysis.store import Store
from analysis.taking_in import ChangedMeanwhileError, Upload
from dashboard.data import Data
from dashboard.pages import counting, run_shown
from tests.analysis.test_entry import DRAFT
from tests.conftest import everything, run_log, stored

NAME = "a1" * 8
OWN = dict([counting.HEADER])
LISTS = [
    Upload("towers.csv", b"tower,bins,numbered_from\nB,4,bottom\n"),
    Upload("stocks.csv", b"stock,description\nBO90,offset 90 g\n"),
]


@pytest.fixture(scope="module")
def listed(empty_store: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store with lists and no run, to be copied."""
    made = Path(shutil.copytree(empty_store, tmp_path_factory.mktemp("listed") / "store"))
    taking_in.add(made, LISTS)
    return made


@pytest.fixture(scope="module")
def counted(listed: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store with the run of the draft, to be copied."""
    made = Path(shutil.copytree(listed, tmp_path_factory.mktemp("counted") / "store"))
    with served(made) as client:
        store_it(client, 0, DRAFT)
    return made


@pytest.fixture
def place(listed: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(listed, tmp_path / "store"))


@pytest.fixture
def client(place: Path) -> Iterator[FlaskClient]:
    with served(place) as made:
        yield made


def served(place: Path) -> FlaskClient:
    """Return who asks these two sections alone: a whole app takes its time to be made."""
    app = Dash("log", pages_folder="", assets_folder="none")
    data = Data(place)
    counting.register(app, data)
    run_shown.register(app, data)
    return app.server.test_client()


def put(client: FlaskClient, revision: int, content: object, name: str = NAME) -> dict[str, Any]:
    sent = {"revision": revision, "content": content}
    answer = client.put(f"{counting.DRAFTS}/{name}", json=sent, headers=OWN)
    assert answer.status_code == 200, answer.data
    return dict(answer.json)


def store_it(client: FlaskClient, revision: int, content: object) -> dict[str, Any]:
    sent = {"revision": revision, "content": content}
    answer = client.post(f"{counting.DRAFTS}/{NAME}/store", json=sent, headers=OWN)
    assert answer.status_code == 200, answer.data
    return dict(answer.json)


def offer(client: FlaskClient) -> dict[str, Any]:
    return dict(client.get(counting.OFFER).json)


def counts(place: Path) -> list[tuple[object, ...]]:
    names = ("stretch", "bin", "cycles", "misses", "doubles")
    rows = stored(Store(place))
    return sorted((tuple(row[n] for n in names) for row in rows), key=repr)


class TestOffered:
    def test_towers_with_their_bins_from_the_top_down(self, client: FlaskClient) -> None:
        (tower,) = offer(client)["towers"]
        assert tower["tower"] == "B" and tower["bins"] == [4, 3, 2, 1]
        assert offer(client)["stocks"] == [{"code": "BO90", "told": "offset 90 g"}]

    def test_only_what_the_site_switched_on_is_asked(
        self, place: Path, client: FlaskClient
    ) -> None:
        asked = [one["name"] for one in offer(client)["asked"]]
        assert asked == ["stock", "humidity_pct", "note"]
        (place / "site.toml").write_text(
            '[entry]\nask = ["prepared", "set_vacuum", "stops"]\n'
            '[settings.set_vacuum]\nunit = "mark"\nlevels = ["3", "5"]\n'
        )
        prepared, vacuum, stops = offer(client)["asked"]
        assert prepared["only"] and prepared["choices"] == ["none", "fanned", "blown"]
        assert (vacuum["label"], vacuum["choices"], vacuum["only"]) == (
            "vacuum, mark",
            ["3", "5"],
            False,
        )
        assert stops["of_stretch"] and stops["numeric"] and not prepared["of_stretch"]

    def test_a_site_file_that_is_wrong_is_told(self, place: Path, client: FlaskClient) -> None:
        (place / "site.toml").write_text("[entry]\nask = 3\n")
        (problem,) = offer(client)["problems"]
        assert "entry.ask is no list" in problem

    def test_air_is_as_old_as_the_first_run_that_has_it(self, place: Path) -> None:
        lines = [
            f"{run},2031-03-14T{at},B,1,9,0,0,{humidity}"
            for run, at, humidity in (
                ("1", "06:00", 38),
                ("2", "08:00", 40),
                ("3", "10:00", 40),
                ("4", "12:00", 40),
            )
        ]
        raw = run_log(*lines, header="run,started,tower,bin,cycles,misses,doubles,humidity_pct")
        taking_in.add(place, [Upload("log.csv", raw)])
        scan = LogScan(Store(place).snapshot())
        assert {f"{row['air_since']:%H:%M}" for row in scan.last_rows()} == {"08:00"}
        (early,) = Data(place).towers_now(dt.datetime(2031, 3, 14, 12, 0))
        assert dict(early.values) == {"humidity_pct": "40"} and early.run == "5"
        (late,) = Data(place).towers_now(dt.datetime(2031, 3, 14, 12, 1))
        assert dict(late.values) == {} and late.air_at is None

    def test_a_run_that_was_logged_before_is_not_offered(self, place: Path) -> None:
        # Typed late: the last run in time is not the one with the highest number.
        lines = ("814,2031-03-14T08:05,B,1,9,0,0", "815,2031-03-13T08:05,B,1,9,0,0")
        taking_in.add(place, [Upload("log.csv", run_log(*lines))])
        (tower,) = Data(place).towers_now(dt.datetime(2031, 3, 15))
        assert tower.run == "816"

    def test_what_the_last_run_had_is_carried_over(self, client: FlaskClient) -> None:
        store_it(client, 0, DRAFT)
        (tower,) = offer(client)["towers"]
        assert tower["run"] == "815" and tower["empty"] == "3-4"
        assert tower["values"] == {"set_fan_angle": "15"}


class TestKept:
    def test_a_draft_is_offered_to_every_device(self, client: FlaskClient) -> None:
        assert put(client, 0, DRAFT)["kept"]["revision"] == 1
        (one,) = offer(client)["drafts"]
        assert (one["name"], one["revision"], one["content"]) == (NAME, 1, DRAFT)
        assert client.get(f"{counting.DRAFTS}/{NAME}").json["kept"]["content"] == DRAFT

    def test_one_that_was_overtaken_gets_the_newer(self, client: FlaskClient) -> None:
        put(client, 0, DRAFT)
        put(client, 1, {**DRAFT, "tower": "C"})
        told = put(client, 1, DRAFT)
        assert told["overtaken"]["content"]["tower"] == "C" and told["overtaken"]["revision"] == 2

    def test_put_away_it_is_offered_to_be_brought_back(self, client: FlaskClient) -> None:
        put(client, 0, DRAFT)
        assert client.delete(f"{counting.DRAFTS}/{NAME}", headers=OWN).status_code == 200
        assert offer(client)["drafts"] == []
        (away,) = offer(client)["away"]
        assert away["content"] == DRAFT and away["away"]
        assert put(client, away["revision"], DRAFT)["kept"]["revision"] == 3
        assert len(offer(client)["drafts"]) == 1 and offer(client)["away"] == []

    def test_a_look_changes_nothing(self, client: FlaskClient) -> None:
        for method in ("HEAD", "OPTIONS", "GET"):
            sent = {"revision": 0, "content": DRAFT}
            client.open(f"{counting.DRAFTS}/{NAME}", method=method, json=sent, headers=OWN)
        assert offer(client)["drafts"] == []
        assert client.get(f"{counting.DRAFTS}/{NAME}").json == {"kept": None}

    def test_nothing_is_in_the_log_before_it_is_stored(
        self, place: Path, client: FlaskClient
    ) -> None:
        before = Store(place).snapshot().version
        put(client, 0, DRAFT)
        assert Store(place).snapshot().version == before

    def test_a_server_that_was_started_again_has_it(self, place: Path, client: FlaskClient) -> None:
        put(client, 0, DRAFT)
        other = served(place)
        assert [one["content"] for one in offer(other)["drafts"]] == [DRAFT]

    @pytest.mark.parametrize("sent", [[], {"revision": "1", "content": {}}, {"revision": 1}, "x"])
    def test_what_is_no_draft_is_told(self, client: FlaskClient, sent: object) -> None:
        answer = client.put(f"{counting.DRAFTS}/{NAME}", json=sent, headers=OWN)
        assert answer.json["problems"] == [
            "What came is no draft of a run; open the log page again."
        ]

    @pytest.mark.parametrize("name", ["x", "..%2f..%2fstore", "A" * 16])
    def test_a_name_is_no_path(self, place: Path, client: FlaskClient, name: str) -> None:
        sent = {"revision": 0, "content": DRAFT}
        answer = client.put(f"{counting.DRAFTS}/{name}", json=sent, headers=OWN)
        assert answer.status_code in (404, 405) or "problems" in answer.json
        assert not list(place.rglob("*.json")) or {p.name for p in place.rglob("*.json")} <= {
            "store.json",
            "totals.json",
            *(p.name for p in place.rglob("_delta_log/*.json")),
        }


class TestStored:
    def test_its_rows_are_what_was_counted(self, place: Path, client: FlaskClient) -> None:
        put(client, 0, DRAFT)
        told = store_it(client, 1, DRAFT)["stored"]
        assert told == (
            "Run 814 of tower B: 6,000 cycles in 2 stretches, 1 miss and 3 doubles; "
            "it is stored, and every page shows it from now on."
        )
        assert counts(place) == [
            (1, 1, 4180, 0, 0),
            (1, 2, 4180, 0, 2),
            (1, 3, 4180, 0, 0),
            (1, 4, 4180, 0, 0),
            (1, None, None, 1, 0),
            (2, 1, 1820, None, 1),
            (2, 2, 1820, None, 0),
            (2, 3, 0, None, 0),
            (2, 4, 0, None, 0),
        ]
        assert offer(client)["drafts"] == []

    def test_a_stock_in_other_capitals_is_stored_and_told(
        self, place: Path, client: FlaskClient
    ) -> None:
        mistyped = copy.deepcopy(DRAFT)
        mistyped["fields"]["1.papers"] = [["", "bo 90", ""]]
        put(client, 0, mistyped)
        assert store_it(client, 1, mistyped)["stored"].endswith(
            "from now on. Stock bo 90 differs from stock BO90 in capitals or blanks only, and is "
            "taken for another; write it alike where it is the same."
        )
        assert {row["stock"] for row in stored(Store(place))} == {"bo 90", None}

    def test_however_often_it_is_asked_it_is_stored_once(
        self, place: Path, client: FlaskClient
    ) -> None:
        put(client, 0, DRAFT)
        first = store_it(client, 1, DRAFT)
        before = everything(Store(place))
        assert store_it(client, 1, DRAFT) == first
        # A device that had no connection meanwhile is told as well, and with what counts.
        late = {**DRAFT, "faults": {}}
        assert put(client, 1, late)["overtaken"]["stored"] == first["stored"]
        assert store_it(client, 1, late) == first and first["content"] == DRAFT
        assert everything(Store(place)) == before

    def test_broken_off_before_that_was_noted_it_is_still_stored_once(
        self, place: Path, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        put(client, 0, DRAFT)
        with monkeypatch.context() as patch:
            patch.setattr(drafts, "_write", lambda *_: 1 / 0)
            sent = {"revision": 1, "content": DRAFT}
            answer = client.post(f"{counting.DRAFTS}/{NAME}/store", json=sent, headers=OWN)
            assert answer.status_code == 500
        before = everything(Store(place))
        assert "it is stored" in store_it(client, 1, DRAFT)["stored"]
        assert everything(Store(place)) == before

    def test_a_run_of_that_name_is_never_overwritten(
        self, place: Path, client: FlaskClient
    ) -> None:
        taking_in.add(place, [Upload("log.csv", run_log("814,2031-03-14T08:05,B,1,9,0,0"))])
        before = everything(Store(place))
        (problem,) = store_it(client, 0, DRAFT)["problems"]
        assert problem.startswith("The log has a run 814 of tower B already")
        assert everything(Store(place)) == before

    def test_what_another_device_counts_while_it_is_stored_is_not_lost(
        self, place: Path, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        put(client, 0, DRAFT)
        monkeypatch.setattr(drafts, "_SECONDS", 0.1)
        enter = taking_in.enter

        def slowly(*given: Any, **named: Any) -> Any:
            # What another process of the server does meanwhile.
            with pytest.raises(StoreError, match="it stays on this device"):
                drafts.save(place, NAME, 1, {**DRAFT, "tower": "C"})
            return enter(*given, **named)

        monkeypatch.setattr(taking_in, "enter", slowly)
        assert "it is stored" in store_it(client, 1, DRAFT)["stored"]
        with pytest.raises(OvertakenError):
            drafts.save(place, NAME, 1, {**DRAFT, "tower": "C"})

    def test_one_that_another_device_counted_into_is_not_stored(
        self, place: Path, client: FlaskClient
    ) -> None:
        put(client, 0, DRAFT)
        put(client, 1, {**DRAFT, "faults": {}})
        assert store_it(client, 1, DRAFT)["overtaken"]["content"]["faults"] == {}
        assert stored(Store(place)) == []

    def test_a_line_that_will_not_do_keeps_all_of_it_out(
        self, place: Path, client: FlaskClient
    ) -> None:
        wet = copy.deepcopy(DRAFT)
        wet["fields"]["1.humidity_pct"] = "380"
        put(client, 0, wet)
        told = store_it(client, 1, wet)["problems"]
        assert told == ["Humidity is 380; it must be from 0 to 100."]
        assert stored(Store(place)) == [] and not (place / "rejects").exists()
        assert len(offer(client)["drafts"]) == 1

    def test_what_is_missing_is_told(self, client: FlaskClient) -> None:
        told = store_it(client, 0, {**DRAFT, "fields": {"run": "1"}})["problems"]
        assert "The counter was not typed; type what it showed at the end." in told


class TestMended:
    @pytest.fixture
    def place(self, counted: Path, tmp_path: Path) -> Path:
        return Path(shutil.copytree(counted, tmp_path / "store"))

    def rows(self, client: FlaskClient) -> dict[str, Any]:
        return dict(client.get(f"{run_shown.RUN}?tower=B&run=814").json)

    def mend(self, client: FlaskClient, stood: str, *changes: tuple[int, str, str]) -> Any:
        sent = {
            "tower": "B",
            "run": "814",
            "stood": stood,
            "changes": [dict(zip(("row", "column", "value"), c, strict=True)) for c in changes],
        }
        return client.post(run_shown.RUN, json=sent, headers=OWN).json

    def test_a_change_is_a_correction_and_the_older_stays(
        self, place: Path, client: FlaskClient
    ) -> None:
        shown = self.rows(client)
        assert [row["at"] for row in shown["rows"]][3:6] == [
            "bin 4",
            "bin not noted",
            "stretch 2, bin 1",
        ]
        told = self.mend(client, shown["stood"], (1, "doubles", "1"), (2, "misses", "4"))
        assert told["told"].startswith("2 rows of run 814 of tower B corrected")
        assert (1, 2, 4180, 0, 1) in counts(place) and (1, 3, 4180, 4, 0) in counts(place)
        assert len(stored(Store(place))) == 9 and len(stored(Store(place), past=True)) == 11
        part = json.dumps(
            run_shown.run_section(Data(place), "B", "814").to_plotly_json(),
            default=lambda c: c.to_plotly_json(),
        )
        assert "doubles 2 to 1" in part and "misses 0 to 4" in part
        assert "log page (mended run 814)" in part

    def test_a_stock_that_is_mended_to_another_like_a_known_one_is_told(
        self, client: FlaskClient
    ) -> None:
        told = self.mend(client, self.rows(client)["stood"], (1, "stock", "bo90"))["told"]
        assert told.partition("is in its history. ")[2].startswith(
            "Stock bo90 differs from stock BO90 in capitals or blanks only"
        )

    def test_who_comes_second_is_told_and_overwrites_nothing(
        self, place: Path, client: FlaskClient
    ) -> None:
        stood = self.rows(client)["stood"]
        self.mend(client, stood, (1, "doubles", "1"))
        before = everything(Store(place))
        (problem,) = self.mend(client, stood, (1, "doubles", "7"))["problems"]
        assert "was stored or mended meanwhile; look at it once more" in problem
        assert everything(Store(place)) == before

    def test_who_comes_second_at_the_very_moment_is_told_too(
        self, listed: Path, tmp_path: Path
    ) -> None:
        place = Path(shutil.copytree(listed, tmp_path / "other"))
        raw = run_log("814,2031-03-14T08:05,B,1,9,0,0")
        asked = {"tower": "B", "run": "814", "stood": taking_in.NO_RUN}
        assert taking_in.enter(place, Upload("a", raw), **asked).account is not None
        with pytest.raises(ChangedMeanwhileError):
            taking_in.enter(place, Upload("b", raw.replace(b",9,", b",8,")), **asked)
        assert counts(place) == [(1, 1, 9, 0, 0)]

    @pytest.mark.parametrize(
        ("change", "told"),
        [
            ((1, "misses", "9999"), "9,999 misses and 2 doubles are more than 4,180"),
            ((1, "cycles", "many"), "cycles is many"),
            ((1, "tower", "C"), "that cannot be mended here"),
            ((1, "doubles", "2"), "nothing was changed"),
        ],
    )
    def test_what_will_not_do_changes_nothing(
        self, place: Path, client: FlaskClient, change: tuple[int, str, str], told: str
    ) -> None:
        before = everything(Store(place))
        found = self.mend(client, self.rows(client)["stood"], change)["problems"]
        assert any(told in one.lower() for one in found), found
        assert everything(Store(place)) == before

    @pytest.mark.parametrize(
        "sent", [[], {}, {"tower": "B", "run": "814", "stood": "", "changes": 3}]
    )
    def test_what_mends_nothing_is_told(self, client: FlaskClient, sent: object) -> None:
        answer = client.post(run_shown.RUN, json=sent, headers=OWN)
        assert answer.json["problems"] == ["What came mends no run; open the log page again."]

    def test_a_run_goes_through_its_form_unchanged(self, client: FlaskClient, place: Path) -> None:
        names, rows = run_cells(LogScan(Store(place).snapshot()), "B", "814")
        # As the log was written, with what spreadsheets would run kept from it.
        assert rows[-1][names.index("note")] == '\'=1+1, "so"'
        shown = self.rows(client)
        notes = [one["name"] for one in shown["columns"]].index("note")
        assert shown["rows"][-1]["cells"][notes] == '=1+1, "so"'


class TestTakenBack:
    @pytest.fixture
    def place(self, counted: Path, tmp_path: Path) -> Path:
        return Path(shutil.copytree(counted, tmp_path / "store"))

    def test_an_intake_is_taken_back_and_stays_in_the_history(
        self, place: Path, client: FlaskClient
    ) -> None:
        answer = client.post(f"{run_shown.TAKE_BACK}/3", json={}, headers=OWN)
        assert "told" in answer.json and stored(Store(place)) == []
        part = json.dumps(
            run_shown.run_section(Data(place), "B", "814").to_plotly_json(),
            default=lambda c: c.to_plotly_json(),
        )
        assert "Nothing of it stands: it was taken back." in part
        # Four bins in two stretches, and a fault without a bin.
        listed = json.dumps(
            run_shown.look_section(Data(place), "B", "814").to_plotly_json(),
            default=lambda c: c.to_plotly_json(),
        )
        assert "9 rows out, 0 again" in listed
        again = client.post(f"{run_shown.TAKE_BACK}/3", json={}, headers=OWN)
        assert "problems" in again.json

    def test_one_that_is_not_there_is_told(self, client: FlaskClient) -> None:
        answer = client.post(f"{run_shown.TAKE_BACK}/99", json={}, headers=OWN)
        assert "there is no intake 99" in answer.json["problems"][0].lower()


def test_an_older_answer_gives_way_to_a_newer(counted: Path) -> None:
    data = Data(counted)

    def looked(tower: str, run: str, search: str, shown: object) -> tuple[object, object, str]:
        address, told, found = run_shown.look_up(data, tower, run, search, shown)
        return address, told, json.dumps(found, default=lambda c: c.to_plotly_json())

    stays = json.dumps(no_update, default=lambda c: c.to_plotly_json())
    none = run_shown.run_section(data, "B", "999").to_plotly_json()
    there = run_shown.run_section(data, "B", "814").to_plotly_json()
    refusal = "Name the tower and the run."
    address, told, found = looked("B", "", "?of_tower=B&of_run=999", none)
    assert (address, told) == (no_update, refusal)
    assert "There is no run" not in found and "Which run is to be looked at?" in found
    # A run that is shown is no message, and stays.
    assert looked("B", "", "?of_tower=B&of_run=814", there) == (no_update, refusal, stays)
    assert looked("", "", "", None) == (no_update, refusal, stays)
    # Asked once more for the run that is not there, that is said once more.
    address, told, found = looked("B", "999", "?of_tower=B&of_run=999", None)
    assert (address, told) == ("?of_tower=B&of_run=999", "")
    assert "There is no run 999 of tower B in the log." in found
    assert looked("B", "814", "?of_tower=B&of_run=999", none)[1:] == ("", stays)


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("PUT", f"{counting.DRAFTS}/{NAME}"),
        ("DELETE", f"{counting.DRAFTS}/{NAME}"),
        ("POST", f"{counting.DRAFTS}/{NAME}/store"),
        ("POST", run_shown.RUN),
        ("POST", f"{run_shown.TAKE_BACK}/1"),
    ],
)
def test_a_page_from_elsewhere_changes_nothing(
    place: Path, client: FlaskClient, method: str, path: str
) -> None:
    put(client, 0, DRAFT)
    before = everything(Store(place)), drafts.drafts(place)
    answer = client.open(path, method=method, json={"revision": 1, "content": DRAFT})
    assert (answer.status_code, answer.mimetype) == (403, "text/plain")
    assert (everything(Store(place)), drafts.drafts(place)) == before
