"""Limit alerts and alarms of the invented hospital: they cluster, and each is what its limits say."""

from __future__ import annotations

import numpy as np
import pytest

from dripledger.hospital import Hospital, build, load_scenario
from dripledger.hospital import attempts as a
from dripledger.hospital import records as r
from dripledger.hospital.fleet import FAMILIES
from dripledger.hospital.happenings import BATTERY, NEAR_END, STOPPING
from dripledger.hospital.limits import HARD_HIGH, SOFT_HIGH, SOFT_LOW, limits_of
from dripledger.hospital.warning_truth import limit_multiple
from dripledger.hospital.world import BY_ALARM, BYPASSED, MOST_CHANGES


@pytest.fixture(scope="module")
def hospital() -> Hospital:
    return build(load_scenario())


def alerts_of(hospital: Hospital) -> np.ndarray:
    """Alerts of each infusion."""
    tried = hospital.happenings.attempts
    out = np.zeros(len(hospital.world.infusions.session), np.int64)
    np.add.at(out, tried.infusion, tried.alerts)
    return out


def test_alerts_stay_in_the_published_ranges(hospital: Hospital) -> None:
    """2-15 alerts per 100 infusions, 60-90 % of soft alerts overridden, hard limits under 0.1 % of starts.

    Sources: those that the scenario names beside its settings.
    """
    tried, inf = hospital.happenings.attempts, hospital.world.infusions
    inside = inf.use != BYPASSED
    assert 2 < 100 * alerts_of(hospital)[inside].sum() / inside.sum() < 15
    assert 0.6 < (tried.outcome[tried.met_soft] == a.OVERRIDDEN).mean() < 0.9
    assert 0 < tried.hard.sum() / len(inf.session) < 0.001
    assert set(tried.outcome.tolist()) == set(range(len(a.OUTCOMES)))


def test_alerts_cluster(hospital: Hospital) -> None:
    """A sixth of the infusions, by entry, make most alerts; within an entry alerts are overdispersed."""
    inf, count = hospital.world.infusions, alerts_of(hospital)
    entries = np.unique(inf.entry[inf.entry >= 0])
    infusions = np.array([(inf.entry == e).sum() for e in entries])
    alerts = np.array([count[inf.entry == e].sum() for e in entries])
    loud = np.argsort(-alerts / infusions)
    share = np.cumsum(infusions[loud]) / infusions.sum()
    assert (np.cumsum(alerts[loud]) / alerts.sum())[np.searchsorted(share, 0.18) - 1] > 0.45
    for entry in entries[alerts >= 100]:
        mine = count[inf.entry == entry]
        assert mine.var() > 1.3 * mine.mean(), entry  # a Poisson count has both alike


def test_a_release_quiets_the_noisy_limit(hospital: Hospital) -> None:
    world, count = hospital.world, alerts_of(hospital)
    names = [e.name for e in world.scenario.entry]
    plan = next(e for e in world.scenario.entry if e.quiet_from is not None)
    versions = [v.version for v in world.scenario.library]
    mine = world.infusions.entry == names.index(plan.name)
    new = world.sessions.library[world.infusions.session] >= versions.index(plan.quiet_from or "")
    assert count[mine & new].mean() < 0.5 * count[mine & ~new].mean()
    before, after = (
        float(limits_of(world.scenario, plan, plan.concentrations[0], 70.0, v)[1][SOFT_HIGH]) for v in (1, 2)
    )
    assert before < after


def test_no_programme_lies_outside_a_soft_limit_without_an_attempt(hospital: Hospital) -> None:
    """Where no fault was planted: the alerts in the log are those that its library would give."""
    world, inf = hospital.world, hospital.world.infusions
    limits, tried = hospital.happenings.limits, hospital.happenings.attempts
    rows = np.flatnonzero(limits.apply & ~np.isin(inf.session, sorted(hospital.plan.touched)))
    outside = set(zip(tried.infusion[tried.outcome == a.OVERRIDDEN].tolist(),
                      tried.step[tried.outcome == a.OVERRIDDEN].tolist(), strict=True))  # fmt: skip
    for step in range(MOST_CHANGES + 1):
        mine = rows if step == 0 else rows[inf.changes[rows] >= step]
        rate = inf.rate[mine] if step == 0 else inf.change_rate[mine, step - 1]
        amount = limits.amount(mine, rate)
        beyond = (amount > limits.values[mine, SOFT_HIGH]) | (amount < limits.values[mine, SOFT_LOW])
        assert {(int(i), step) for i in mine[beyond]} <= outside
    assert world.fleet.size == 66


