"""Say what in the log is hard to believe, and what to ask about it."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from dashboard.commands import options as shared

if TYPE_CHECKING:
    from analysis.belief import Belief
    from analysis.belief_findings import Finding

#: What each kind of finding is called on the screen.
_CALLED = {
    "zeros": "runs with no fault",
    "round": "round cycles",
    "air": "air not read on bad days",
    "gap": "days with no log",
    "copy": "a run written twice",
}


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    shared.add_filters(parser)
    shared.add_scan(parser)
    shared.add_json(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Print what is hard to believe, the least likely first."""
    from analysis import answers

    with shared.scan(options) as (scan, _):
        result = answers.believe(scan, shared.filters(options))
    if options.json:
        shared.print_json(
            {
                **shared.as_of_json(options, scan),
                "method": "scan",
                "findings": [_json(finding) for finding in result.findings],
                "looks": dict(result.looks),
                "not_looked": list(result.not_looked),
                "runs": result.runs,
                "days": result.days,
                "stretches": result.stretches,
            },
            sentence=shared.as_of_sentence(options) + result.sentence(),
            account=result.account,
        )
    else:
        _print(result, shared.as_of_sentence(options))
    return 0


def _json(finding: Finding) -> dict[str, object]:
    return {
        "kind": finding.kind,
        "tower": finding.tower,
        "shift": finding.shift,
        "from": finding.first,
        "to": finding.last,
        "observed": finding.observed,
        "expected": finding.expected,
        "of": finding.of,
        "chance": finding.chance,
        "ratio": shared.finite(finding.ratio),
        "low": shared.finite(finding.low),
        "high": shared.finite(finding.high),
        "missed_cycles": finding.missed_cycles,
        "runs": list(finding.runs),
        "sentence": finding.sentence(),
    }


def _print(result: Belief, stood: str) -> None:
    from analysis.belief_findings import CAUTION

    print(stood + result.sentence())
    if len(result.findings) > 1:
        print()
        for finding in result.findings:
            print(f"{_CALLED[finding.kind]}: {finding.sentence()}")
    for missing in result.not_looked:
        print(missing)
    if result.findings:
        print(CAUTION)
