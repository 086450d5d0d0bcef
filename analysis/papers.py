"""What does a paper weigh in g/m2 that is sold by the pound?

The trade names a paper's weight in pounds per ream of 500 sheets of the grade's *basic size*, so 20
pounds of bond and 50 pounds of text are about the same paper. Grammage is mass over area and needs
no grade.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import overload

import numpy as np
import numpy.typing as npt

#: Width and height in inches of the sheet that a ream of each grade is weighed in. A grade that
#: mills cut to several sizes is taken at the one in the handbooks' tables.
BASIC_SIZES: Mapping[str, tuple[float, float]] = {
    "bond": (17, 22),
    "text": (25, 38),
    "cover": (20, 26),
    "index": (25.5, 30.5),
    "tag": (24, 36),
    "bristol": (22.5, 28.5),
}

GRADES = tuple(BASIC_SIZES)

#: How far, as a share, a grammage may be from what the basis weight gives. Nominal weights are
#: rounded (a 60-pound text of 88.8 g/m2 is sold as 90: 1.4 %), and two grades differ by 10 % at
#: the least (text and tag): half of that tells a rounded number from a mistaken grade.
TOLERANCE = 0.05

_GRAMS_PER_POUND = 453.59237
_METRES_PER_INCH = 0.0254
_SHEETS = 500

_FACTORS = {
    grade: _GRAMS_PER_POUND / (_SHEETS * width * height * _METRES_PER_INCH**2)
    for grade, (width, height) in BASIC_SIZES.items()
}


@overload
def grammage(basis_weight_lb: float, grade: str) -> float: ...
@overload
def grammage(basis_weight_lb: npt.ArrayLike, grade: npt.ArrayLike) -> npt.NDArray[np.float64]: ...
def grammage(
    basis_weight_lb: npt.ArrayLike, grade: npt.ArrayLike
) -> float | npt.NDArray[np.float64]:
    """Return what papers weigh in g/m2 that are sold by the pound.

    Parameters
    ----------
    basis_weight_lb : float array or float
        Pounds per ream of 500 sheets of the grade's basic size; NaN where none is known.
    grade : str array or str
        Of each paper, or of all: one of `GRADES`. Where there is no weight it may be empty.

    Returns
    -------
    float array or float
        Grammage in g/m2, one per paper; NaN where no weight is known.

    Raises
    ------
    ValueError
        For a weight that is not above nought or without a grade, and for a grade that is none.

    Notes
    -----
    Exact by definition: the pound is 0.45359237 kg and the inch 25.4 mm (International Yard and
    Pound Agreement, 1959). The basic sizes, and the factors that handbooks print for
    them (TAPPI's among them), are those of the trade.

    Examples
    --------
    >>> round(grammage(20, "bond"), 1)
    75.2
    >>> grammage([80, 80], ["text", "cover"]).round(1).tolist()
    [118.4, 216.3]
    """
    weight = np.asarray(basis_weight_lb, np.float64)
    if np.any(weight <= 0):
        raise ValueError(f"basis_weight_lb must be above 0; the least given is {np.min(weight):g}")
    names, which = np.unique(np.asarray(grade, np.str_), return_inverse=True)
    unknown = [str(name) for name in names if name and name not in _FACTORS]
    if unknown:
        raise ValueError(f"grade must be one of {', '.join(GRADES)}, not {unknown[0]}")
    factors = np.array([_FACTORS.get(str(name), np.nan) for name in names])
    factor = factors[which].reshape(np.shape(grade))
    if np.any(np.isnan(factor) & ~np.isnan(weight)):
        raise ValueError(f"a basis weight needs a grade; give one of {', '.join(GRADES)}")
    found: npt.NDArray[np.float64] = weight * factor
    return found if found.ndim else float(found)


@overload
def agree(grammage_gsm: float, basis_weight_lb: float, grade: str) -> bool: ...
@overload
def agree(
    grammage_gsm: npt.ArrayLike, basis_weight_lb: npt.ArrayLike, grade: npt.ArrayLike
) -> npt.NDArray[np.bool_]: ...
def agree(
    grammage_gsm: npt.ArrayLike, basis_weight_lb: npt.ArrayLike, grade: npt.ArrayLike
) -> bool | npt.NDArray[np.bool_]:
    """Tell whether a paper's grammage and its basis weight can be of the same paper.

    Parameters
    ----------
    grammage_gsm, basis_weight_lb : float array or float
        In g/m2, and in pounds as in `grammage`; NaN where not given.
    grade : str array or str
        As in `grammage`.

    Returns
    -------
    bool array or bool
        Whether the two are within `TOLERANCE` of each other, as a share of what the basis weight
        gives. Where one of them is not given, nothing disagrees.

    Raises
    ------
    ValueError
        As `grammage`.

    Examples
    --------
    >>> agree(90, 60, "text"), agree(90, 60, "cover")
    (True, False)
    """
    given = np.asarray(grammage_gsm, np.float64)
    weighed = np.asarray(grammage(basis_weight_lb, grade))
    # Where one is not given the difference is NaN, which is above nothing.
    found: npt.NDArray[np.bool_] = ~(np.abs(given - weighed) > TOLERANCE * weighed)
    return found if np.ndim(found) else bool(found)
