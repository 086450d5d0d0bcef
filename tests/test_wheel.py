"""The wheel holds all that the program needs: it runs where there is no clone."""

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wheel")
    source = folder / "source"
    source.mkdir()
    # Built from what git would hand out, so that a file that only lies about is not taken for one
    # that is packaged.
    tracked = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        check=True,
    ).stdout
    for name in tracked.decode().split("\0"):
        if name and (ROOT / name).is_file() and not name.startswith("tests/"):
            target = source / name
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes((ROOT / name).read_bytes())
    subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", folder, source],
        check=True,
        capture_output=True,
    )
    return next(folder.glob("*.whl"))


def test_it_holds_the_packages_and_their_data_and_nothing_else(wheel):
    names = zipfile.ZipFile(wheel).namelist()
    tops = {name.split("/")[0] for name in names}
    assert {top for top in tops if not top.endswith(".dist-info")} == {
        "analysis",
        "dashboard",
        "data_samples",
    }
    for needed in ("data_samples/runs.csv", "analysis/py.typed", "dashboard/assets/feedtally.css"):
        assert needed in names
    for page in ("analysis", "dashboard/commands", "data_samples"):
        assert f"{page}/README.md" in names
    # What technicians know of causes is data.
    assert "analysis/patterns.toml" in names
    assert any(name.endswith(".woff2") for name in names)
    assert sum(name.endswith("LICENSE") for name in names) >= 1
    for path in (ROOT / "dashboard" / "assets").rglob("*"):
        if path.is_file():
            assert path.relative_to(ROOT).as_posix() in names


def test_the_installed_program_makes_the_sample_store_and_answers(wheel, tmp_path):
    site = tmp_path / "site"
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(site)
    environment = {
        **os.environ,
        "PYTHONPATH": str(site),
        "XDG_DATA_HOME": str(tmp_path / "data"),
        "HOME": str(tmp_path),
        "LOCALAPPDATA": str(tmp_path / "data"),
    }
    code = (
        "import analysis, dashboard.commands.demo as demo, pathlib;"
        "print(pathlib.Path(analysis.__file__).parents[1]);"
        "print(demo.sample_store()); print(demo.sample_store())"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    from_where, store, again = done.stdout.splitlines()
    assert Path(from_where) == site
    assert store == again and Path(store).is_relative_to(tmp_path)
    answer = subprocess.run(
        [sys.executable, "-m", "dashboard", "rates", "--store", store],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    assert "faults per 10,000 feeds" in answer.stdout
