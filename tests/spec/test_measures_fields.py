"""A field that a log does not tell makes no false 0 and no lopsided share: what cannot be told is left out, and said."""

from __future__ import annotations

from typing import Any

import pytest
from tests.measure_samples import Figures, cell, cells, site, store

from dripledger.measures import MEASURES

LOW = {"minimums": {"starts": 1, "infusions": 1, "channel_hours": 0.001}}


def measured(
    by: tuple[str, ...] = ("care_area",), months: tuple[str, ...] = ("2026-10",), **drawn: Any
) -> Figures:
    return Figures(store(**drawn), site(**LOW), months, by)


def icu(found: Figures, measure: str) -> dict[str, Any]:
    return cell(found, measure, care_area="icu")


def counts(row: dict[str, Any]) -> tuple[float, float]:
    return float(row["numerator"]), float(row["denominator"])


def untold(row: dict[str, Any]) -> str:
    """Return the reason of a cell that has no figure."""
    assert (row["status"], row["value"], row["numerator"]) == ("not_measurable", None, None)
    return str(row["reason"])


def met(*kinds: str) -> dict[str, Any]:
    """Three infusions; those with a kind drew an alert of it at their start ('?': of no known kind)."""
    return {
        "infusions": [{"infusion_id": f"i{k}", "channel": str(k)} for k in range(3)],
        "programmings": [
            {"programming_id": f"i{k}", "infusion_id": f"i{k}", "attempt_id": f"a{k}" if k < len(kinds) else "-"}
            for k in range(3)
        ],
        "attempts": [
            {
                "attempt_id": f"a{k}", "infusion_id": f"i{k}", "met_soft": kind in ("soft", "both"),
                "met_hard": kind in ("hard", "both"), "outcome": "overridden",
            }
            for k, kind in enumerate(kinds)
        ],
    }  # fmt: skip


SOFT_FROM_HARD = "where the log does not tell soft limits from hard ones"


@pytest.mark.parametrize("kind", ["soft", "hard"])
def test_limits_of_no_kind_at_all_leave_no_share_of_their_month(kind: str) -> None:
    """Two alerts of three programmings, and no word whether soft or hard: neither 0 of 3 nor 2 of 3."""
    found = measured(**met("?", "?"))
    for name in (f"{kind}_alert_share", f"{kind}_alert_share_start"):
        reason = untold(icu(found, name))
        assert reason == f"left out: 3 programmings {SOFT_FROM_HARD} (100 %)"
    reason = untold(icu(found, f"{kind}_alerts_per_100_infusions"))
    assert f"left out: 3 infusions {SOFT_FROM_HARD} (100 %)" in reason
    assert "; 2 programmings with an alert of no known kind" in reason
    for name in MEASURES[f"outcomes_{kind}"].rows:
        assert "left out: 2 attempts of which the log does not tell whether" in untold(icu(found, name))


def test_a_limit_of_no_kind_among_others_is_left_out_alone() -> None:
    """One soft, one hard, one of no kind: 1 of 2 each, and a third left out."""
    found = measured(**met("soft", "hard", "?"))
    for kind in ("soft", "hard"):
        row = icu(found, f"{kind}_alert_share")
        assert counts(row) == (1, 2)
        assert f"left out: 1 programming {SOFT_FROM_HARD} (33.3 %)" in row["reason"]
        row = icu(found, f"{kind}_alerts_per_100_infusions")
        assert counts(row) == (1, 3)
        assert "left out: 1 programming with an alert of no known kind" in row["reason"]
        assert counts(icu(found, f"outcomes_{kind}_overridden")) == (1, 1)


def kindless(*kinds: str, decisions: str = "limit_alerted") -> dict[str, Any]:
    """The same with the events of the alerts: none logs the kind of its limit."""
    events = [{"event_id": f"a{k}", "kind": decisions} for k in range(len(kinds))]
    return {**met(*kinds), "events": events}


def test_overrides_show_soft_limits_and_nothing_of_hard_ones() -> None:
    """Only a soft limit can be confirmed past: 2 of 3 met one; whether one of them met a hard one nobody knows."""
    found = measured(**kindless("soft", "soft"))
    assert counts(icu(found, "soft_alert_share")) == (2, 3)
    assert "left out" not in icu(found, "soft_alert_share")["reason"]
    assert f"left out: 3 programmings {SOFT_FROM_HARD} (100 %)" in untold(icu(found, "hard_alert_share"))
    assert counts(icu(found, "soft_alerts_per_100_infusions")) == (2, 3)
    assert "left out: 3 infusions" in untold(icu(found, "hard_alerts_per_100_infusions"))
    assert counts(icu(found, "outcomes_soft_overridden")) == (2, 2)
    assert "left out: 2 attempts of which" in untold(icu(found, "outcomes_hard_overridden"))
    # those that gave way are of no known kind: of soft ones only those that went on are known
    some = measured(**kindless("soft", "?"))
    assert f"left out: 3 programmings {SOFT_FROM_HARD} (100 %)" in untold(icu(some, "soft_alert_share"))


