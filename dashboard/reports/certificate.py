"""What does the tester sign, and what can the customer read in it? The acceptance certificate.

All of its numbers are those of the judgement. A burn-in that goes on gives an interim report, which
says that it is no certificate.
"""

from __future__ import annotations

import datetime as dt
import shlex
from itertools import groupby

from analysis import __version__
from analysis.acceptance import Judgement
from analysis.burn_ins import Attempt
from analysis.chosen_plans import Chosen
from analysis.log_format import SETTINGS
from analysis.ran_on import between
from analysis.run_by_run import BinJudged, KindJudged
from analysis.sequential import SequentialPlan
from analysis.words import (
    at_most_per_10k,
    bound_apart,
    called,
    listed,
    many,
    one,
    two_digits,
)
from dashboard import theme
from dashboard.reports import letter
from dashboard.reports.blocks import Facts, Grid, Items, Letter, Section, Signatures, Text

FINDING = {
    "pass": "Passed",
    "fail": "Failed: the tower is not accepted",
    "go on": "No verdict yet: this is no certificate",
}
NOT_LOGGED = "not logged"

#: What is to be minded by whoever goes to the tower with this paper in hand.
CAUTIONS = (
    "Hands: keep clear of moving bins. Before hands go in, switch off and isolate as the machine's "
    "maker and the local rules require.",
    "Vacuum and compressed air: let both vent before a hose, fitting or filter is opened.",
    "Electricity and pressure: only people who are licensed for it work on either.",
    "Misses and doubles are what was tested here. Nothing here says that the machine is safe.",
)

_WORD = {"pass": "passed", "fail": "failed", "go on": "go on"}


def html(judgement: Judgement, *, as_of: str = "") -> str:
    """Write a certificate as one HTML file that fetches nothing.

    Parameters
    ----------
    judgement : Judgement
        The burn-in, judged.
    as_of : str
        What ``--as-of`` was given, where the log is taken as it stood before.
    """
    return letter.html(_letter(judgement, as_of))


def pdf(judgement: Judgement, *, as_of: str = "") -> bytes:
    """Write a certificate as a PDF of size A4; the same bytes each time.

    Parameters
    ----------
    judgement, as_of
        As of `html`.
    """
    return letter.pdf(_letter(judgement, as_of))


def can_write(judgement: Judgement) -> bool:
    """Tell whether the type of the PDF has every letter of a certificate."""
    return letter.can_write(_letter(judgement, ""))


def paper(judgement: Judgement) -> str:
    """Return what the paper is: a certificate, or an interim report."""
    return "interim report" if judgement.verdict == "go on" else "acceptance certificate"


def _letter(judgement: Judgement, as_of: str) -> Letter:
    what = paper(judgement).capitalize()
    groups = _fours(judgement.burn_in.fingerprint).split()
    return Letter(
        title=what,
        name=f"{what}, {judgement.name}",
        foot=f"{what}, fingerprint {' '.join(groups[:2])} …, {judgement.name}",
        sections=(
            _opening(judgement),
            _plans(judgement),
            _totals(judgement),
            _bins(judgement),
            _proved(judgement),
            Section("What was not proved", (Items(judgement.not_proved()),)),
            Section("Detector", (Items(tuple(d.sentence() for d in judgement.detectors)),)),
            _doubts(judgement),
            _attempts(judgement),
            _conditions(judgement),
            Section("Cautions", (Items(CAUTIONS),)),
            _signatures(judgement),
            _source(judgement, as_of),
        ),
    )


def _moment(when: dt.datetime) -> str:
    return f"{theme.day(when)} at {when:%H:%M}"


def _fours(digits: str) -> str:
    return " ".join(digits[start : start + 4] for start in range(0, len(digits), 4))


