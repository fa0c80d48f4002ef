"""Copies: photos whose pictures are all but equal, so that one stands for all."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from audit.match.evidence import PhotoArrays
from audit.photos.photo import Photo

__all__ = ["copies"]

IntArray = NDArray[np.int64]

#: Bits of the 64-bit hash that may differ between copies (recompression, resizing; common practice, no source).
_BITS = 3
_WITHIN_S = 600.0
_DETAIL_BITS = 6


def copies(photos: Sequence[Photo], arrays: PhotoArrays) -> IntArray:
    """For each photo the index of the photo that it is a copy of (its own where it is none).

    Copies have hashes that differ in at most three bits, and were taken within minutes on one clock or carry no time
    of their own. Nearly one-coloured pictures, whose hashes say nothing, are never taken for copies. The copy that says
    most of itself stands for the others.

    Returns
    -------
    int array (M,)
    """
    size = len(photos)
    head = np.arange(size, dtype=np.int64)
    known = np.array([i for i, p in enumerate(photos) if p.picture_hash], dtype=np.int64)
    if known.size < 2:
        return head
    codes = np.array([int(str(photos[i].picture_hash), 16) for i in known], dtype=np.uint64)
    ones = np.bitwise_count(codes)
    told = (ones >= _DETAIL_BITS) & (ones <= 64 - _DETAIL_BITS)
    known, codes = known[told], codes[told]
    richness = np.array([
        2 * bool(photos[i].codes) + 2 * (not np.isnan(arrays.time_s[i])) + (not np.isnan(arrays.east_m[i]))
        + (not np.isnan(arrays.bearing[i])) for i in known])
    for band in range(4):
        part = (codes >> np.uint64(16 * band)) & np.uint64(0xFFFF)
        order = np.lexsort((-richness, part))
        for step in range(1, 9):
            a, b = order[:-step], order[step:]
            near = (part[a] == part[b]) & (np.bitwise_count(codes[a] ^ codes[b]) <= _BITS)
            for i, j in zip(known[a[near]].tolist(), known[b[near]].tolist(), strict=True):
                gap = abs(arrays.time_s[i] - arrays.time_s[j])
                one_clock = (photos[i].metadata.device or "") == (photos[j].metadata.device or "")
                if np.isnan(arrays.time_s[j]) or np.isnan(arrays.time_s[i]) or (one_clock and gap <= _WITHIN_S):
                    root_i, root_j = int(head[i]), int(head[j])
                    if root_i != root_j:
                        head[head == root_j] = root_i
    return head
