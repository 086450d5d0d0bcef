"""Where does common practice start for this paper?

What the trade does without a source, as a starting point beside the evidence of the log and
labelled so; a trial or the settings that ran clean say more than any of it. Only what is known of
the paper decides: an attribute that is missing gives nothing, and no practice is made up for it.

Practice names one weight, 80 lb text or 118 g/m2, and that is the only one that divides here. To
call lighter paper *light*, and a lift *large* when its sheet is larger than A4, are choices of this
module; each sentence that rests on one says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

#: What stands beside any advice to touch a setting.
CAUTION = (
    "Before a hand goes near a foot, a hose or the pile, switch the tower off, isolate it and let "
    "vacuum and compressed air vent; what the machine's maker and the local rules say comes before "
    "anything said here."
)

#: 80 lb text in g/m2, as practice has it: coated stock from here on runs without the spring.
HEAVY_GSM = 118.0

#: Area of A4 (ISO 216) in mm2.
_A4_MM2 = 210.0 * 297.0

_LABEL = "Common practice, no source"
_OURS = "that light means below 118 g/m2 is our choice"


@dataclass(frozen=True)
class StartingPoint:
    """One setting to start with.

    Attributes
    ----------
    setting : str
        The log's column: ``set_spring``, ``set_foot_rest``, ``set_bleed_holes``,
        ``set_foot_height`` or ``prepared``.
    what : str
        What to do, in words: practice states no marks.
    why : str
        Why it applies to this paper.
    """

    setting: str
    what: str
    why: str

    def sentence(self) -> str:
        """Say what to start with and why, labelled as what it is."""
        return f"{_LABEL}: {self.what}, since {self.why}."


def starting_points(
    grammage_gsm: float | None,
    coating: str | None,
    printed_by: str | None,
    width_mm: float | None,
    height_mm: float | None,
    beside_grammage_gsm: float | None = None,
) -> tuple[StartingPoint, ...]:
    """Where does common practice start for this paper?

    Parameters
    ----------
    grammage_gsm : float or None
        Of the paper, in g/m2; None (or NaN) where the stock list does not say, as below.
    coating : str or None
        ``coated`` or ``uncoated``; a word of the site's own says neither.
    printed_by : str or None
        As in the stock list.
    width_mm, height_mm : float or None
        Of the sheet.
    beside_grammage_gsm : float or None
        Of the paper it is collated with in the same job, in other bins.

    Returns
    -------
    tuple of StartingPoint
        In the order of the run log's columns; empty where nothing can be said.

    Raises
    ------
    ValueError
        For a weight or a length that is not above nought.

    Examples
    --------
    >>> print(starting_points(148, "coated", "offset", 210, 297)[0].sentence())
    Common practice, no source: release the auxiliary spring, since this paper is coated and of \
148 g/m2 (about 80 lb text, 118 g/m2, or heavier).
    """
    weight = _known("grammage_gsm", grammage_gsm)
    width, height = _known("width_mm", width_mm), _known("height_mm", height_mm)
    beside = _known("beside_grammage_gsm", beside_grammage_gsm)
    area = None if width is None or height is None else width * height
    coat = (coating or "").strip().lower()
    found = (
        _prepared((printed_by or "").strip().lower()),
        _spring(weight, coat, area),
        _foot_rest(weight, coat),
        _foot_height(weight),
        _bleed(weight, beside),
    )
    return tuple(point for point in found if point is not None)


def _known(name: str, value: float | None) -> float | None:
    if value is None or math.isnan(value):
        return None
    if not 0 < value < math.inf:
        raise ValueError(
            f"{name} must be a number above 0, not {value:g}; give none where it is not known"
        )
    return float(value)


def _prepared(printed_by: str) -> StartingPoint | None:
    # Liquid toner is another process; practice speaks of toner alone.
    if printed_by != "toner":
        return None
    return StartingPoint(
        "prepared",
        "fan or blow the pile before loading when static is likely",
        "this paper is toner-printed, and static is likeliest on toner-printed sheets in dry air",
    )


def _spring(weight: float | None, coat: str, area: float | None) -> StartingPoint | None:
    if weight is None or weight < HEAVY_GSM or coat != "coated":
        return None
    what = "release the auxiliary spring"
    why = f"this paper is coated and of {weight:.4g} g/m2 (about 80 lb text, 118 g/m2, or heavier)"
    if weight > HEAVY_GSM and area is None:
        what += "; a large heavy lift may need some of it back"
        why += "; its size is not known"
    elif weight > HEAVY_GSM and area is not None and area > _A4_MM2:
        what += "; a large heavy lift such as this may need some of it back"
        why += " and larger than A4 (that a lift is large from there on is our choice)"
    return StartingPoint("set_spring", what, why)


def _foot_rest(weight: float | None, coat: str) -> StartingPoint | None:
    out = "set the foot rest well out"
    if weight is not None and weight < HEAVY_GSM:
        return StartingPoint("set_foot_rest", out, _light(weight))
    if coat == "uncoated":
        return StartingPoint(
            "set_foot_rest",
            f"{out}, but fully in if this is a cover stock",
            "this paper is uncoated",
        )
    if weight is None:
        return None
    # A text paper may be as heavy as a cover: the weight alone does not tell them apart.
    return StartingPoint(
        "set_foot_rest",
        "set the foot rest fully in if this is a cover stock",
        f"this paper is of {weight:.4g} g/m2, which may be one",
    )


def _foot_height(weight: float | None) -> StartingPoint | None:
    if weight is None or weight >= HEAVY_GSM:
        return None
    return StartingPoint(
        "set_foot_height", "let the suction foot just touch the pile", _light(weight)
    )


def _bleed(weight: float | None, beside: float | None) -> StartingPoint | None:
    if weight is None or beside is None:
        return None
    light, heavy = sorted((weight, beside))
    if not light < HEAVY_GSM <= heavy:
        return None
    return StartingPoint(
        "set_bleed_holes",
        "give every bin a little bleed to start with when the light sheets run under a heavy cover",
        f"sheets of {light:.4g} and of {heavy:.4g} g/m2 run together ({_OURS})",
    )


def _light(weight: float) -> str:
    return f"this paper of {weight:.4g} g/m2 is light ({_OURS})"
