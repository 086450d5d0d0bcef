"""Say whether a tower passes its burn-in, and what that proved."""

from __future__ import annotations

import argparse
import math
import textwrap
from typing import TYPE_CHECKING, Any

from dashboard.commands import options as shared

if TYPE_CHECKING:
    from analysis.acceptance import Judgement
    from analysis.ran_on import Conditions
    from analysis.run_by_run import KindJudged, Step

#: A terminal's usual width.
_WIDTH = 98


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    shared.add_judged(parser)
    shared.add_scan(parser)
    shared.add_json(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Print the verdict; 1 when the tower fails."""
    with shared.scan(options) as (scan, _):
        judgement = shared.judged(options, scan)
        stood = shared.as_of_json(options, scan)
    told = shared.as_of_sentence(options) + judgement.sentence()
    if options.json:
        answer = {**stood, **_json(judgement)}
        shared.print_json(answer, sentence=told, account=judgement.account)
    else:
        _print(judgement, told)
    return 1 if judgement.verdict == "fail" else 0


def _json(found: Judgement) -> dict[str, Any]:
    burnt = found.burn_in
    return {
        "tower": burnt.tower,
        "proof": burnt.name or None,
        "verdict": found.verdict,
        "decided_run": found.decided_run,
        "decided_at": found.decided_at,
        "producer_risk": found.producer_risk,
        "pass_at_bad": dict(found.pass_at_bad),
        "screens_risk": found.screens_risk,
        "screened": found.screened,
        "kinds": {kind: _kind(judged) for kind, judged in found.kinds.items()},
        "bins": [
            {
                "bin": b.bin,
                "kind": b.kind,
                "feeds": b.feeds,
                "count": b.count,
                "upper_bound": b.upper_bound,
                "stands_out": b.stands_out,
                "screened_count": b.screened_count,
                "fails_at": b.fails_at,
                "seen_ratio": shared.finite(b.seen_ratio),
                "fails_now_at": b.fails_now_at,
                "seen_now": shared.finite(b.seen_now),
            }
            for b in found.bins
        ],
        "attempts": [
            {
                "from": attempt.started[0],
                "runs": attempt.run_count,
                "feeds": {kind: attempt.total_feeds(kind) for kind in found.kinds},
                "misses": attempt.total("misses"),
                "doubles": attempt.total("doubles"),
                "ended_by": attempt.ended_by.what if attempt.ended_by else None,
                "ended_at": attempt.ended_by.when if attempt.ended_by else None,
            }
            for attempt in burnt.attempts
        ],
        "detectors": [
            {
                "kind": d.planted.kind,
                "planted": d.planted.planted,
                "called": d.planted.called,
                "lower_bound": d.lower_bound,
            }
            for d in found.detectors
        ],
        "conditions": _conditions(found.conditions),
        "proved": list(found.proved()),
        "not_proved": list(found.not_proved()),
        "doubts": [doubt.text for doubt in found.doubts],
        "fingerprint": burnt.fingerprint,
    }


def _kind(judged: KindJudged) -> dict[str, Any]:
    kept = judged.chosen.kept
    return {
        "feeds": judged.feeds,
        "count": judged.count,
        "verdict": judged.verdict,
        "upper_bound": judged.upper_bound,
        "proved_bound": judged.proved_bound,
        "expected_more_feeds": judged.expected_more_feeds,
        "good": judged.asked.good,
        "bad": judged.asked.bad,
        "producer_risk": judged.producer_risk,
        "consumer_risk": judged.consumer_risk,
        "plan": {
            "method": judged.chosen.method,
            "feeds": judged.chosen.plan.feeds,
            "allowed": judged.chosen.plan.allowed,
        },
        "kept": None
        if kept is None
        else {
            "number": kept.number,
            "kept_at": kept.kept_at.isoformat(),
            "before": judged.chosen.before,
            "followed": judged.chosen.followed,
        },
        "decided": None if judged.decided is None else _step(judged.decided),
        "later": dict(zip(("feeds", "count"), judged.later, strict=True)),
        "steps": [_step(step) for step in judged.steps],
    }


def _step(step: Step) -> dict[str, Any]:
    return {
        "run": step.run,
        "started": step.started,
        "feeds": step.feeds,
        "count": step.count,
        "accept": step.accept,
        "reject": step.reject,
    }


def _conditions(ran: Conditions) -> dict[str, Any]:
    return {
        "stocks": [{"stock": name or None, "feeds": feeds} for name, feeds in ran.stocks],
        "lots": [{"lot": lot, "runs": runs} for lot, runs in ran.lots],
        "humidity_pct": None if ran.humidity is None else list(ran.humidity),
        "humidity_not_logged": ran.no_humidity,
        "temperature_c": None if ran.temperature is None else list(ran.temperature),
        "prepared": list(ran.prepared),
        "at_end": list(ran.at_end),
        "settings": {name: list(values) for name, values in ran.settings},
    }


def _print(found: Judgement, told: str) -> None:
    from analysis.words import at_most_per_10k, listed, many, two_digits

    _say(told)
    for judged in found.kinds.values():
        _say(judged.sentence())
        plan = judged.chosen.sentence()
        _say(
            f"{plan}: {judged.asked.risks()}; where these runs ended the true risks are "
            f"{100 * judged.producer_risk:.2g} % and {100 * judged.consumer_risk:.2g} %.",
            indent="  ",
        )
    bad = listed(
        [
            f"one at the bad rate of {kind} with {100 * chance:.2g} %"
            for kind, chance in found.pass_at_bad.items()
        ]
    )
    good = f"{100 * (1 - found.producer_risk):.3g} %"
    _say(f"All bins watched, a good tower passes with {good}, {bad}.")
    print()
    rows = []
    for b in found.bins:
        rows.append(
            (
                str(b.bin),
                b.kind,
                f"{b.feeds:,}",
                f"{b.count:,}",
                at_most_per_10k(b.upper_bound),
                f"{b.fails_at:,}",
                f"{two_digits(b.seen_ratio)} times" if math.isfinite(b.seen_ratio) else "nothing",
                "fails the tower" if b.stands_out else "",
            )
        )
    heads = ("bin", "kind", "feeds", "count", "below, per 10,000", "fails at", "which sees", "")
    shared.print_table(heads, rows, left=("kind", ""))
    print()
    for text in found.proved():
        _say(text)
    for text in found.not_proved():
        _say(text)
    for attempt in found.burn_in.attempts[:-1]:
        assert attempt.ended_by is not None
        _say(
            f"Abandoned: {many(attempt.run_count, 'run')} from "
            f"{attempt.started[0]:%Y-%m-%d %H:%M}, "
            f"{many(max(attempt.total_feeds(kind) for kind in found.kinds), 'feed')}, "
            f"{many(attempt.total('misses'), 'miss', 'misses')} and "
            f"{many(attempt.total('doubles'), 'double')}; ended "
            f"by: {attempt.ended_by.what}, {attempt.ended_by.when:%Y-%m-%d %H:%M}."
        )
    for detector in found.detectors:
        _say(detector.sentence())
    _say(found.conditions.sentence())
    if found.doubts:
        print()
        print("Doubts:")
        for number, doubt in enumerate(found.doubts, 1):
            _say(doubt.text, first=f"  {number}. ", indent="     ")
    print()
    lines = sum(len(attempt.rows) for attempt in found.burn_in.attempts)
    print(f"Fingerprint (SHA-256) of {many(lines, 'row')}, those of abandoned attempts included:")
    print(found.burn_in.fingerprint)


def _say(text: str, *, first: str | None = None, indent: str = "") -> None:
    start = indent if first is None else first
    print(textwrap.fill(text, _WIDTH, initial_indent=start, subsequent_indent=indent))
