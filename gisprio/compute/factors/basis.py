"""What a factor's function gives: values, and how each was got."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray


def with_basis(value: NDArray[np.floating], how: ArrayLike) -> pd.DataFrame:
    """Put values and their basis side by side; missing where a value is NaN.

    Parameters
    ----------
    value
        (n,) values of a factor.
    how
        Basis of the values that are there: one word, or (n,) words.

    Examples
    --------
    >>> with_basis(np.array([1.0, np.nan]), "measured")["basis"].tolist()
    ['measured', 'missing']
    """
    return pd.DataFrame({"value": value, "basis": np.where(np.isnan(value), "missing", how)})