def _opening(judgement: Judgement) -> Section:
    burn_in = judgement.burn_in
    runs = judgement.attempt.runs
    if judgement.verdict == "go on":
        reached = (
            f"By the end of run {runs[-1]} no verdict was reached. This report is interim: nothing "
            "is accepted or refused by it."
        )
    else:
        assert judgement.decided_at is not None
        reached = (
            f"Reached at the end of run {judgement.decided_run}, which started on "
            f"{_moment(judgement.decided_at)}."
        )
    rows = [
        ("Tower", burn_in.tower),
        ("Burn-in", burn_in.name or "without a name"),
        ("First stretch started", _moment(burn_in.begun)),
    ]
    if len(burn_in.attempts) > 1:
        rows.append(("Begun anew, and counted from", _moment(judgement.attempt.started[0])))
    rows.append(("Last stretch started", _moment(burn_in.last)))
    bins = str(judgement.bins_run)
    if burn_in.listed_bins is not None:
        bins += f" of {burn_in.listed_bins} in the tower list"
    rows += [("Runs that count", str(judgement.attempt.run_count)), ("Bins that ran", bins)]
    return Section(
        "",
        (
            Facts(tuple(rows)),
            Text(FINDING[judgement.verdict], "finding"),
            Text(judgement.sentence()),
            Text(reached),
        ),
    )


def _plans(judgement: Judgement) -> Section:
    kinds = tuple(judgement.kinds.values())
    lines = [
        ("Good rate, per 10,000 feeds", [k.asked.rates()[0] for k in kinds]),
        ("Bad rate, per 10,000 feeds", [k.asked.rates()[1] for k in kinds]),
        ("How it is run", [_run_by(k) for k in kinds]),
        (
            "Chance that a tower at the good rate fails",
            [_risk(k.asked.producer_risk, k.producer_risk) for k in kinds],
        ),
        (
            "Chance that a tower at the bad rate passes",
            [_risk(k.asked.consumer_risk, k.consumer_risk) for k in kinds],
        ),
        ("Kept before the first run", [_kept(k.chosen) for k in kinds]),
    ]
    meant = [_meant(k.chosen) for k in kinds]
    if any(meant):
        lines.append(("Meant for", [text or "any paper and air" for text in meant]))
    names = tuple(judgement.kinds)
    whole = [
        (
            f"Chance that a tower at the good rates of {listed(names)} does not pass",
            theme.percent(judgement.producer_risk),
        )
    ]
    whole += [
        (
            f"Chance that a tower passes which is at the bad rate of {kind} and good otherwise",
            theme.percent(chance),
        )
        for kind, chance in judgement.pass_at_bad.items()
    ]
    whole.append(
        (
            "Chance that the screens of the bins fail a good tower",
            f"at most {theme.percent(judgement.screens_risk)}",
        )
    )
    return Section(
        "Plan and its risks",
        (
            Grid(("", *names), tuple((name, *cells) for name, cells in lines), numbers=False),
            Facts(tuple(whole), long=True),
            Text(
                "True risks are worked out exactly for looks at the end of each run, as the runs "
                "were and, for what is still ahead, as long as those so far.",
                "quiet",
            ),
        ),
    )


def _run_by(kind: KindJudged) -> str:
    plan = kind.chosen.plan
    if isinstance(plan, SequentialPlan):
        return (
            f"sequential: looked at after each run until it is settled, {many(plan.feeds, 'feed')} "
            "at most"
        )
    allowed = f"{plan.allowed:,} {one(kind.kind, plan.allowed)}"
    return f"single: {many(plan.feeds, 'feed')}, and passes with at most {allowed}"


def _risk(asked: float, true: float) -> str:
    return f"asked: at most {theme.percent(asked)}; true: {theme.percent(true)}"


def _kept(chosen: Chosen) -> str:
    kept = chosen.kept
    if kept is None:
        return "no plan was kept"
    when = _moment(kept.kept_wall)
    text = f"yes, on {when}" if chosen.before else f"no, but later: on {when}"
    return text if chosen.followed else f"{text}; another plan than that one is followed"


def _meant(chosen: Chosen) -> str:
    kept = chosen.kept
    if kept is None:
        return ""
    told = [f"stock {kept.stock}"] if kept.stock else []
    if kept.humidity:
        low, high = kept.humidity
        told.append(f"{low:g} to {high:g} % humidity")
    return "; ".join(told)


