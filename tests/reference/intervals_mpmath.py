"""Write `intervals_mpmath.csv`: binomial limits by summing the binomial in many digits.

Run from the top folder: `python -m tests.reference.intervals_mpmath`. The limits are the roots of
their own definitions, with tails summed term by term at 60 digits; no beta function is involved.
"""

from pathlib import Path

import mpmath as mp

mp.mp.dps = 60  # before the first number is made: a constant keeps the digits it was made with

PAIRS = [
    (0, 5000),
    (1, 10**9),
    (2, 10**9),
    (7, 10**9),
    (400, 10**9),
    (999, 10**9),
    (1000, 10**9),
    (1, 10**6),
    (30, 10**6),
    (300, 10**6),
    (999, 10**6),
]
PAIRS += [(3, 7500), (4, 20), (15, 148), (1, 29), (28, 29), (20, 20), (9, 10), (1, 1)]
TAIL = mp.mpf("0.025")


def _below(x, n, p):
    """Probability of fewer than x faults, and of exactly x."""
    q = 1 - p
    term = mp.power(q, n)
    total = mp.mpf(0)
    for k in range(x):
        total += term
        term *= mp.mpf(n - k) / (k + 1) * p / q
    return total, term


def _root(function, low, high):
    """Bisect on the logarithm of the odds between two rates."""
    low, high = mp.log(low / (1 - low)), mp.log(high / (1 - high))
    sign = mp.sign(function(1 / (1 + mp.exp(-low))))
    for _ in range(190):
        middle = (low + high) / 2
        if mp.sign(function(1 / (1 + mp.exp(-middle)))) == sign:
            low = middle
        else:
            high = middle
    return 1 / (1 + mp.exp(-low))


def limits(x, n, weight):
    """Limits whose tails hold `weight` of the probability of x itself: 1 exact, 1/2 mid-P."""

    def upper_tail(p):
        below, at = _below(x, n, p)
        return 1 - below - (1 - weight) * at - TAIL

    def lower_tail(p):
        below, at = _below(x, n, p)
        return below + weight * at - TAIL

    least, most = mp.mpf(10) ** -15, 1 - mp.mpf(10) ** -6
    low = mp.mpf(0) if x == 0 else _root(upper_tail, least, most)
    high = mp.mpf(1) if x == n else _root(lower_tail, least, most)
    return low, high


def main():
    lines = [f"# mpmath {mp.__version__}, 60 digits; two-sided 95 %", "method,count,feeds,low,high"]
    for method, weight in (("exact", mp.mpf(1)), ("mid-p", mp.mpf("0.5"))):
        for x, n in PAIRS:
            low, high = limits(x, n, weight)
            lines.append(f"{method},{x},{n},{mp.nstr(low, 17)},{mp.nstr(high, 17)}")
    path = Path(__file__).with_suffix(".csv")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
