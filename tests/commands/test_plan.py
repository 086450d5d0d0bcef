"""``feedtally plan``: the plan, what feeds can prove, and keeping it for a burn-in."""

import datetime as dt
import math
import shlex

import pytest
from scipy import stats

from analysis.kept_plans import kept_plans
from analysis.store import Store
from tests.conftest import read, run_log

TWO = ("--good", "3e-5", "--bad", "1e-4")
# Rates so far apart that the least maximum is found in no time.
FAR = ("--good", "1e-6", "--bad", "1e-5")


def at(pairs, rate, key):
    return next(pair[key] for pair in pairs if pair["rate"] == rate)


@pytest.mark.parametrize(
    ("good", "bad", "feeds", "allowed"),
    [(3e-5, 1e-4, 105_319, 6), (0.01, 0.05, 132, 3), (0.005, 0.02, 462, 5), (0.01, 0.06, 110, 3)],
)
def test_single_plans(run, good, bad, feeds, allowed):
    said = run("plan", "--good", good, "--bad", bad, "--json")
    answer = said.json
    assert (said.code, answer["feeds"], answer["allowed"]) == (0, feeds, allowed)
    # An independent route to the risks, and to the curve at both rates.
    assert answer["producer_risk"] == pytest.approx(stats.binom.sf(allowed, feeds, good), rel=1e-9)
    assert answer["consumer_risk"] == pytest.approx(stats.binom.cdf(allowed, feeds, bad), rel=1e-9)
    for pair in answer["oc"]:
        assert pair["accept"] == pytest.approx(
            stats.binom.cdf(allowed, feeds, pair["rate"]), rel=1e-8, abs=1e-300
        )
    assert at(answer["expected_feeds"], good, "feeds") == feeds
    assert at(answer["expected_feeds"], bad, "feeds") == feeds


def test_its_risks_to_four_digits(run):
    answer = run("plan", *TWO, "--json").json
    assert round(answer["producer_risk"], 4) == 0.0422
    assert round(answer["consumer_risk"], 4) == 0.1000


def test_what_few_faults_would_prove(run):
    answer = run("plan", *TWO, "--json").json
    assert [p["count"] for p in answer["proves"]] == [0, 1, 2, 3]
    for p in answer["proves"]:
        # Clopper and Pearson 1934, one-sided.
        bound = stats.beta.ppf(0.95, p["count"] + 1, 105_319 - p["count"])
        assert p["upper_bound"] == pytest.approx(bound, rel=1e-9)


def test_a_sequential_plan(run):
    answer = run("plan", *TWO, "--sequential", "--max-feeds", 300_000, "--json").json
    assert answer["feeds"] == 300_000
    assert answer["producer_risk"] <= 0.05
    assert answer["consumer_risk"] <= 0.10
    assert at(answer["oc"], 3e-5, "accept") == pytest.approx(1 - answer["producer_risk"], rel=1e-9)
    # Wald and Wolfowitz's bound for the risks it truly has, from its formula.
    alpha, beta = answer["producer_risk"], answer["consumer_risk"]

    def kl(p, q):
        return p * math.log(p / q) + (1 - p) * math.log((1 - p) / (1 - q))

    for rate, other, num in ((3e-5, 1e-4, kl(alpha, 1 - beta)), (1e-4, 3e-5, kl(beta, 1 - alpha))):
        least = num / kl(rate, other)
        assert at(answer["least_expected_feeds"], rate, "feeds") == pytest.approx(least, rel=1e-6)
        assert least <= at(answer["expected_feeds"], rate, "feeds") <= 1.03 * least
    last = answer["boundaries"][-1]
    assert last["accept_at_feeds"] is None
    assert last["faults"] == answer["allowed"] + 1


def test_feeds_that_are_enough_give_the_plan(run):
    assert run("plan", *TWO, "--max-feeds", 200_000, "--json").json["feeds"] == 105_319


def test_feeds_that_are_too_few_say_what_they_prove(run):
    said = run("plan", *TWO, "--max-feeds", 75_000, "--json")
    answer = said.json
    assert (said.code, answer["feeds"]) == (0, 75_000)
    assert "75,000 feeds are too few for these risks, which take 105,319" in answer["sentence"]
    for choice in answer["choices"]:
        fails = stats.binom.sf(choice["allowed"], 75_000, 3e-5)
        assert choice["producer_risk"] == pytest.approx(fails, rel=1e-9)


@pytest.mark.parametrize(("bad", "risk", "feeds"), [(0.05, 0.05, 59), (0.01, 0.1, 230)])
def test_a_zero_failure_test(run, bad, risk, feeds):
    # Success-run tables (value from memory, confirmed as ln C / ln R).
    answer = run("plan", "--bad", bad, "--consumer-risk", risk, "--allowed", 0, "--json").json
    assert (answer["feeds"], answer["allowed"], answer["producer_risk"]) == (feeds, 0, None)