def _totals(judgement: Judgement) -> Section:
    kinds = tuple(judgement.kinds.values())
    attempt = judgement.attempt
    lines = [("By its plan", [_WORD[k.verdict] for k in kinds])]
    if any(k.decided for k in kinds):
        lines += [
            (
                "Reached at the end of run",
                [k.decided.run if k.decided else "not reached" for k in kinds],
            ),
            (
                "By then",
                [_seen(k.decided.count, k.decided.feeds) if k.decided else "–" for k in kinds],
            ),
            (
                "After that",
                [_seen(k.later[1], k.later[0]) if k.decided else "–" for k in kinds],
            ),
        ]
    lines.append(("In all", [_seen(k.count, k.feeds) for k in kinds]))
    # Beside the bad rate above, which it may only just keep below.
    bounds = [bound_apart(k.proved_bound, k.asked.bad)[0] for k in kinds]
    lines.append(("Proves at most, per 10,000 feeds", bounds))
    if judgement.verdict == "go on":
        lines.append(
            (
                "Feeds still expected if the tower is good",
                ["–" if k.decided else f"about {two_digits(k.expected_more_feeds)}" for k in kinds],
            )
        )
    if any(attempt.unwatched.values()):
        lines.append(
            ("Feeds that nothing watched", [f"{attempt.unwatched[k.kind]:,}" for k in kinds])
        )
    lost = {k.kind: int(attempt.unplaced[k.kind].sum()) for k in kinds}
    if any(lost.values()):
        lines.append(("Of these, bin not noted", [f"{lost[k.kind]:,}" for k in kinds]))
    rows = tuple((name, *cells) for name, cells in lines)
    return Section(
        "Counts of the tower",
        (
            Grid(("", *judgement.kinds), rows, numbers=False),
            Text(
                "Proves at most: the true rate is below it with 95 % confidence, one-sided and "
                "exact, allowing for the looks before.",
                "quiet",
            ),
        ),
    )


def _seen(count: int, feeds: int) -> str:
    return f"{count:,} in {many(feeds, 'feed')}" if feeds or count else "nothing"


def _bins(judgement: Judgement) -> Section:
    each = [tuple(own) for _, own in groupby(judgement.bins, key=lambda b: b.bin)]
    alike = all(len({b.feeds for b in own}) == 1 for own in each)
    later = any(b.count != b.screened_count for b in judgement.bins)
    under = [
        *([] if alike else ["feeds"]),
        "counted",
        *(["by the verdict"] if later else []),
        "fails at",
        "proves at most",
    ]
    rows = []
    for own in each:
        out = [b.kind for b in own if b.stands_out]
        name = str(own[0].bin) + (f", stands out: {listed(out)}" if out else "")
        cells = [f"{own[0].feeds:,}"] if alike else []
        for b in own:
            cells += _bin_cells(b, feeds=not alike, later=later)
        rows.append((name, *cells))
    first = ("bin", "feeds") if alike else ("bin",)
    kinds = tuple(judgement.kinds)
    grid = Grid(
        heads=(*first, *[head for _ in kinds for head in under]),
        rows=tuple(rows),
        groups=(("", len(first)), *((kind, len(under)) for kind in kinds)),
    )
    if judgement.verdict == "go on":
        told = "Fails at: the count that fails the tower at the end of the whole test."
    else:
        told = (
            "Fails at: the count of one bin that fails the tower; it is held against what the bin "
            "had by the verdict."
        )
    bound = (
        " Proves at most: faults per 10,000 feeds, with 95 % confidence, by all that was counted."
    )
    return Section("Counts per bin", (grid, Text(told + bound, "quiet")))


def _bin_cells(judged: BinJudged, *, feeds: bool, later: bool) -> list[str]:
    cells = [f"{judged.feeds:,}"] if feeds else []
    cells.append(f"{judged.count:,}")
    if later:
        cells.append(f"{judged.screened_count:,}")
    if not judged.feeds:
        return [*cells, "–", "nothing"]
    return [*cells, f"{judged.fails_at:,}", at_most_per_10k(judged.upper_bound)]


def _proved(judgement: Judgement) -> Section:
    told = judgement.proved()
    nothing = "Nothing: of neither kind of fault is a rate below the bad one proved."
    return Section("What was proved", (Items(told) if told else Text(nothing),))


def _doubts(judgement: Judgement) -> Section:
    told = tuple(doubt.text for doubt in judgement.doubts)
    if not told:
        return Section("Doubts", (Text("There are none."),))
    return Section(
        "Doubts",
        (
            Text(
                "What speaks against taking the verdict as it stands; a doubt fails no tower and "
                "is there to be settled.",
                "quiet",
            ),
            Items(told, numbered=True),
        ),
    )


