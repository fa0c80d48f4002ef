"""What walks that were drawn show of a visit, as the lessons on its crew and phones read it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audit.match.evidence import PhotoArrays, Settings, SiteArrays
from audit.match.walk import Chain

__all__ = ["GRID_PHOTOS", "Shown", "held_mean", "thinned"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: Photos by which the values of a grid are compared at most; of more, every so manieth (for time).
GRID_PHOTOS = 20_000


@dataclass(frozen=True, slots=True)
class Shown:
    """Some drawn walks.

    Attributes
    ----------
    settings : Settings
        The belief under which they were drawn.
    place : int array (R, T)
        Where the photographer is: place in the step's list of candidates.
    real, begins : bool array (R, T)
        Whether the photo belongs there, and whether a stay begins.
    """

    site: SiteArrays
    photos: PhotoArrays
    chain: Chain
    settings: Settings
    place: IntArray
    real: BoolArray
    begins: BoolArray

    @property
    def weight(self) -> float:
        """What one walk counts, so that all count as one visit."""
        return 1.0 / len(self.place)

    @property
    def camera(self) -> IntArray:
        """The same as cameras, -1 for none of the candidates."""
        return self.chain.candidates[np.arange(self.place.shape[1])[None, :], self.place]

    @property
    def bearing(self) -> FloatArray:
        """Direction that the photographer looked at each step, radians, (T,)."""
        return self.photos.bearing[self.chain.photo]


def held_mean(values: FloatArray, trust: FloatArray, prior: float, weight: float) -> float:
    """Weighted mean of values, held to a prior worth ``weight`` values."""
    return float(((values * trust).sum() + prior * weight) / (trust.sum() + weight))


def thinned(count: int) -> int:
    """Of so many photos every which one is compared."""
    return max(1, count // GRID_PHOTOS)
