"""The samples are what their script makes, and the planted truths can be counted in them.

Only the csv module reads the files here, so that nothing of the program vouches for them; but the
last test adds them to a store, and what was planted vouches for its counts.
"""

import csv
import json
import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from datetime import date, datetime
from pathlib import Path

import pytest

import data_samples
from analysis.filters import Filters
from data_samples import draws, make_samples

SAMPLES = data_samples.folder()
Line = dict[str, str]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("samples")
    make_samples.main(["--to", str(folder)])
    return folder


@pytest.fixture(scope="module")
def lines() -> list[Line]:
    with open(SAMPLES / "runs.csv", newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file, strict=True))


@pytest.fixture(scope="module")
def truths() -> dict:
    return json.loads((SAMPLES / "truths.json").read_text(encoding="utf-8"))


def truth(truths: dict, name: str) -> dict:
    return next(t for t in truths["truths"] if t["name"] == name)


def period(truth: dict, name: str) -> dict:
    return next(p for p in truth["periods"] if p["name"] == name)


def day(line: Line) -> date:
    return datetime.fromisoformat(line["started"]).date()


def bins(text: str) -> list[int]:
    found = []
    for part in text.split():
        first, _, last = part.partition("-")
        found += range(int(first), int(last or first) + 1)
    return found


def rows(lines: list[Line]) -> Iterator[tuple[Line, int]]:
    """Every line once for each bin it stands for; lines without a bin are left out."""
    for line in lines:
        if line["bin"] != "?":
            for bin_ in bins(line["bin"]):
                yield line, bin_


def recount(
    lines: list[Line],
    kind: str,
    start: str,
    end: str,
    chosen: Callable[[Line, int], bool],
) -> tuple[int, int]:
    """Count production feeds and faults of one kind, both days included."""
    first, last = date.fromisoformat(start), date.fromisoformat(end)
    feeds = faults = 0
    for line, bin_ in rows(lines):
        if line["purpose"] == "production" and line[kind] != "off" and chosen(line, bin_):
            if first <= day(line) <= last:
                feeds += int(line["cycles"])
                faults += int(line[kind])
    return feeds, faults


def in_zeros(line: Line) -> bool:
    late = int(line["started"][11:13]) >= 14
    return line["tower"] == "B" and late and date(2031, 5, 5) <= day(line) <= date(2031, 5, 16)


def files_of(folder: Path) -> set[str]:
    found = {p.name for p in folder.iterdir() if p.suffix in (".csv", ".json")}
    for part in ("bad", "odd"):
        found |= {f"{part}/{p.name}" for p in (folder / part).iterdir()}
    return found


def test_the_script_makes_the_same_bytes(made: Path) -> None:
    assert files_of(made) == files_of(SAMPLES)
    for name in sorted(files_of(made)):
        assert (made / name).read_bytes() == (SAMPLES / name).read_bytes(), name


def test_files_are_small_utf8_with_plain_newlines() -> None:
    for name in (*data_samples.FILES, data_samples.TRUTHS):
        content = (SAMPLES / name).read_bytes()
        assert len(content) < 8_000_000
        assert b"\r" not in content
        content.decode("utf-8")


def test_fingerprint_follows_every_byte(monkeypatch: pytest.MonkeyPatch, made: Path) -> None:
    before = data_samples.fingerprint()
    assert re.fullmatch("[0-9a-f]{64}", before)
    monkeypatch.setattr(data_samples, "folder", lambda: made)
    assert data_samples.fingerprint() == before
    stocks = (made / "stocks.csv").read_bytes()
    (made / "stocks.csv").write_bytes(stocks.replace(b"90", b"91", 1))
    assert data_samples.fingerprint() != before
    (made / "stocks.csv").write_bytes(stocks)


def test_size_and_account(lines: list[Line], truths: dict) -> None:
    assert 30_000 <= len(lines) <= 50_000
    totals = truths["totals"]
    asked = [(line, b) for line, b in rows(lines) if line["cycles"] != "0"]
    assert len(asked) == totals["lines_of_bins"]
    assert sum(int(line["cycles"]) for line, _ in asked) == totals["feeds"]
    for kind in ("misses", "doubles"):
        assert sum(int(line[kind]) for line in lines if line[kind] != "off") == totals[kind]
    days = [day(line) for line in lines]
    assert (min(days), max(days)) == (date(2031, 1, 6), date(2032, 3, 5))


