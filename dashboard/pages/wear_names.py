"""What is a part called in addresses and files?"""

from __future__ import annotations

import re

from analysis.filters import FilterError
from analysis.parts import PartRow


def key_of(row: PartRow) -> str:
    """Write a part as an address names it: ``A.7.brush``, ``A.tower.pump``."""
    return f"{row.tower}.{'tower' if row.bin is None else row.bin}.{row.part}"


def checked_name(text: str) -> None:
    """Raise FilterError for what cannot name a part; whether there is such a one is seen later."""
    if text and not re.fullmatch(r".+\.(tower|\d+)\..+", text):
        raise FilterError(f"part is {text}; write tower, bin (or tower) and part, like A.7.brush")


def file_name(row: PartRow) -> str:
    """Return a name for a part's files that every file system takes."""
    place = "tower" if row.bin is None else f"bin-{row.bin}"
    tower, part = (
        re.sub(r"[^A-Za-z0-9._-]+", "-", text).strip(".-_")[:48] or "x"
        for text in (row.tower, row.part)
    )
    return f"feedtally-wear-tower-{tower}-{place}-{part}"
