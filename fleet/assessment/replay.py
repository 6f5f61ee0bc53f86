"""Assessments of the past, made again by the rules a night had then."""

from dataclasses import replace

from fleet.assessment.columns import Shard, read_shard
from fleet.assessment.days import to_moment
from fleet.assessment.use_rules import rules_at
from fleet.database.columns import UnitRange
from fleet.models import Site
from fleet.science.assess import assess_shard
from fleet.science.found import PartLife


def sites_of(shard: Shard) -> tuple[list[str], list[str]]:
    """Return time zone and kind of site of each treatment unit."""
    site_ids = shard.site_id.tolist()
    sites = Site.objects.filter(id__any_of=set(site_ids)).values_list("id", "time_zone", "kind")
    of_site = {site_id: (zone, kind) for site_id, zone, kind in sites}
    return [of_site[site_id][0] for site_id in site_ids], [of_site[site_id][1] for site_id in site_ids]


def replayed(which: UnitRange, then_d: float) -> tuple[Shard, PartLife]:
    """
    Assess treatment units as of a past moment, with season, swing and like sites as learned by then.

    Parameters
    ----------
    which : UnitRange
    then_d : float
        The moment. [day since 1970-01-01 UTC]

    Returns
    -------
    tuple of Shard, PartLife
        As ``read_shard`` reads the past; learned lives have no date and are left out.
    """
    shard, rules = read_shard(which, then_d, is_past=True), rules_at(to_moment(then_d))
    units = rules.lend(shard.columns.units, sites_of(shard)[1])
    return shard, assess_shard(replace(shard.columns, units=units), then_d, rules.settings).life