def test_a_good_rate_beside_it_has_its_risk(run):
    answer = run("plan", "--good", 1e-5, "--bad", 1e-4, "--allowed", 0, "--json").json
    assert answer["producer_risk"] == pytest.approx(1 - (1 - 1e-5) ** answer["feeds"], rel=1e-9)


def table(said):
    """Return the lines below the first header, split into words."""
    return [line.split() for line in said.out.split("\n\n")[1].splitlines()[1:]]


@pytest.mark.parametrize(
    ("words", "given"),
    [
        # The bad rate reads 1.0, and so did a rate of 1.02 between it and three times it.
        (("--bad", "1e-4", "--allowed", 0), {"1.00": "bad"}),
        (("--good", "1e-4", "--bad", "1.04e-4", "--max-feeds", 5000), {"1.00": "good"}),
        # 2.001e-5 and 2e-5 are one rate to whoever reads.
        (("--good", "2e-5", "--bad", "1e-4", "--allowed", 3), {"0.200": "good", "1.00": "bad"}),
        # So are 3e-5 and 6e-6 times a square root of 25.
        (("--good", "3e-5", "--bad", "5e-5", "--max-feeds", 5000), {"0.30": "good"}),
    ],
)
def test_no_two_lines_of_its_table_read_alike(run, words, given):
    lines = table(run("plan", *words))
    rates = [line[0] for line in lines]
    assert len(set(rates)) == len(rates) >= 9
    assert given.items() <= {line[0]: line[-1] for line in lines}.items()
    between = [float(rate) for rate in rates]
    assert all(high > 1.005 * low for low, high in zip(between, between[1:], strict=False))


def test_rates_that_are_near_are_told_apart_in_its_sentence(run):
    said = run("plan", "--good", "1e-4", "--bad", "1.04e-4", "--max-feeds", 5000).out
    assert "A tower at 1.00 per 10,000 feeds then fails" in said
    assert "and one at 1.04 passes" in said


def test_no_chance_of_its_table_is_certain(run):
    # To the last binary digit a tower at 0.06 per 10,000 feeds passes always.
    chances = [
        " ".join(line[1:4]) for line in table(run("plan", "--good", "3e-5", "--bad", "5e-5"))
    ]
    assert chances[0].startswith("above 99.9 %")
    assert not [chance for chance in chances if chance.startswith(("100.0 %", "0.0 %"))]


def test_cycles_and_hours(run):
    said = run("plan", *TWO, "--bins", 10, "--pace", 3000)
    assert "With 10 bins that is 10,532 cycles, 3.5 hours." in said.out
    assert "What 105,319 feeds would prove" in said.out
    assert said.err == ""


def test_expected_feeds_as_cycles_and_hours(run):
    words = ("plan", *TWO, "--sequential", "--bins", 10, "--pace", 2500, "--json")
    answer = run(*words).json
    for expected in answer["expected_feeds"]:
        assert expected["cycles"] == pytest.approx(expected["feeds"] / 10, rel=1e-12)
        assert expected["hours"] == pytest.approx(expected["feeds"] / 25_000, rel=1e-12)
    assert "cycles are expected of the first tower" in answer["sentence"]


@pytest.mark.parametrize(("good", "bad"), [("1e-7", "2e-7"), ("0.3", "0.5")])
def test_no_rate_lies_outside_those_of_plans(run, good, bad):
    rates = [
        pair["rate"] for pair in run("plan", "--good", good, "--bad", bad, "--json").json["oc"]
    ]
    assert rates == sorted(rates)
    assert min(rates) >= 1e-7 * (1 - 1e-12)
    assert max(rates) <= 0.5 * (1 + 1e-12)
    assert {float(good), float(bad)} <= set(rates)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--good", "1e-4", "--bad", "3e-5"), "is not above the good one"),
        (("--good", "1e-4", "--bad", "1e-4"), "is not above the good one"),
        ((*TWO, "--producer-risk", "0.5"), "the producer's risk is 0.5"),
        ((*TWO, "--consumer-risk", "0"), "the consumer's risk is 0"),
        (("--good", "3e-8", "--bad", "1e-4"), "the good rate is 3e-08"),
        (("--good", "x", "--bad", "1e-4"), "x is no number, such as 3e-5"),
        ((*TWO, "--producer-risk", "5%"), "5% is no number, such as 0.05"),
        ((*TWO, "--bins", "10", "--pace", "fast"), "fast is no number, such as 4000"),
        (("--bad", "1e-4"), "--good is missing"),
        ((*FAR, "--sequential", "--max-feeds", "50000"), "the least maximum that works is"),
        ((*TWO, "--max-feeds", "0"), "0 feeds is no length of a test"),
        ((*TWO, "--max-feeds", "1,5"), "1,5 is no whole number, such as 300000"),
        ((*TWO, "--allowed", "0", "--sequential"), "--allowed gives a single plan"),
        ((*TWO, "--allowed", "0", "--producer-risk", "0.1"), "--allowed settles the producer's"),
        ((*TWO, "--save", "A-1", "--kind", "misses", "--tower", " "), "--save goes with --tower"),
        ((*TWO, "--pace", "3000"), "goes with --bins"),
        ((*TWO, "--tower", "A"), "--tower goes with --save"),
        ((*TWO, "--stock", "BO90"), "--stock goes with --save"),
        ((*TWO, "--save", "A-1", "--tower", "A"), "--kind"),
        ((*TWO, "--save", "A-1", "--kind", "misses", "--tower", "A", "--humidity", "9"), "9 is no"),
    ],
)
def test_refusals(run, words, told):
    run("plan", *words).refused(told)