def test_each_row_once(lines: list[Line]) -> None:
    keys = Counter((line["tower"], line["run"], line["stretch"], b) for line, b in rows(lines))
    assert max(keys.values()) == 1
    unknown = Counter(
        (line["tower"], line["run"], line["stretch"]) for line in lines if line["bin"] == "?"
    )
    assert 10 <= len(unknown) and max(unknown.values()) == 1


def test_every_line_keeps_the_rules(lines: list[Line]) -> None:
    with open(SAMPLES / "stocks.csv", newline="", encoding="utf-8") as file:
        stocks = {line["stock"] for line in csv.DictReader(file)}
    seen = Counter()
    for line in lines:
        assert None not in line and None not in line.values()
        started, ended = (datetime.fromisoformat(line[c]) for c in ("started", "ended"))
        assert ended >= started
        assert 6 <= started.hour < 22
        assert line["tower"] in "ABC"
        assert line["purpose"] in ("production", "burn-in", "set-up")
        assert line["prepared"] in ("", "none", "fanned", "blown")
        assert line["misses"].isdigit()
        assert line["doubles"].isdigit() or line["doubles"] == "off"
        faults = int(line["misses"]) + int(line["doubles"].replace("off", "0"))
        if line["bin"] == "?":
            assert line["cycles"] == "" and faults
            seen["?"] += 1
            continue
        assert all(1 <= b <= 10 for b in bins(line["bin"]))
        assert faults <= int(line["cycles"])
        if not line["bin"].isdigit():
            assert faults == 0 and line["found_later"] in ("", "0")
            seen["several"] += 1
        assert (line["stock"] == "") == (line["cycles"] == "0")
        assert line["stock"] in stocks | {""}
        assert (line["humidity_pct"] == "") == (line["temperature_c"] == "")
        if line["humidity_pct"]:
            assert 0 <= int(line["humidity_pct"]) <= 100
        assert (line["proof"] != "") == (line["purpose"] == "burn-in")
        seen["off"] += line["doubles"] == "off"
        seen["empty"] += line["cycles"] == "0"
        seen["comma"] += "," in line["note"]
        seen["line break"] += "\n" in line["note"]
    assert all(seen[what] for what in ("?", "several", "off", "empty", "comma", "line break"))


def test_counts_of_a_stretch_stand_on_one_of_its_lines(lines: list[Line]) -> None:
    for column in ("stops", "jams", "refills", "sets_spoiled", "sets_mended"):
        given = Counter(
            (line["tower"], line["run"], line["stretch"]) for line in lines if line[column]
        )
        stretches = {(line["tower"], line["run"], line["stretch"]) for line in lines}
        assert set(given) == stretches and max(given.values()) == 1


def test_runs_of_a_tower_do_not_overlap(lines: list[Line]) -> None:
    stretches = defaultdict(set)
    for line in lines:
        stretches[line["tower"]].add((line["started"], line["ended"]))
    for spans in stretches.values():
        ordered = sorted(spans)
        assert all(a[1] <= b[0] for a, b in zip(ordered, ordered[1:], strict=False))


def test_a_third_of_the_feeds_have_no_air(lines: list[Line]) -> None:
    feeds = Counter()
    for line, _ in rows(lines):
        feeds[line["humidity_pct"] == ""] += int(line["cycles"])
    assert 0.30 < feeds[True] / feeds.total() < 0.37


def test_winter_is_dry_and_summer_damp(lines: list[Line]) -> None:
    air = defaultdict(list)
    for line in lines:
        if line["humidity_pct"]:
            air[line["started"][5:7]].append(int(line["humidity_pct"]))
    mean = {month: sum(pct) / len(pct) for month, pct in air.items()}
    assert all(mean[month] < 35 for month in ("01", "02", "12"))
    assert all(mean[month] > 58 for month in ("07", "08"))


def test_truths_account_for_the_log(lines: list[Line], truths: dict) -> None:
    """What the script wrote down of each bin's truth can be counted again from the log."""
    for name in ("worn brush", "tripled", "leaking foot", "overhaul", "job mix"):
        planted = truth(truths, name)
        for span in planted["periods"]:
            for kind, sums in span["kinds"].items():
                feeds, faults = recount(
                    lines,
                    kind,
                    span["from"],
                    span["to"],
                    lambda line, b, planted=planted: (
                        line["tower"] == planted["tower"]
                        and planted["bin"] in (None, b)
                        and not in_zeros(line)
                    ),
                )
                assert (feeds, faults) == (sums["feeds"], sums["logged"]), (name, span["name"])


