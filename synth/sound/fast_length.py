"""Lengths that a Fourier transform takes quickly.

scipy.fft knows them too, but takes 0.1 s of every command to be loaded, as it brings scipy.special; numpy's
transforms are the same ones and are there already.
"""

from __future__ import annotations


def fast_length(least: int) -> int:
    """The smallest length from `least` on that has no prime factor above 5."""
    best = 1 << max(least - 1, 0).bit_length()
    five = 1
    while five < best:
        three = five
        while three < best:
            rest = -(-least // three)
            best = min(best, three << max(rest - 1, 0).bit_length())
            three *= 3
        five *= 5
    return best
