"""What is asked at the tower when a run is counted there: the table ``entry`` of the site file.

A crew that has to fill in twenty fields fills in none. So the log page asks for what the site
switched on, and for nothing else.
"""

from __future__ import annotations

from analysis.log_format import KINDS, SETTINGS
from analysis.site_values import Checker, check_table, check_text
from analysis.values import nearest

#: What may be asked beside the tower, the run, its purpose, the counter and the faults themselves.
ASKABLE: tuple[str, ...] = (
    "stock",
    "lot",
    "humidity_pct",
    "temperature_c",
    "prepared",
    *SETTINGS,
    "stops",
    "jams",
    "refills",
    "sets_spoiled",
    "sets_mended",
    "at_end",
    "operator",
    "job",
    "note",
)

#: What is asked where the site file says nothing: what most helps to tell wear from paper and air.
USUAL_ASKED: tuple[str, ...] = ("stock", "humidity_pct", "note")


def check_entry(value: object, path: str, problems: list[str]) -> tuple[str, ...] | None:
    """Check the table, and return the columns that are asked for, in their order."""
    found: tuple[str, ...] | None = check_table(value, path, _OF_ENTRY, problems).get("ask")
    return found


def _asked(value: object, path: str, problems: list[str]) -> tuple[str, ...] | None:
    if not isinstance(value, list):
        problems.append(f'{path} is no list; write the columns in it, such as ["stock", "note"]')
        return None
    found: list[str] = []
    for number, one in enumerate(value, 1):
        here = f"{path} number {number}"
        text = check_text(one, here, problems)
        if text is None:
            continue
        name = text.lower()
        if name in found:
            problems.append(f"{path} has {text} twice; name each column once")
        elif name in ASKABLE or (name.startswith("set_") and len(name) > len("set_")):
            found.append(name)
        elif name in KINDS["runs"].needed or name in ("stretch", "ended", "purpose", "proof"):
            problems.append(f"{here} is {text}, which is always asked; take it out")
        else:
            meant = nearest(name, frozenset(ASKABLE), 0.6)
            hint = f"did you mean {meant}?" if meant else f"known are {', '.join(ASKABLE)}"
            problems.append(f"{here} is {text}, which the log page cannot ask for; {hint}")
    return tuple(found)


_OF_ENTRY: dict[str, Checker] = {"ask": _asked}
