"""Runs that are being counted: kept, gone on with elsewhere, stored once, put away."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import pytest

from analysis import drafts
from analysis.drafts import Draft, DraftError, OvertakenError
from analysis.snapshot import StoreError

NAME, OTHER = "a1" * 8, "b2" * 8


def test_what_is_saved_is_read_again_with_one_revision_more(tmp_path: Path) -> None:
    assert drafts.draft(tmp_path, NAME) is None and drafts.drafts(tmp_path) == ()
    first = drafts.save(tmp_path, NAME, 0, {"tower": "B"})
    second = drafts.save(tmp_path, NAME, first.revision, {"tower": "é"})
    assert (first.revision, second.revision) == (1, 2)
    assert drafts.draft(tmp_path, NAME) == second
    assert second.content == {"tower": "é"}


def test_the_last_saved_stands_first(tmp_path: Path) -> None:
    drafts.save(tmp_path, NAME, 0, {})
    drafts.save(tmp_path, OTHER, 0, {})
    assert [one.name for one in drafts.drafts(tmp_path)] == [OTHER, NAME]
    drafts.save(tmp_path, NAME, 1, {})
    assert [one.name for one in drafts.drafts(tmp_path)] == [NAME, OTHER]


def test_nobody_overwrites_what_another_saved(tmp_path: Path) -> None:
    drafts.save(tmp_path, NAME, 0, {"by": "one"})
    drafts.save(tmp_path, NAME, 1, {"by": "two"})
    with pytest.raises(OvertakenError) as told:
        drafts.save(tmp_path, NAME, 1, {"by": "three"})
    assert told.value.kept.content == {"by": "two"} and told.value.kept.revision == 2
    found = drafts.draft(tmp_path, NAME)
    assert found is not None and found.content == {"by": "two"}


def stored(folder: Path, name: str, revision: int, content: dict[str, object]) -> Draft:
    return drafts.store_once(folder, name, revision, content, lambda: "Run 814 is stored.")


def test_it_is_stored_once_and_stays_with_what_was_stored(tmp_path: Path) -> None:
    drafts.save(tmp_path, NAME, 0, {"by": "one"})
    done = stored(tmp_path, NAME, 1, {"by": "one, and more"})
    assert (done.stored, done.content) == ("Run 814 is stored.", {"by": "one, and more"})
    assert drafts.drafts(tmp_path) == ()
    # Asked again, by whomever and with whatever, it says the same and stores nothing.
    again = drafts.store_once(tmp_path, NAME, 7, {"by": "late"}, lambda: 1 / 0)  # type: ignore[arg-type, return-value]
    assert again == done
    with pytest.raises(OvertakenError) as told:
        drafts.save(tmp_path, NAME, 1, {"by": "late"})
    assert told.value.kept == done
    # And cannot be put away any more.
    drafts.put_away(tmp_path, NAME)
    assert drafts.draft(tmp_path, NAME) == done


def test_one_that_was_overtaken_is_not_stored(tmp_path: Path) -> None:
    drafts.save(tmp_path, NAME, 0, {"by": "one"})
    drafts.save(tmp_path, NAME, 1, {"by": "two"})
    with pytest.raises(OvertakenError):
        drafts.store_once(tmp_path, NAME, 1, {}, lambda: 1 / 0)  # type: ignore[arg-type, return-value]


def test_what_keeps_it_from_being_stored_leaves_it_as_it_was(tmp_path: Path) -> None:
    kept = drafts.save(tmp_path, NAME, 0, {"by": "one"})
    with pytest.raises(ZeroDivisionError):
        drafts.store_once(tmp_path, NAME, 1, {}, lambda: 1 / 0)  # type: ignore[arg-type, return-value]
    assert drafts.draft(tmp_path, NAME) == kept


def test_nobody_saves_it_while_it_is_stored(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(drafts, "_SECONDS", 0.1)
    drafts.save(tmp_path, NAME, 0, {"by": "one"})

    def store() -> str:
        # As another process would: its fault must not vanish into a run that is stored without it.
        with pytest.raises(StoreError, match="another process holds it"):
            drafts.save(tmp_path, NAME, 1, {"by": "another"})
        drafts.save(tmp_path, OTHER, 0, {"by": "whose run is another"})
        return "stored"

    assert drafts.store_once(tmp_path, NAME, 1, {"by": "one"}, store).content == {"by": "one"}


def test_put_away_it_is_kept_and_comes_again_from_who_counts_on(tmp_path: Path) -> None:
    drafts.save(tmp_path, NAME, 0, {"by": "one"})
    drafts.put_away(tmp_path, NAME)
    assert drafts.drafts(tmp_path) == ()
    (away,) = drafts.drafts(tmp_path, away=True)
    assert (away.content, away.revision, away.away) == ({"by": "one"}, 2, True)
    with pytest.raises(OvertakenError) as told:
        drafts.save(tmp_path, NAME, 1, {"by": "late"})
    assert told.value.kept == away
    assert drafts.save(tmp_path, NAME, 2, {"by": "late"}).revision == 3
    assert drafts.drafts(tmp_path, away=True) == ()
    drafts.put_away(tmp_path, "c3" * 8)
    assert drafts.draft(tmp_path, "c3" * 8) is None


def test_one_that_the_folder_lost_is_taken_again(tmp_path: Path) -> None:
    assert drafts.save(tmp_path, NAME, 5, {"by": "one"}).revision == 6


@pytest.mark.parametrize("name", ["", "../../x", "A" * 16, "a" * 15, "a" * 41, "a" * 15 + "/"])
def test_a_name_is_no_path(tmp_path: Path, name: str) -> None:
    for act in (
        lambda: drafts.save(tmp_path, name, 0, {}),
        lambda: drafts.draft(tmp_path, name),
        lambda: drafts.put_away(tmp_path, name),
    ):
        with pytest.raises(DraftError, match="no name of a draft"):
            act()
    assert [p for p in tmp_path.rglob("*") if p.is_file()] == []


def test_one_that_is_too_long_is_refused_and_the_former_stays(tmp_path: Path) -> None:
    drafts.save(tmp_path, NAME, 0, {"by": "one"})
    with pytest.raises(DraftError, match="more than one run holds"):
        drafts.save(tmp_path, NAME, 1, {"note": "x" * drafts.LARGEST})
    found = drafts.draft(tmp_path, NAME)
    assert found is not None and found.revision == 1
    assert {p.name for p in (tmp_path / "drafts").iterdir()} == {f"{NAME}.json", f"lock-{NAME[0]}"}


def test_there_are_not_too_many_and_old_notes_make_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(drafts, "MOST", 2)
    drafts.save(tmp_path, NAME, 0, {})
    drafts.save(tmp_path, OTHER, 0, {})
    with pytest.raises(DraftError, match="2 runs are being counted already"):
        drafts.save(tmp_path, "c3" * 8, 0, {})
    stored(tmp_path, OTHER, 1, {})
    path = tmp_path / "drafts" / f"{OTHER}.json"
    held = json.loads(path.read_text())
    held["saved_at"] = (dt.datetime.now(dt.UTC) - dt.timedelta(days=31)).isoformat()
    path.write_text(json.dumps(held))
    assert drafts.save(tmp_path, "c3" * 8, 0, {}).revision == 1
    assert drafts.draft(tmp_path, OTHER) is None


@pytest.mark.parametrize("text", ["", "{", "[]", '{"revision": 1}', '{"content": 3}'])
def test_a_damaged_file_is_passed_over_and_stays(tmp_path: Path, text: str) -> None:
    drafts.save(tmp_path, NAME, 0, {})
    path = tmp_path / "drafts" / f"{OTHER}.json"
    path.write_text(text)
    assert [one.name for one in drafts.drafts(tmp_path)] == [NAME]
    with pytest.raises(DraftError, match="cannot be read; move it away"):
        drafts.save(tmp_path, OTHER, 0, {})
    assert path.read_text() == text


def test_a_place_that_is_no_folder_is_told(tmp_path: Path) -> None:
    (tmp_path / "drafts").write_text("")
    with pytest.raises(StoreError, match="cannot be kept in .*; it stays on this device"):
        drafts.save(tmp_path, NAME, 0, {})
