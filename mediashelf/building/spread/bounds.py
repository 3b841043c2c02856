"""How many discs are needed at the least: bounds that hold for every way of packing."""

from __future__ import annotations

from collections.abc import Sequence


def size_bound(sizes: Sequence[int], capacity: int) -> int:
    """Return the discs that the sum of all sizes needs, were they water."""
    return -(-sum(sizes) // capacity)


def packing_bound(sizes: Sequence[int], capacity: int) -> int:
    """Return a bound from sizes that exclude each other; it is never below :func:`size_bound`.

    For a threshold, sizes above what the threshold leaves free stand alone, and so do
    sizes above the half; what is between the threshold and the half fits only beside
    the latter. The best of all thresholds counts (Martello and Toth's bound L2; from
    memory, and compared with trying every way in the tests).
    """
    half = capacity / 2
    best = size_bound(sizes, capacity)
    for threshold in sorted({0, *(size for size in sizes if size <= half)}):
        alone = [size for size in sizes if size > capacity - threshold]
        large = [size for size in sizes if half < size <= capacity - threshold]
        small = sum(size for size in sizes if threshold <= size <= half)
        room = len(large) * capacity - sum(large)
        rest = max(0, -(-(small - room) // capacity))
        best = max(best, len(alone) + len(large) + rest)
    return best
