"""Which plan was kept for a burn-in before it began?

A plan that is chosen once the counts are known proves nothing. So it is kept in the store's folder,
a small file each in ``plans/``, with the moment and with how much of that burn-in was in the log by
then. None is ever written over: a plan that is kept again stands beside the first.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from dataclasses import asdict, fields, replace
from pathlib import Path

from analysis.plans import Asked, PlanError
from analysis.plans_before import KeptPlan
from analysis.snapshot import DamagedStoreError, StoreError, short

#: Folder of the kept plans in the store's.
FOLDER = "plans"


def keep(folder: Path, plan: KeptPlan) -> KeptPlan:
    """Keep a plan in a store's folder.

    Parameters
    ----------
    folder : Path
        Of the store.
    plan : KeptPlan
        What is kept.

    Returns
    -------
    KeptPlan
        With its number.

    Raises
    ------
    StoreError
        When it cannot be written.
    """
    place = folder / FOLDER
    try:
        place.mkdir(exist_ok=True)
        number = max(
            (int(path.stem) for path in place.glob("*.json") if path.stem.isdigit()), default=0
        )
        while True:
            number += 1
            kept = replace(plan, number=number)
            try:
                # Only one process can make a file that is not there.
                with (place / f"{number}.json").open("x", encoding="utf-8") as file:
                    file.write(_written(kept))
                return kept
            except FileExistsError:
                continue
    except OSError as error:
        raise StoreError(
            f"the plan cannot be kept in {place} ({short(error)}); see that the folder may be "
            "written to"
        ) from None


def _written(plan: KeptPlan) -> str:
    cells = asdict(plan)
    cells["kept_at"], cells["kept_wall"] = plan.kept_at.isoformat(), plan.kept_wall.isoformat()
    body = json.dumps(cells, ensure_ascii=True, indent=2)
    # So that a file that was altered is not taken for what was kept.
    digest = hashlib.sha256(body.encode()).hexdigest()
    return json.dumps({"sha256": digest, "plan": cells}, ensure_ascii=True, indent=2) + "\n"


def kept_plans(folder: Path) -> tuple[KeptPlan, ...]:
    """Return the plans that were kept in a store's folder, in order.

    Raises
    ------
    DamagedStoreError
        When one of them cannot be read or was altered.
    """
    place = folder / FOLDER
    found = [path for path in place.glob("*.json") if path.stem.isdigit()]
    return tuple(_read(path) for path in sorted(found, key=lambda path: int(path.stem)))


def _read(path: Path) -> KeptPlan:
    try:
        held = json.loads(path.read_text("utf-8"))
        cells = dict(held["plan"])
        body = json.dumps(cells, ensure_ascii=True, indent=2)
        if hashlib.sha256(body.encode()).hexdigest() != held["sha256"]:
            raise ValueError("it is not as it was written")
        humidity = cells["humidity"]
        cells |= {
            "asked": Asked(**cells["asked"]),
            "humidity": None if humidity is None else (humidity[0], humidity[1]),
            "kept_at": dt.datetime.fromisoformat(cells["kept_at"]),
            "kept_wall": dt.datetime.fromisoformat(cells["kept_wall"]),
        }
        return KeptPlan(**{field.name: cells[field.name] for field in fields(KeptPlan)})
    except (OSError, ValueError, KeyError, TypeError, IndexError, PlanError) as error:
        raise DamagedStoreError(
            f"the kept plan {FOLDER}/{path.name} is damaged ({str(error)[:60]}); put the file from "
            "a copy of the store in its place"
        ) from None
