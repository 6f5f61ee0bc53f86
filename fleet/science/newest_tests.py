"""When the water of each treatment unit was last tested."""

import numpy as np

from fleet.science.columns import Floats, ShardColumns


def newest_test_days(columns: ShardColumns) -> Floats:
    """
    Return the day of the newest feed test that speaks for each treatment unit.

    Parameters
    ----------
    columns : ShardColumns
        A shard; the site's own tests and its supply's count alike.

    Returns
    -------
    array (units,)
        NaN where there is none. [day]
    """
    tests, units = columns.tests, columns.units
    if not len(tests.source_row):
        return np.full(len(units.unit_id), np.nan)
    newest = np.full(int(tests.source_row.max()) + 2, np.nan)
    np.fmax.at(newest, tests.source_row, tests.sampled_at_d)
    # The last slot stays NaN and is what row -1 points at.
    return np.asarray(np.fmax(newest[units.site_source_row], newest[units.supply_source_row]))