def test_a_log_of_overrides_alone_has_met_no_hard_limit() -> None:
    """Each row is an alert and its override in one (ruling 36): a hard limit makes none."""
    found = measured(**kindless("soft", "soft", decisions="limit_overridden"))
    assert counts(icu(found, "hard_alert_share")) == (0, 3)


def test_a_month_without_any_alert_still_reads_0() -> None:
    """Nobody warned: nothing is untold."""
    row = icu(measured(**met()), "hard_alert_share")
    assert (row["status"].replace("provisional", "ok"), counts(row)) == ("ok", (0, 3))
    assert "left out" not in row["reason"]


def test_overrides_of_limits_of_no_kind_are_no_overrides_of_soft_ones() -> None:
    found = measured(**met("?", "?", "?"))
    assert "left out: 3 attempts of which the log does not tell" in untold(icu(found, "override_share"))
    assert "left out: 3 infusions of which the log does not tell" in untold(
        icu(found, "infusion_override_share")
    )
    assert "left out: 3 overrides of which the log does not tell" in untold(
        icu(found, "override_repeat_share")
    )
    # these ask for no kind of limit
    assert counts(icu(found, "left_library_share")) == (0, 3)
    some = measured(**met("soft", "hard", "?"))
    assert counts(icu(some, "override_share")) == (1, 1)
    assert "left out: 1 attempt of which the log does not tell" in icu(some, "override_share")["reason"]


def test_what_one_source_does_not_tell_leaves_the_others_alone() -> None:
    """The wards tell no kind, the theatres do: 1 of 2 of theirs."""
    drawn = met("?", "soft")
    for name in ("infusions", "programmings", "attempts"):
        for row in drawn[name][1:]:
            row["source_name"] = "theatres"
    drawn["ingests"] = [{"source_name": "wards"}, {"source_name": "theatres", "source_file_sha256": "g"}]
    row = icu(measured(**drawn), "soft_alert_share")
    assert counts(row) == (1, 2)
    assert f"left out: 1 programming {SOFT_FROM_HARD} (33.3 %)" in row["reason"]


WHETHER_INSIDE = "where the log does not tell what was inside the library, or what it set"


def used(*uses: str, alerts: int = 1) -> dict[str, Any]:
    """Infusions of these library uses; the first ones drew a soft alert, which shows that they were inside."""
    told = [k for k, use in enumerate(uses) if k < alerts or use == "limited"]
    return {
        "infusions": [
            {"infusion_id": f"i{k}", "channel": str(k), "library_use": use} for k, use in enumerate(uses)
        ],
        "programmings": [
            {"programming_id": f"i{k}", "infusion_id": f"i{k}", "attempt_id": f"a{k}" if k < alerts else "-"}
            for k in told
        ],
        "attempts": [{"attempt_id": f"a{k}", "infusion_id": f"i{k}"} for k in range(alerts)],
    }


def test_starts_of_unknown_library_use_are_told_beside_the_share() -> None:
    """Alert in 1 of 3 known to be inside; two more starts nobody knows of, the alert proves nothing of them."""
    found = measured(**used("limited", "limited", "limited", "unknown", "unknown"))
    for name in ("soft_alert_share", "soft_alert_share_start"):
        row = icu(found, name)
        assert counts(row) == (1, 3)
        assert f"left out: 2 programmings {WHETHER_INSIDE} (40.0 %)" in row["reason"]
    assert "left out" not in icu(found, "soft_alert_share_change")["reason"]
    row = icu(found, "soft_alerts_per_100_infusions")
    assert counts(row) == (1, 3)
    assert f"left out: 2 infusions {WHETHER_INSIDE} (40.0 %)" in row["reason"]


def test_alerts_of_starts_that_are_left_out_are_left_out_with_them() -> None:
    """Two of five starts are of unknown use, and one of them warned: 1 of 3, as without either of them."""
    found = measured(**used("unknown", "limited", "limited", "limited", "unknown", alerts=2))
    for name in ("soft_alert_share", "soft_alert_share_start"):
        row = icu(found, name)
        assert counts(row) == (1, 3)
        assert f"left out: 2 programmings {WHETHER_INSIDE} (40.0 %)" in row["reason"]
    row = icu(found, "soft_alerts_per_100_infusions")
    assert counts(row) == (1, 3)
    assert f"left out: 2 infusions {WHETHER_INSIDE} (40.0 %)" in row["reason"]
    for name in ("hard_alert_share", "hard_alerts_per_100_infusions"):
        assert counts(icu(found, name)) == (0, 3)


