"""What does that which is to be ordered come to, at the prices that the site states?

Prices are taken as they stand in the site file, one for each part; none is assumed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.parts import PartRow
from analysis.words import listed, many


@dataclass(frozen=True)
class OrderPrice:
    """What some parts come to.

    Attributes
    ----------
    count : int
        How many have a price.
    total : float
        Their sum, in the site's money.
    currency : str
        Of it; empty where the site states none.
    unpriced : tuple of str
        Names of parts among them without a price, each once.
    """

    count: int
    total: float
    currency: str
    unpriced: tuple[str, ...]

    @property
    def head(self) -> str:
        """Head of a column of prices, with the currency."""
        return f"price, {self.currency}" if self.currency else "price"

    def sentence(self) -> str:
        """Say the sum, and where the prices that are lacking go; nothing of no parts."""
        tables = listed([f"[parts.{_key(name)}]" for name in self.unpriced] or [""])
        if not self.count:
            if not self.unpriced:
                return ""
            return (
                f"The site file states no price of them: with price under {tables} there, the sum "
                "stands here."
            )
        money = f"{self.currency} {price_text(self.total)}".strip()
        if not self.unpriced:
            return f"In all {money}, at the prices of the site file."
        return (
            f"{many(self.count, 'part')} with a price in the site file: {money} in all; the price "
            f"of the {listed(self.unpriced)} goes under {tables} there."
        )


def order_price(rows: Sequence[PartRow], currency: str) -> OrderPrice:
    """Sum the prices of some parts, and name those that have none."""
    known = [row.price for row in rows if row.price is not None]
    lacking = sorted({row.part for row in rows if row.price is None})
    return OrderPrice(len(known), math.fsum(known), currency, tuple(lacking))


def price_text(price: float | None) -> str:
    """Write a price as it was set, not rounded: ``1,150``, ``9.50``; a dash where there is none."""
    if price is None:
        return "–"
    if abs(price - round(price, 2)) > 1e-9:
        return f"{price:,.12g}"
    return f"{price:,.2f}".removesuffix(".00")


def _key(name: str) -> str:
    """Write a name as a table of the site file has it: in quotes where it is no bare key."""
    bare = name.replace("-", "").replace("_", "")
    return name if bare.isascii() and bare.isalnum() else f'"{name}"'
