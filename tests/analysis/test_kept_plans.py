"""Plans in the store's folder: kept once, never written over, refused when altered."""

import json
import threading

import pytest

from analysis.kept_plans import keep, kept_plans
from analysis.snapshot import DamagedStoreError, StoreError
from analysis.store import Store
from tests.analysis.test_proofs import day, kept


def test_a_plan_comes_back_as_it_was_kept(tmp_path):
    plan = keep(tmp_path, kept(0, day(1), version="0.1"))
    assert plan.number == 1
    assert kept_plans(tmp_path) == (plan,)


def test_none_is_written_over(tmp_path):
    first = keep(tmp_path, kept(0, day(1)))
    second = keep(tmp_path, kept(0, day(2)))
    assert kept_plans(tmp_path) == (first, second)


def test_many_at_once_are_all_kept(tmp_path):
    threads = [threading.Thread(target=keep, args=(tmp_path, kept(0, day(n)))) for n in range(20)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    found = kept_plans(tmp_path)
    assert [plan.number for plan in found] == list(range(1, 21))
    assert sorted(plan.kept_wall for plan in found) == [day(n) for n in range(20)]


def test_no_folder_is_no_plan(tmp_path):
    assert kept_plans(tmp_path) == ()


@pytest.mark.parametrize(
    "change",
    [
        lambda held: held["plan"]["asked"].update(good=1e-6),
        lambda held: held["plan"].update(kept_wall="2030-01-01T00:00:00"),
        lambda held: held.pop("plan"),
        lambda held: held.update(sha256="0" * 64),
    ],
)
def test_an_altered_plan_is_refused(tmp_path, change):
    keep(tmp_path, kept(0, day(1)))
    path = tmp_path / "plans" / "1.json"
    held = json.loads(path.read_text())
    change(held)
    path.write_text(json.dumps(held))
    with pytest.raises(DamagedStoreError, match=r"kept plan plans/1\.json is damaged"):
        kept_plans(tmp_path)


def test_a_plan_that_was_cut_off_is_refused(tmp_path):
    keep(tmp_path, kept(0, day(1)))
    path = tmp_path / "plans" / "1.json"
    path.write_text(path.read_text()[:100])
    with pytest.raises(DamagedStoreError, match="damaged"):
        kept_plans(tmp_path)


def test_where_nothing_can_be_written_it_is_said(tmp_path):
    (tmp_path / "plans").write_text("in the way")
    with pytest.raises(StoreError, match="cannot be kept"):
        keep(tmp_path, kept(0, day(1)))


def test_a_copy_of_the_store_has_its_plans(store: Store, tmp_path):
    plan = keep(store.folder, kept(0, day(1)))
    store.backup(tmp_path / "copy")
    assert kept_plans(tmp_path / "copy") == (plan,)
