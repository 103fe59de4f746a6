"""Who shares a start: sites on one property, and properties that join."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components


def shared_starts(sites: pd.DataFrame) -> pd.DataFrame:
    """Name the property and the cluster of joining properties of each site.

    Parameters
    ----------
    sites
        ``site_id``, ``property_id`` (null where nobody's is known) and ``joint_sites``: sites that it goes on into or
        lies opposite to, ids with commas between. Only sites in the table join.

    Returns
    -------
    DataFrame
        In the rows of ``sites``: ``property`` and ``cluster``, names. A site without a property is one of its own. A
        cluster has the name of its first site.

    Notes
    -----
    Properties join where a site of one goes on into or lies opposite to a site of the other. A cluster is all that hang
    together so, whichever of them are chosen later.
    """
    ids = pd.Index(sites["site_id"].astype(object))
    own = sites["property_id"].astype(object)
    names = np.where(own.notna(), "property " + own.astype(str), "site " + ids.astype(str))
    number = pd.factorize(names)[0]
    joined = sites["joint_sites"].astype(object).fillna("").str.split(", ")
    first = np.repeat(np.arange(len(sites)), joined.str.len().to_numpy(int))
    second = ids.get_indexer(pd.Index([one for several in joined for one in several], dtype=object))
    first, second = first[second >= 0], second[second >= 0]
    count = int(number.max(initial=-1)) + 1
    links = coo_array((np.ones(len(first)), (number[first], number[second])), shape=(count, count))
    part = connected_components(links, directed=False)[1][number] if count else number
    named = pd.Series(ids.to_numpy(object)).groupby(part).transform("min") if count else []
    return pd.DataFrame({"property": names, "cluster": np.asarray(named, object)}, index=sites.index)