def test_alerts_of_changes_in_infusions_of_unknown_use_are_left_out() -> None:
    """Changes there without an alert are not known to be in the library: those with one would stand alone."""
    drawn = used("limited", "limited", "limited", "unknown", alerts=0)
    drawn["programmings"] += [
        # it ended with no programme known to be inside; the other was confirmed after the log told the use
        {"programming_id": "a1", "infusion_id": "i3", "attempt_id": "a1", "phase": "change"},
        {"programming_id": "e9", "infusion_id": "i3", "attempt_id": "a2", "phase": "change"},
    ]
    drawn["attempts"] += [
        {"attempt_id": "a1", "infusion_id": "i3"},
        {"attempt_id": "a2", "infusion_id": "i3"},
    ]
    found = measured(**drawn)
    row = icu(found, "soft_alert_share")
    assert counts(row) == (1, 4)
    assert f"left out: 2 programmings {WHETHER_INSIDE} (33.3 %)" in row["reason"]
    assert counts(icu(found, "soft_alerts_per_100_infusions")) == (1, 3)


@pytest.mark.parametrize("months", [["2026-10", "2026-11"], ["2026-11"]])
def test_a_start_that_was_confirmed_seconds_before_its_month_is_left_out_once(months: list[str]) -> None:
    """Its programming stands in the month before, whichever months are asked for together."""
    drawn = used("limited", "limited", "unknown", alerts=0)
    drawn["infusions"] += [
        {"infusion_id": name, "library_use": use, "started_at": "2026-11-01 00:00:05", "month": "2026-11"}
        for name, use in (("i8", "limited"), ("i9", "unknown"))
    ]
    at = dict.fromkeys(("first_alert_at", "last_alert_at", "decided_at"), "2026-10-31 23:59:50")
    drawn["programmings"] += [
        {"programming_id": "p8", "infusion_id": "i8", "at": "2026-11-01 00:00:05"},
        {"programming_id": "a9", "infusion_id": "i9", "attempt_id": "a9", "at": at["first_alert_at"]},
    ]
    drawn["attempts"] += [{"attempt_id": "a9", "infusion_id": "i9", **at}]
    row = cell(Figures(store(**drawn), site(), months), "soft_alert_share", month="2026-11", care_area="icu")
    assert counts(row) == (0, 1)
    assert "left out" not in row["reason"]


@pytest.mark.parametrize("months", [["2026-10", "2026-11"], ["2026-10"]])
def test_a_warning_in_a_pause_of_a_later_month_tells_nothing_of_the_start(months: list[str]) -> None:
    """Nothing ran just before it, so that it is one of a start; the infusion began long before."""
    drawn = used("limited", "limited", "unknown", alerts=0)
    at = dict.fromkeys(("first_alert_at", "last_alert_at", "decided_at"), "2026-11-10 08:00:00")
    named = {"infusion_id": "i2", "attempt_id": "a9", "month": "2026-11"}
    drawn["programmings"] += [{**named, "programming_id": "a9", "at": "2026-11-10 08:00:00"}]
    drawn["attempts"] += [{**named, **at}]
    row = cell(Figures(store(**drawn), site(), months), "soft_alert_share", month="2026-10", care_area="icu")
    assert counts(row) == (0, 2)
    assert f"left out: 1 programming {WHETHER_INSIDE} (33.3 %)" in row["reason"]


@pytest.mark.parametrize(
    "uses",
    [
        ("unknown", "unknown", "unknown"),
        ("unknown", "limited", "unknown", "unknown"),
        # a bypass is no start inside: the share would be of the one start whose alert shows that it was
        ("unknown", "bypassed", "bypassed", "bypassed"),
    ],
)
def test_alerts_alone_make_no_share(uses: tuple[str, ...]) -> None:
    """Of starts that nobody knows of only those with an alert are known to be inside: the share would read too high."""
    found = measured(**used(*uses))
    for name in ("soft_alert_share", "hard_alert_share", "soft_alerts_per_100_infusions"):
        assert WHETHER_INSIDE in untold(icu(found, name))
        assert "(100 %)" in icu(found, name)["reason"]


