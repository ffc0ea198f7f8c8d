"""The median of plain numbers, for the many small medians of a photo."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def median(values: NDArray[np.floating]) -> float:
    """Median of one or more numbers in one dimension; the mean of the middle two of an even count.

    ``np.median`` gives the same and looks at axes and NaN first, which takes it several times as long.
    """
    half = len(values) // 2
    parted = np.partition(values, half)
    if len(values) % 2:
        return float(parted[half])
    return float((parted[half] + parted[:half].max()) / 2)