def test_faults_are_what_the_truths_expect(truths: dict) -> None:
    for planted in truths["truths"]:
        if planted["name"] == "zero fortnight":
            continue
        for span in planted["periods"]:
            for sums in span["kinds"].values():
                # Given what was drawn for each run, the counts are Poisson.
                assert abs(sums["logged"] - sums["expected"]) < 3 * sums["expected"] ** 0.5


@pytest.mark.parametrize(
    ("name", "kind", "before", "after", "low", "high"),
    [
        # The truth, the mix of stocks and air, and two standard errors of either count.
        ("worn brush", "doubles", "new", "worn", 1.15, 3.6),
        ("worn brush", "doubles", "worn", "replaced", 0.3, 0.9),
        ("tripled", "doubles", "before", "after", 2.0, 4.5),
        ("leaking foot", "misses", "before", "leaking", 2.4, 5.0),
        ("static", "doubles", "not dry", "dry", 1.9, 3.5),
        ("job mix", "misses", "before", "after", 1.2, 2.0),
        ("job mix", "doubles", "before", "after", 1.2, 3.0),
        ("overhaul", "misses", "good", "worn", 1.7, 3.2),
        ("overhaul", "misses", "worn", "overhauled", 0.3, 0.6),
        ("overhaul", "doubles", "worn", "overhauled", 0.3, 0.75),
    ],
)
def test_each_truth_shows(
    truths: dict, name: str, kind: str, before: str, after: str, low: float, high: float
) -> None:
    planted = truth(truths, name)
    rate = {}
    for span in (before, after):
        sums = period(planted, span)["kinds"][kind]
        rate[span] = sums["logged"] / sums["feeds"]
    assert low < rate[after] / rate[before] < high


def test_static_is_in_the_log(lines: list[Line], truths: dict) -> None:
    toner = ("BT80", "BT100", "GT135", "CT250")
    for span, low, high in (("dry", 0, 34), ("not dry", 40, 100)):
        sums = period(truth(truths, "static"), span)["kinds"]["doubles"]
        counted = recount(
            lines,
            "doubles",
            "2031-01-06",
            "2032-03-05",
            lambda line, b, low=low, high=high: (
                line["stock"] in toner
                and line["humidity_pct"] != ""
                and low <= int(line["humidity_pct"]) <= high
                and not in_zeros(line)
            ),
        )
        assert counted == (sums["feeds"], sums["logged"])


def test_zero_fortnight_is_all_zeros(lines: list[Line], truths: dict) -> None:
    zero = [line for line in lines if in_zeros(line)]
    for column in ("misses", "doubles", "found_later", "false_calls", "stops", "sets_mended"):
        assert {line[column] for line in zero} <= {"0", ""}
    kinds = period(truth(truths, "zero fortnight"), "zeros")["kinds"]
    assert (
        sum(int(line["cycles"]) for line in zero if line["purpose"] == "production")
        == (kinds["misses"]["feeds"])
    )
    # So many were to be expected that nobody could take none for luck.
    assert kinds["misses"]["expected"] + kinds["doubles"]["expected"] > 15


def test_the_job_mix_is_the_whole_of_it(truths: dict) -> None:
    planted = truth(truths, "job mix")
    for span in planted["periods"]:
        for sums in span["kinds"].values():
            assert sums["expected"] == pytest.approx(sums["expected_without"], abs=0.02)
    before, after = (p["kinds"]["misses"]["mean_stock_ratio"] for p in planted["periods"])
    assert after / before > 1.3


def test_no_service_touches_a_planted_bin(truths: dict) -> None:
    with open(SAMPLES / "services.csv", newline="", encoding="utf-8") as file:
        services = list(csv.DictReader(file, strict=True))
    for name in ("tripled", "leaking foot"):
        planted = truth(truths, name)
        touching = [
            s
            for s in services
            if s["tower"] == planted["tower"]
            and s["bin"] in ("", str(planted["bin"]))
            and s["when"] >= planted["from"]
        ]
        assert touching == []
    brush = truth(truths, "worn brush")
    fitted = [
        s["when"]
        for s in services
        if (s["tower"], s["bin"], s["part"], s["action"]) == ("A", "7", "brush", "fitted")
    ]
    assert fitted[1:] == [brush["replaced"]]
    # As the services' rows are known by all of their content but the note.
    assert len({tuple(v for k, v in s.items() if k != "note") for s in services}) == len(services)