def test_overrides_of_infusions_that_nobody_knows_to_be_inside_are_told() -> None:
    found = measured(**used("unknown", "unknown", "limited", "limited", alerts=3))
    for name in ("infusion_override_share", "override_repeat_share"):
        row = icu(found, name)
        assert row["denominator"] == 1
        assert (
            f"left out: 2 {MEASURES[name].base} of which the log does not tell whether they" in row["reason"]
        )


def test_a_month_that_tells_library_use_counts_beside_one_that_does_not() -> None:
    drawn = used("unknown", "unknown", "limited")
    drawn["infusions"][2]["started_at"] = drawn["programmings"][1]["at"] = "2026-11-05 08:00"
    found = measured(months=("2026-10", "2026-11"), **drawn)
    rows = {row["month"]: row for row in cells(found, "soft_alert_share")}
    assert f"2 programmings {WHETHER_INSIDE}" in untold(rows["2026-10"])
    assert counts(rows["2026-11"]) == (0, 1)


RAN: dict[str, Any] = {
    "infusions": "| infusion_id |\n| i1 |",
    "segments": "| infusion_id | ended_at |\n| i1 | 2026-10-05 12:00 |",
}


def alarms(*kinds: str, labels: tuple[str, ...] = (), effects: tuple[str, ...] = ()) -> dict[str, Any]:
    """Alarms while it ran, of these kinds; `labels` names those whose label nobody has filed."""
    names = [chr(97 + k) for k in range(len(kinds))]
    return {
        "alarms": [
            {
                "alarm_id": name, "alarm_kind": kind, "raised_at": f"2026-10-05 09:1{k}",
                "stopped_delivery": effects[k] if effects else "no",
            }
            for k, (name, kind) in enumerate(zip(names, kinds, strict=True))
        ],
        "events": [
            {
                "event_id": name, "kind": "alarm_raised", "occurred_at": f"2026-10-05 09:1{k}",
                "unmapped": ["alarm"] if name in labels else [], "alarm_kind": kind,
            }
            for k, (name, kind) in enumerate(zip(names, kinds, strict=True))
        ] + [
            {"kind": "powered_on", "event_id": "on", "occurred_at": "2026-10-05 07:00"},
            {"kind": "powered_off", "event_id": "off", "occurred_at": "2026-10-05 13:00"},
        ],
    }  # fmt: skip


@pytest.mark.parametrize(("kind", "labels"), [("-", ()), ("other", ("a", "b"))])
def test_alarms_of_no_known_kind_make_no_rate_of_0(kind: str, labels: tuple[str, ...]) -> None:
    """Neither a kind nor a label that somebody filed: 4 running hours and 6 powered-on ones are left out."""
    drawn = alarms("other", "other", labels=labels)
    for event in drawn["events"][:2]:
        event["alarm_kind"] = kind
    found = measured(**RAN, **drawn)
    for name in ("delivery_alarm_rate", "delivery_alarm_rate_occlusion"):
        reason = untold(icu(found, name))
        assert (
            "left out: 4.0 running channel-hours of logs that tell the kind of no alarm in the month (100 %)"
            in reason
        )
        assert reason.endswith("; 2 alarms in running infusions whose kind the log does not tell")
    reason = untold(cell(found, "pump_alarm_rate", care_area=""))
    assert reason == (
        "left out: 1 pump of logs that tell the kind of no alarm in the month (100 %); "
        "2 alarms whose kind the log does not tell"
    )


def test_an_alarm_of_no_known_kind_among_others_is_told_beside_the_rate() -> None:
    found = measured(**RAN, **alarms("occlusion", "other", "other", labels=("b",)))
    row = icu(found, "delivery_alarm_rate")
    assert counts(row) == (1, 4)
    # c is filed as `other`: somebody knows what it is
    assert "left out: 1 alarm in running infusions whose kind the log does not tell" in row["reason"]
    row = cell(found, "pump_alarm_rate", care_area="")
    assert counts(row) == (0, 6)
    assert "left out: 1 alarm whose kind the log does not tell" in row["reason"]


def test_alarms_of_no_declared_effect_make_no_time_lost_of_0() -> None:
    found = measured(**RAN, **alarms("occlusion", "low_battery", effects=("-", "no")))
    reason = untold(icu(found, "delivery_lost"))
    assert reason.startswith(
        "left out: 4.0 running hours of logs that tell of no alarm in the month whether it stopped the delivery (100 %)"
    )
    assert reason.endswith(
        "; 1 alarm in running infusions whose effect on the delivery the log does not tell"
    )
    assert counts(icu(found, "delivery_alarm_rate")) == (1, 4)