def _attempts(judgement: Judgement) -> Section:
    before = judgement.burn_in.attempts[:-1]
    if not before:
        told = "There are none: nothing was changed between the first run and the last."
        return Section("Attempts that were abandoned", (Text(told),))
    return Section(
        "Attempts that were abandoned",
        (
            Text("What they counted is not in the counts above.", "quiet"),
            Items(tuple(_attempt(one_of, judgement) for one_of in before), numbered=True),
        ),
    )


def _attempt(attempt: Attempt, judgement: Judgement) -> str:
    counted = listed(
        [
            f"{attempt.total(kind):,} {one(kind, attempt.total(kind))} in "
            f"{many(attempt.total_feeds(kind), 'feed')}"
            for kind in judgement.kinds
        ]
    )
    runs = many(attempt.run_count, "run")
    text = f"From {_moment(attempt.started[0])}, {runs}: {counted}"
    if attempt.ended_by is not None:
        text += f". Abandoned since: {attempt.ended_by.what}, {_moment(attempt.ended_by.when)}"
    return text + "."


def _conditions(judgement: Judgement) -> Section:
    ran = judgement.conditions
    settings = dict(ran.settings)
    stocks = [
        f"{name or 'stock not logged'}, {many(feeds, 'feed')}"
        for name, feeds in ran.stocks
        if feeds
    ]
    lots = [f"{lot} in {many(runs, 'run')}" for lot, runs in ran.lots]
    humidity = between(ran.humidity, "%")
    if ran.humidity and ran.no_humidity:
        humidity += f"; not logged for {theme.percent(ran.no_humidity)} of the feeds"
    rows = [
        ("Stock", "; ".join(stocks)),
        ("How often each lot was run", "; ".join(lots)),
        ("Humidity", humidity),
        ("Temperature", between(ran.temperature, "°C")),
        ("Paper prepared", ", ".join(ran.prepared)),
        ("Speed", ", ".join(settings.pop("set_speed", ()))),
        ("At the end of the line", ", ".join(ran.at_end)),
    ]
    rows += [(f"Setting: {called(name)}", ", ".join(values)) for name, values in settings.items()]
    names = [called(name) for name in SETTINGS if name not in settings]
    names.remove("speed")
    if names:
        rows.append(("Settings not logged", listed(names)))
    return Section("Conditions", (Facts(tuple((name, text or NOT_LOGGED) for name, text in rows)),))


def _signatures(judgement: Judgement) -> Section:
    if judgement.verdict == "go on":
        told = "Who signs has seen the counts and doubts above. Nothing is accepted by signing."
    else:
        told = (
            "Who signs has seen the counts, conditions and doubts above, and takes the verdict as "
            f"it stands: {_WORD[judgement.verdict]}."
        )
    who = ("Tester", "For the works", "For the customer")
    return Section("Signatures", (Text(told), Signatures(who)))


def _source(judgement: Judgement, as_of: str) -> Section:
    burn_in, account = judgement.burn_in, judgement.account
    words = ["feedtally", "judge", *_option("--tower", burn_in.tower)]
    words += _option("--proof", burn_in.name)
    if as_of:
        words += _option("--as-of", as_of)
    rows = [
        ("To get the fingerprint again", " ".join(words)),
        ("Program", f"feedtally {__version__}"),
        ("Rows that count", f"{account.rows:,}"),
        ("Runs", f"{account.runs:,}"),
        ("Feeds", f"{account.feeds:,}"),
        ("From", _moment(account.first) if account.first else "–"),
        ("To", _moment(account.last) if account.last else "–"),
    ]
    if as_of:
        rows.append(("The log as it stood", as_of))
    return Section(
        "Where the numbers come from",
        (
            Text("Fingerprint (SHA-256) of the input rows, those of abandoned attempts included:"),
            Text(_fours(burn_in.fingerprint), "bold"),
            Text(
                "Another one, got from the log later, means that a line of this burn-in was added, "
                "corrected or taken back.",
                "quiet",
            ),
            Facts(tuple(rows)),
        ),
    )


def _option(name: str, value: str) -> list[str]:
    # A value that begins with a hyphen would be read as an option.
    if value.startswith("-"):
        return [f"{name}={shlex.quote(value)}"]
    return [name, shlex.quote(value)]