def test_what_became_of_each_attempt_fits_its_values(hospital: Hospital) -> None:
    tried, limits = hospital.happenings.attempts, hospital.happenings.limits
    dosed = tried.weight_limit_g == 0
    first = limits.amount(tried.limits_of, tried.entered[:, 0])
    values = limits.values[tried.limits_of]
    beyond = np.where(tried.low, first < values[:, SOFT_LOW], first > values[:, SOFT_HIGH])
    assert beyond[dosed].all()
    assert (first[tried.hard] > values[tried.hard, HARD_HIGH]).all()
    over = tried.outcome == a.OVERRIDDEN
    times = limit_multiple(hospital.world, hospital.happenings)
    assert (times[over] > 1).all()
    assert np.isnan(times[~over]).all()
    assert (times[over] >= 5).sum() > 0
    final = limits.amount(tried.limits_of, np.maximum(tried.final, 0))
    back = tried.outcome == a.WITHIN
    assert (final[back] <= values[back, SOFT_HIGH]).all()
    assert (final[back] >= values[back, SOFT_LOW]).all()


def test_a_third_of_the_pumps_write_in_each_form(hospital: Hospital) -> None:
    tried, world = hospital.happenings.attempts, hospital.world
    pump = world.sessions.pump[world.infusions.session[tried.infusion]]
    single = (tried.outcome == a.OVERRIDDEN) & (tried.alerts == 1) & (tried.weight_limit_g == 0)
    assert (tried.form[single] == pump[single] % 3).all()
    assert np.bincount(tried.form[single]).min() > 0.2 * single.sum()
    alone = np.isin(hospital.log.kind, (r.ALERT,))
    assert not np.isin(np.flatnonzero(tried.form == a.OVERRIDE_ALONE), hospital.log.about[alone]).any()


def test_tenfold_entries_and_weights_in_pounds_are_what_they_say(hospital: Hospital) -> None:
    tried, chosen, world = hospital.happenings.attempts, hospital.happenings.tenfold, hospital.world
    back = np.flatnonzero(np.isin(tried.infusion, chosen.brought_inside) & (tried.step == a.AT_START))
    assert tried.outcome[back].tolist() == [a.WITHIN]
    assert (tried.entered[back, 0] == 10 * tried.final[back]).all()
    over = np.flatnonzero(np.isin(tried.infusion, chosen.overridden) & (tried.step == a.AT_START))
    assert tried.outcome[over].tolist() == [a.OVERRIDDEN]
    assert limit_multiple(world, hospital.happenings)[over].min() > 5
    heavy = np.flatnonzero(tried.weight_limit_g > 0)
    assert len(heavy) == world.scenario.planted.weights_in_pounds
    session = world.infusions.session[tried.infusion[heavy]]
    mean = np.array([x.weight_kg[0] for x in world.scenario.care_area])[world.sessions.area[session]]
    assert (np.abs(world.sessions.weight_g[session] / 1000 / mean - 2.2) < 0.25).all()


def test_alarms_that_stop_stand_in_a_pause_and_the_others_do_not(hospital: Hospital) -> None:
    alarms, inf = hospital.happenings.alarms, hospital.world.infusions
    stops = np.isin(alarms.kind, STOPPING)
    assert (inf.pause_cause[alarms.infusion[stops]] == BY_ALARM).all()
    begin = inf.start[alarms.infusion] + inf.pause_at[alarms.infusion]
    assert (alarms.raised[stops] == begin[stops]).all()
    assert (alarms.over[stops] <= (begin + inf.pause_s[alarms.infusion])[stops]).all()
    known = alarms.over >= 0
    assert (alarms.over[known] > alarms.raised[known]).all()
    answered = alarms.silenced >= 0
    assert (alarms.silenced[answered] > alarms.raised[answered]).all()
    assert set(alarms.kind[~known].tolist()) <= {NEAR_END, BATTERY}
    assert (~known).sum() > 0


def test_device_messages_hold_what_the_profile_can_say(hospital: Hospital) -> None:
    world, log = hospital.world, hospital.log
    of_c = world.fleet.family[log.pump] == FAMILIES.index("C")
    assert of_c.sum() > 5000
    assert set(log.kind[of_c].tolist()) <= {
        r.START, r.STOP, r.COMPLETE, r.KEEP_OPEN, r.ALARM, r.ALARM_UPDATE, r.SILENCE, r.CLEAR,
    }  # fmt: skip
    late = r.late_messages(world, log)
    assert 0.01 < late[of_c].mean() < 0.04
    assert not late[~of_c].any()


def test_a_second_line_interrupts_and_a_relay_overlaps(hospital: Hospital) -> None:
    inf, happenings = hospital.world.infusions, hospital.happenings
    assert len(happenings.piggybacks) == hospital.world.scenario.planted.piggybacks
    for row in happenings.piggybacks:
        host = np.flatnonzero(
            (inf.session == inf.session[row]) & (inf.start + inf.pause_at == inf.start[row])
        )
        assert len(host) == 1
        assert inf.run_s[row] < inf.pause_s[host[0]]
    for one, two in happenings.relays:
        assert (inf.session[one], inf.entry[one]) == (inf.session[two], inf.entry[two])
        assert (inf.channel[one], inf.channel[two]) == (1, 2)
        assert inf.start[two] == inf.start[one] + inf.length[one] - 120