@pytest.mark.parametrize("effects", [("-", "no"), ("-", "yes")])
def test_an_alarm_of_no_declared_effect_among_others_is_told(effects: tuple[str, str]) -> None:
    row = icu(measured(**RAN, **alarms("occlusion", "near_end", effects=effects)), "delivery_lost")
    assert counts(row) == (0, 4)
    assert "left out: 1 alarm in running infusions whose effect on the delivery" in row["reason"]


def test_a_stop_that_the_log_puts_down_to_an_alarm_tells_an_effect() -> None:
    """The row of the stop says it, not that of the alarm."""
    drawn = dict(RAN)
    drawn["segments"] = """
        | infusion_id | state            | started_at       | ended_at         |
        | i1          | running          | 2026-10-05 08:00 | 2026-10-05 10:00 |
        | i1          | stopped_by_alarm | 2026-10-05 10:00 | 2026-10-05 10:06 |
    """
    assert counts(icu(measured(**drawn, **alarms("occlusion", effects=("-",))), "delivery_lost")) == (6, 2)


def test_an_alarm_during_which_the_log_says_that_it_ran_on_tells_its_effect() -> None:
    drawn = alarms("near_end", effects=("-",))
    drawn["events"][0]["running_logged"] = "yes"
    row = icu(measured(**RAN, **drawn), "delivery_lost")
    assert (counts(row), "left out" in row["reason"]) == ((0, 4), False)


CHANGE = {"kind": "rate_changed", "occurred_at": "2026-10-05 09:00"}


def changes(*told: dict[str, Any], rate: str = "-") -> dict[str, Any]:
    """Return one infusion of four running hours with these changes, in stretches of that rate."""
    return {
        "infusions": "| infusion_id |\n| i1 |",
        "segments": [{"infusion_id": "i1", "ended_at": "2026-10-05 12:00", "rate_ml_h": rate}],
        "events": [{**CHANGE, "event_id": f"e{k}", **one} for k, one in enumerate(told)],
    }


def test_changes_to_no_known_rate_make_no_rate_of_0() -> None:
    """Neither a rate nor a dose that gives one."""
    for told in ({}, {"dose_value": "5", "dose_unit": "mg/h"}):
        reason = untold(icu(measured(**changes(told)), "user_rate_changes"))
        assert reason == (
            "left out: 4.0 running hours of logs that tell the new rate of no change in the month (100 %); "
            "1 rate change whose new rate the log does not tell"
        )


def test_a_change_to_no_known_rate_among_others_is_told() -> None:
    row = icu(measured(**changes({}, {"rate_ml_h": "5"}, rate="5")), "user_rate_changes")
    assert counts(row) == (0, 4)
    assert "left out: 1 rate change whose new rate the log does not tell" in row["reason"]


@pytest.mark.parametrize(
    "told",
    [
        {"rate_ml_h": "5"},
        {"dose_value": "5", "dose_unit": "mg/h"},  # the rate of the stretch follows from it
        {"initiator": "pump"},  # no user's
        {"use_context": "maintenance"},
    ],
)
def test_what_tells_its_rate_or_is_no_users_change_leaves_nothing_out(told: dict[str, Any]) -> None:
    row = icu(measured(**changes(told, rate="5")), "user_rate_changes")
    assert (counts(row), "left out" in row["reason"]) == ((0, 4), False)


def blank(*known: str) -> dict[str, Any]:
    """Two changes without any value, one of them after an alert, and these programmings."""
    drawn = changes({"occurred_at": "2026-10-05 09:00"}, {"occurred_at": "2026-10-05 10:00"})
    drawn["programmings"] = [
        {"programming_id": "i1", "infusion_id": "i1"},
        {"programming_id": "e0", "infusion_id": "i1", "phase": "change", "attempt_id": "a0"},
        *({"programming_id": name, "infusion_id": "i1", "phase": "change"} for name in known),
    ]
    drawn["attempts"] = [{"attempt_id": "a0", "infusion_id": "i1"}]
    return drawn


def test_a_change_that_sets_nothing_known_is_told_beside_the_share() -> None:
    """The start, the one with an alert and one more are known: 1 of 3; e1 may be a fourth."""
    row = icu(measured(**blank("p3")), "soft_alert_share")
    assert counts(row) == (1, 3)
    assert f"left out: 1 programming {WHETHER_INSIDE} (25.0 %)" in row["reason"]


def test_changes_that_are_known_by_an_alert_alone_make_no_share() -> None:
    reason = untold(icu(measured(**blank()), "soft_alert_share"))
    assert reason == f"left out: 3 programmings {WHETHER_INSIDE} (100 %)"
