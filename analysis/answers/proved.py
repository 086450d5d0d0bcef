"""Which burn-ins are in the log, and which is each tower's latest?"""

from __future__ import annotations

import pyarrow.compute as pc

from analysis.counts import LogScan
from analysis.filters import Filters
from analysis.proofs import Proof, changes_of, latest, proofs
from analysis.service_log import logged

_PROOF_PLACES = ("tower", "bin", "proof", "stretch")


def burn_ins(scan: LogScan, tower: str = "") -> list[Proof]:
    """Return the burn-ins in the log, tower by tower in order of time; of one tower where named."""
    held = Filters().holding("tower", tower) if tower else Filters()
    found = _proofs(scan, held)
    return [proof for name in sorted(found) for proof in found[name]]


def latest_proofs(scan: LogScan, filters: Filters) -> dict[str, Proof]:
    """Find each tower's latest burn-in, and count the part of it that lies within a filter.

    Which one is the latest does not depend on the filter: a stock that the last burn-in did not
    run makes no older one the benchmark. A bin is set beside its whole tower at burn-in, so the
    burn-in is not held to a bin, nor to the filter's period.
    """
    found = scan.kept.get(("proofs",), lambda: _proofs(scan, Filters()))
    held = filters.during(None, None).holding("purpose", "burn-in").holding("bin")
    counts = scan.by_run(_PROOF_PLACES, held)
    return {
        tower: proof.within(counts.filter(pc.equal(counts["of_tower"], tower)))
        for tower, proof in latest(found).items()
    }


def _proofs(scan: LogScan, filters: Filters) -> dict[str, list[Proof]]:
    """Find the burn-ins in a part of the log, tower by tower."""
    every = filters.holding("purpose", "burn-in")
    counts = scan.by_run(_PROOF_PLACES, every)
    if not counts.num_rows:
        return {}
    changes = changes_of(logged(scan.list_rows("services")), scan.setting_moves(every))
    return proofs(counts, changes)