def test_the_least_maximum_works(run):
    said = run("plan", *FAR, "--sequential", "--max-feeds", 50_000)
    least = int(said.err.rpartition("works is ")[2].split()[0].replace(",", ""))
    assert run("plan", *FAR, "--sequential", "--max-feeds", least).code == 0
    run("plan", *FAR, "--sequential", "--max-feeds", least - 1).refused("the least maximum")


class TestKeeping:
    SAVE = ("--save", "A-1", "--tower", "A", "--kind", "misses")

    def test_it_is_kept_as_asked(self, run, store: Store):
        said = run(
            "plan", *TWO, "--sequential", *self.SAVE, "--stock", "BO90", "--humidity", "45,55",
            "--store", store.folder, "--json",
        )  # fmt: skip
        kept = said.json["kept"]
        assert (kept["number"], kept["stock"], kept["humidity_pct"]) == (1, "BO90", [45, 55])
        assert "tower A on stock BO90 at 45 to 55 % humidity." in said.json["sentence"]
        assert said.json["account"]["rows"] == 0
        assert "the log has no tower A yet" in said.err
        (plan,) = kept_plans(store.folder)
        assert (plan.tower, plan.proof, plan.kind) == ("A", "A-1", "misses")
        assert (plan.stock, plan.humidity, plan.rows_before) == ("BO90", (45, 55), 0)
        # A tower's 0.05 is shared by both kinds and the screens.
        assert plan.asked.producer_risk == 0.02
        assert abs(plan.kept_at - dt.datetime.now(dt.UTC)) < dt.timedelta(minutes=5)

    def test_rows_that_were_there_before_are_counted(self, run, store: Store):
        header = "run,started,tower,bin,cycles,misses,doubles,purpose,proof"
        line = "1,2031-01-02T08:00,A,{},6000,0,0,burn-in,A-1"
        store.add(read(run_log(*(line.format(n) for n in (1, 2, 3)), header=header)))
        said = run("plan", *TWO, *self.SAVE, "--store", store.folder)
        assert "3 rows of that burn-in were in the log before" in said.out
        again = run("plan", *TWO, *self.SAVE, "--store", store.folder, "--json").json
        assert again["account"]["rows"] == again["kept"]["rows_before"] == 3
        assert said.err == ""
        assert kept_plans(store.folder)[0].rows_before == 3

    def test_the_command_to_judge_by_it_can_be_typed_as_it_stands(self, run, store: Store):
        words = ("--save", "spring proof", "--tower", "A", "--kind", "misses")
        said = run("plan", *TWO, *words, "--store", store.folder)
        told = shlex.split(
            said.out.partition("feedtally judge ")[2].partition(" judges the burn-in.")[0]
        )
        assert told == ["--tower", "A", "--proof", "spring proof", "--store", str(store.folder)]

    def test_a_slip_in_the_towers_name_is_told(self, run, store: Store):
        store.add(read(run_log()))
        words = ("--save", "A-1", "--tower", "a", "--kind", "misses", "--store", store.folder)
        said = run("plan", *TWO, *words)
        assert said.code == 0
        assert said.err == (
            "feedtally plan: the log has no tower a yet; did you mean A? "
            "If so, keep the plan again for it.\n"
        )

    def test_without_a_store_there_is_nowhere_to_keep_it(self, run, tmp_path):
        run("plan", *TWO, *self.SAVE, "--store", tmp_path / "none").refused("none")

    def test_a_plan_that_does_not_keep_its_risks_is_not_kept(self, run, store: Store):
        words = (*TWO, *self.SAVE, "--max-feeds", 5000, "--store", store.folder)
        run("plan", *words).refused("do not keep the risks")
        assert kept_plans(store.folder) == ()

    def test_a_burn_in_has_a_name(self, run, store: Store):
        words = ("--save", " ", "--tower", "A", "--kind", "misses", "--store", store.folder)
        run("plan", *TWO, *words).refused("--save is empty")