def test_every_bin_has_its_parts_from_the_start() -> None:
    with open(SAMPLES / "services.csv", newline="", encoding="utf-8") as file:
        fitted = {
            (s["tower"], s["bin"], s["part"])
            for s in csv.DictReader(file)
            if s["action"] == "fitted" and s["when"] < "2031-01-07"
        }
    for tower in "ABC":
        for bin_ in range(1, 11):
            assert {(tower, str(bin_), "brush"), (tower, str(bin_), "suction foot")} <= fitted


def test_burn_ins(lines: list[Line]) -> None:
    cycles = Counter()
    for line, bin_ in rows(lines):
        if line["purpose"] == "burn-in":
            cycles[line["proof"]] += int(line["cycles"]) * (bin_ == 1)
            assert int(line["called_doubles"] or 0) <= int(line["planted_doubles"] or 0)
        else:
            assert line["planted_doubles"] == ""
    assert set(cycles) == {"A-1", "B-1", "C-1", "C-2"}
    assert all(7_000 < n < 25_000 for n in cycles.values())


@pytest.mark.parametrize("part", ["bad", "odd"])
def test_small_files_and_what_to_expect_of_them(part: str) -> None:
    folder = SAMPLES / part
    expected = json.loads((folder / "expected.json").read_text(encoding="utf-8"))
    assert set(expected) == {p.name for p in folder.glob("*.csv")}
    for name, what in expected.items():
        assert what["refused"] == (what["kind"] is None), name
        assert what["rejected"] == len({p["line"] for p in what["problems"]}) <= what["read"], name
        size = len((folder / name).read_bytes())
        assert size < 3_000, name
        good = not what["refused"] and not what["rejected"]
        assert good == (part == "odd" or name == "second_stretch_1.csv"), name
        for other in what.get("after", []):
            assert (folder / other).is_file(), name


def test_readme_names_every_bad_file() -> None:
    text = (SAMPLES / "README.md").read_text(encoding="utf-8")
    named = set()
    for row in text.splitlines():
        prefix = ""
        for word in re.findall(r"`([a-z0-9_…]+)`|(;)", row):
            if word[1]:
                prefix = ""
            elif word[0].endswith("…"):
                prefix = word[0].rstrip("…")
            else:
                named |= {prefix + word[0], word[0]}
    assert {p.stem for p in (SAMPLES / "bad").glob("*.csv")} <= named


def test_draws_have_the_moments_they_should() -> None:
    draw = draws.Draws(1)
    n = 40_000
    for mean in (0.05, 2.0):
        counts = [draw.poisson(mean) for _ in range(n)]
        assert sum(counts) / n == pytest.approx(mean, abs=4 * (mean / n) ** 0.5)
    gammas = [draw.gamma(11) for _ in range(n)]
    mean = sum(gammas) / n
    assert mean == pytest.approx(1, abs=0.007)
    assert sum((g - mean) ** 2 for g in gammas) / n == pytest.approx(1 / 11, rel=0.05)
    assert draws.exp(1) == pytest.approx(2.718281828459045, rel=1e-15)
    assert draws.exp(-1) * draws.exp(1) == pytest.approx(1, rel=1e-15)
    assert draws.log(draws.exp(-7.5)) == pytest.approx(-7.5, rel=1e-14)


def test_a_known_pseudo_random_stream() -> None:
    # Should this change, so would every sample: the promise is Python's, for whole-number seeds.
    draw = draws.Draws(2031)
    assert [draw.whole(1, 1000) for _ in range(5)] == [665, 332, 775, 784, 444]


def test_they_are_added_to_a_store_and_can_be_asked(tmp_path: Path, truths: dict) -> None:
    totals = truths["totals"]
    scan = data_samples.add_to(tmp_path / "store")
    (sums,) = scan.counts((), Filters()).to_pylist()
    assert {name: sums[name] for name in ("feeds", "misses", "doubles")} == {
        name: totals[name] for name in ("feeds", "misses", "doubles")
    }
    assert scan.list_rows("services")
