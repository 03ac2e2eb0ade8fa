"""What deserves attention: small stores, every number worked out by hand."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime
from typing import Any

import pyarrow as pa
import pytest
from tests.library_samples import SPAN, limit_row
from tests.measure_samples import site, store

from dripledger.library.attention import attention
from dripledger.library.chance import expected_by_chance
from dripledger.library.relations import Span, prepare
from dripledger.lists import ReviewRow

OCTOBER = Span(datetime(2026, 10, 1, tzinfo=UTC), datetime(2026, 11, 1, tzinfo=UTC), "2026-10")


def _ask(
    span: Span = SPAN, rows: Any = (), least: int = 2, reviews: Any = (), others: Any = (), **drawn: Any
) -> dict[str, pa.Table]:
    own = site(minimums={"starts": least}, lists={"reviews": tuple(reviews)})
    con = store(**drawn)
    try:
        prepare(con, own, None, span)
        return attention(con, own, rows, others)
    finally:
        con.close()


PROGRAMMINGS = """
| programming_id | infusion_id | attempt_id | entry    |
| p1             | i1          | a1         | morphine |
| p2             | i1          | -          | morphine |
| p3             | i2          | -          | morphine |
| a2             | -           | a2         | morphine |
| p5             | i3          | a3         | insulin  |
"""
ATTEMPTS = """
| attempt_id | infusion_id | entry    | alerts | outcome       | limit_side | limit_multiple | entered_first | entered_final | limit_value | limit_unit | change_factor | decided_at          |
| a1         | i1          | morphine | 3      | overridden    | high       | 2.5            | 10            | 12.5          | 5           | mg/h       | 0.8           | 2026-10-05 08:00:02 |
| a2         | -           | morphine | 1      | cancelled     | low        | 1.2            | 4             | -             | 5           | mg/h       | -             | -                   |
| a3         | i3          | insulin  | 1      | within_limits | high       | 20             | 100           | 10            | 5           | mg/h       | 10            | 2026-10-05 08:00:05 |
"""
INFUSIONS = """
| infusion_id | entry    | concentration_value | concentration_unit |
| i1          | morphine | 1                   | mg/mL              |
| i2          | morphine | 2                   | mg/mL              |
| i3          | insulin  | 1                   | [IU]/mL            |
"""
EVENTS = """
| event_id | kind          |
| a1       | limit_alerted |
| a2       | limit_alerted |
| a3       | limit_alerted |
"""
DRAWN = {"programmings": PROGRAMMINGS, "attempts": ATTEMPTS, "infusions": INFUSIONS, "events": EVENTS}


def test_counts_of_an_entry() -> None:
    """Morphine: 4 programmings in 2 infusions, 3 + 1 alerts: 100 x 4 / 4 per 100 uses; of 2 known soft attempts 1 was
    overridden, 2.5 times the limit, within 2 s."""
    morphine = {row["entry"]: row for row in _ask(**DRAWN)["entries"].to_pylist()}["morphine"]
    wanted = {
        "uses": 4, "infusions": 2, "limit_alerts": 4, "attempts": 2, "attempts_high": 1, "attempts_low": 1,
        "overridden": 1, "outcome_known": 2, "override_share": 0.5, "alerts_per_100_uses": pytest.approx(100.0),
        "times_highest": 2.5, "overrides_2x": 1, "overrides_5x": 0, "overrides_timed": 1, "overrides_under_3s": 1,
        "repeat_overrides": 0, "times_p50": None,
    }  # fmt: skip
    assert {name: morphine[name] for name in wanted} == wanted
    # Wilson for 1 of 2 at 95 %: (0.5 + z^2/4 -+ z sqrt(0.125 + z^2/16)) / (1 + z^2/2), z = 1.959964
    z2 = 1.959964**2
    reach = 1.959964 * math.sqrt(0.125 + z2 / 16)
    assert morphine["override_low95"] == pytest.approx((0.5 + z2 / 4 - reach) / (1 + z2 / 2), rel=1e-6)


def test_under_the_minimum_counts_stand_alone_and_nothing_is_ranked() -> None:
    found = _ask(least=20, **DRAWN)
    assert {row["override_status"] for row in found["entries"].to_pylist()} == {"small"}
    assert {row["alerts_per_100_uses"] for row in found["entries"].to_pylist()} == {None}
    pareto = found["pareto"].to_pylist()
    assert [(row["entry"], row["place"], row["cumulative_share"]) for row in pareto] == [
        ("insulin", None, None), ("morphine", None, None),
    ]  # fmt: skip
    assert "5 alerts in all, nothing is ranked under 20" in pareto[0]["status"]


def test_the_few_entries_that_make_most_of_the_alerts() -> None:
    """4 of 5 alerts are morphine's, and all 5 with insulin."""
    rows = _ask(**DRAWN)["pareto"].to_pylist()
    assert [(r["place"], r["entry"], r["share_of_alerts"], r["cumulative_share"]) for r in rows] == [
        (1, "morphine", 0.8, 0.8), (2, "insulin", 0.2, 1.0),
    ]  # fmt: skip


def test_a_source_that_cannot_warn_dilutes_nothing() -> None:
    ingests = '| path | records_json |\n| a.csv | ["infusion_started"] |'
    (insulin, morphine) = _ask(ingests=ingests, **DRAWN)["entries"].to_pylist()
    assert (morphine["uses"], morphine["left_out_unable"], insulin["uses"]) == (0, 4, 0)


def test_listed_cases_with_their_course() -> None:
    """a1 at 2.5 times is far; a3 was entered at 20 times the limit and then brought within."""
    cases = _ask(**DRAWN)["cases"].to_pylist()
    assert [(c["what"], c["case_id"], c["course"], c["status"]) for c in cases] == [
        ("brought_within_from_tenfold", "a3", "entered, warned, then confirmed within limits", "open"),
        ("far_override", "a1", "overridden", "open"),
    ]
    assert {(c["happened_on"], c["shift"]) for c in cases} == {(date(2026, 10, 5), "08-16")}


def test_leaving_the_library_is_listed() -> None:
    left = "| attempt_id | outcome |\n| a1 | left_library |"
    (case,) = _ask(attempts=left)["cases"].to_pylist()
    assert (case["what"], case["course"]) == ("left_library", "warned, then run outside the library")


@pytest.mark.parametrize(
    ("review", "listed"),
    [
        (None, ("open", None, True)),
        (ReviewRow("a1", "undecided", date(2026, 9, 20)), ("open", "undecided", True)),
        (ReviewRow("a1", "slip", date(2026, 9, 20)), None),  # closed before October: it comes no more
        (ReviewRow("a1", "intended", date(2026, 10, 20)), ("closed", "intended", True)),
        (ReviewRow("a1", "slip", date(2026, 11, 3)), ("open", None, True)),  # October's list stays as it was
    ],
)
def test_open_cases_carry_over(review: ReviewRow | None, listed: tuple[str, str | None, bool] | None) -> None:
    september = ATTEMPTS.splitlines()[1:3]
    at = "2026-09-05 08:00"
    attempts = f"{september[0]} first_alert_at | last_alert_at |\n{september[1]} {at} | {at} |"
    attempts = attempts.replace("2026-10-05 08:00:02", "2026-09-05 08:00:02")
    cases = _ask(OCTOBER, attempts=attempts, reviews=[review] if review else [])["cases"].to_pylist()
    found = [(c["status"], c["disposition"], c["carried_over"]) for c in cases]
    assert found == ([] if listed is None else [listed])


def test_an_alert_of_the_whole_pump_stands_for_each_channel_and_one_channel_for_itself() -> None:
    attempts = "| attempt_id | channel | limit_multiple |\n" + "\n".join(
        f"| a1:{channel} | {channel} | 3 |" for channel in "AB"
    )

    def status(*reviews: ReviewRow) -> dict[str, str]:
        rows = _ask(OCTOBER, attempts=attempts, reviews=reviews)["cases"].to_pylist()
        return {row["case_id"]: row["disposition"] for row in rows}

    day = date(2026, 10, 20)
    assert status(ReviewRow("a1", "slip", day)) == {"a1:A": "slip", "a1:B": "slip"}
    assert status(ReviewRow("a1:B", "slip", day)) == {"a1:A": None, "a1:B": "slip"}
    both = (ReviewRow("a1", "slip", day), ReviewRow("a1:B", "intended", day))
    assert status(*both) == {"a1:A": "slip", "a1:B": "intended"}


SETTLED = "| attempt_id | entered_final | limit_value | limit_unit |\n" + "\n".join(
    f"| a{n} | {final} | 5 | mg/h |" for n, final in enumerate([8, 8, 8.000001, 6, 7], start=1)
)


def test_most_overrides_on_one_value_is_a_limit_that_practice_disagrees_with() -> None:
    """Three of five at 8 mg/h (8.000001 is 8 to six digits): more than half. With two more values, three of seven."""
    (limit,) = _ask(attempts=SETTLED)["limits"].to_pylist()
    told = ("commonest_final", "overrides_at_it", "overrides_with_value", "settles_on_one_value")
    assert tuple(limit[name] for name in told) == (8.0, 3, 5, True)
    more = SETTLED + "\n| a6 | 9 | 5 | mg/h |\n| a7 | 10 | 5 | mg/h |"
    assert _ask(attempts=more)["limits"].to_pylist()[0]["settles_on_one_value"] is False
    assert _ask(attempts=SETTLED, least=20)["limits"].to_pylist()[0]["settles_on_one_value"] is None


def test_suspected_slips_and_what_chance_gives() -> None:
    """Factors 10.1 and 1/9.9 are within 2 % of ten; 10.3 is not, but near by (8 to 12.5), and 13 is neither.

    A match is ln(1.02) - ln(0.98) = 0.040005 wide, the rest of the neighbourhood 2 ln(1.25) - 0.040005 = 0.406282:
    one value near by lets chance expect 0.0985 matches.
    """
    factors = {"a1": 10.1, "a2": 1 / 9.9, "a3": 10.3, "a4": 13.0, "a5": 59.0}
    attempts = "| attempt_id | outcome | change_factor |\n" + "\n".join(
        f"| {name} | within_limits | {factor!r} |" for name, factor in factors.items()
    )
    found = _ask(attempts=attempts)
    slips = [(row["case_id"], row["ratio"]) for row in found["slips"].to_pylist()]
    assert slips == [("a1", 10.0), ("a2", 10.0), ("a5", 60.0)]
    chance = {row["ratio"]: row for row in found["chance"].to_pylist()}
    assert (chance[10.0]["matches"], chance[10.0]["near_by"], chance[10.0]["note"]) == (2, 1, "")
    assert chance[10.0]["expected_by_chance"] == pytest.approx(0.0985, abs=5e-5)


@pytest.mark.parametrize("factor", [9.8, 10.2, 1 / 9.8, 1 / 10.2])
def test_two_per_cent_is_within_two_per_cent_on_both_sides(factor: float) -> None:
    """98 or 102 for 10; and of one match with no neighbour nobody knows what chance would give."""
    found = _ask(attempts=f"| attempt_id | outcome | change_factor |\n| a1 | within_limits | {factor!r} |")
    assert [row["case_id"] for row in found["slips"].to_pylist()] == ["a1"]
    (alone,) = found["chance"].to_pylist()
    assert (alone["expected_by_chance"], alone["note"]) == (
        None,
        "no other ratio lies near by, so what chance would give cannot be told",
    )
    assert expected_by_chance([]) is None


def test_a_tenth_at_a_low_limit_is_listed_as_ten_times_at_a_high_one_is() -> None:
    attempts = """
| attempt_id | outcome       | limit_side | limit_multiple | entered_first | entered_final | change_factor |
| a1         | within_limits | low        | 5              | 1             | 10            | 0.1           |
| a2         | within_limits | high       | 5              | 100           | 10            | 10            |
| a3         | within_limits | low        | 5              | 1             | 9             | 0.111111      |
"""
    cases = _ask(attempts=attempts)["cases"].to_pylist()
    assert [case["case_id"] for case in cases] == ["a1", "a2"]


def test_a_weight_in_pounds_beside_the_patients_other_weight() -> None:
    """70 kg are 154.3 lb: 154.3 / 70 = 2.2043, within 2 % of 2.205. 140 is twice, and only near by."""
    events = """
| event_id | kind           | patient_key | weight_kg |
| w1       | weight_changed | k1          | 70        |
| w2       | weight_changed | k1          | 154.3     |
| w3       | weight_changed | k2          | 70        |
| w4       | weight_changed | k2          | 140       |
| w5       | weight_changed | k3          | 154.3     |
"""
    found = _ask(events=events)
    (slip,) = found["slips"].to_pylist()
    assert (slip["case_id"], slip["first_value"], slip["other_value"], slip["unit"]) == (
        "w2",
        154.3,
        70.0,
        "kg",
    )
    (chance,) = found["chance"].to_pylist()
    assert (chance["matches"], chance["near_by"]) == (1, 1)


def test_each_suspected_weight_stands_once_whatever_the_patients_other_weights() -> None:
    """k1 has 70, 72, 75 and 154.3: 154.3 is one suspicion, beside 70 (2.2043), the nearest to 2.205. k2 has 70, 80
    and 140: 140 is 2 and 1.75 times; 1.75 is under 2.205 / 1.25 = 1.764, so one ratio is near by. k3 has 70, 72 and
    140: 2 and 1.944, two ratios of one weight.

    By chance a ratio of the neighbourhood is no match with q = 1 - ln(1.02 / 0.98) / (2 ln 1.25) = 0.910360: a weight
    with k ratios that is none stands for 1 / q^k - 1 that are. k2: 0.098467; k3: 0.206629; together 0.305096.
    """
    weights = {"k1": (70, 72, 75, 154.3), "k2": (70, 80, 140), "k3": (70, 72, 140)}
    told = [(key, weight) for key, own in weights.items() for weight in own]
    events = "| event_id | kind | patient_key | weight_kg |\n" + "\n".join(
        f"| w{n} | weight_changed | {key} | {weight} |" for n, (key, weight) in enumerate(told)
    )
    found = _ask(events=events)
    (slip,) = found["slips"].to_pylist()
    assert (slip["case_id"], slip["first_value"], slip["other_value"]) == ("w3", 154.3, 70.0)
    (chance,) = found["chance"].to_pylist()
    assert (chance["matches"], chance["near_by"], slip["matches"]) == (1, 2, 1)
    assert chance["expected_by_chance"] == pytest.approx(0.305096, abs=1e-6)
    assert expected_by_chance([1, 2]) == pytest.approx(0.305096, abs=1e-6)


def test_a_weight_that_stayed_on_the_pump_is_not_the_next_patients() -> None:
    """k1 weighs 70; k2 comes, and until 31.75 is told the pump holds 70 still: 2.2047 times, but of another patient."""
    segments = """
| infusion_id | patient_key | weight_kg | started_at       |
| i1          | k1          | 70        | 2026-10-05 08:00 |
| i2          | k2          | 70        | 2026-10-05 09:00 |
| i2          | k2          | 31.75     | 2026-10-05 09:10 |
| i3          | k3          | 70        | 2026-10-05 10:00 |
| i3          | k3          | 31.75     | 2026-10-05 10:10 |
"""
    (slip,) = _ask(segments=segments)["slips"].to_pylist()
    assert (slip["case_id"], slip["first_value"], slip["other_value"]) == ("i3", 70.0, 31.75)


MORPHINE: dict[str, Any] = {
    "care_area": "icu",
    "entry": "morphine",
    "quantity": "dose_rate",
    "dosing_unit": "mg/h",
}
ONE_MG: dict[str, Any] = {"concentration_value": 1.0, "concentration_unit": "mg/mL"}
TWO_MG = ONE_MG | {"concentration_value": 2.0}
#: One attempt that met two limits: dose_rate, then volume.
FIRED = """
| event_id | kind          | occurred_at      | limit_kind | limit_side | limit_quantity | limit_value | entered_value | limit_unit |
| a1       | limit_alerted | 2026-10-05 08:00 | soft       | high       | dose_rate      | 5           | 10            | mg/h       |
| x2       | limit_alerted | 2026-10-05 08:01 | hard       | high       | volume         | 100         | 900           | mL         |
"""
ATTEMPT = """
| attempt_id | infusion_id | entry    | alerts | met_hard | last_alert_at    | decided_at       |
| a1         | i1          | morphine | 2      | yes      | 2026-10-05 08:01 | 2026-10-05 08:02 |
"""


def _unused(*rows: Any, others: Any = (), **drawn: Any) -> list[tuple[Any, ...]]:
    given = {"infusions": INFUSIONS, "events": FIRED, "attempts": ATTEMPT} | drawn
    numbered = [limit_row(number=n, **row) for n, row in enumerate(rows, start=2)]
    found = _ask(rows=numbered, others=others, **given)["unused"].to_pylist()
    names = ("what", "entry", "concentration", "limit_quantity", "limit_name", "starts")
    assert {row["looked_at_since"] for row in found} <= {date(2026, 10, 5)}
    return [tuple(row[name] for name in names) for row in found]


def test_entries_that_nobody_used_and_limits_that_never_fired() -> None:
    """The attempt met the soft limit on the dose and the hard one on the volume: the hard one on the dose never
    fired, though the attempt met a hard limit. Vasopressin was not used in ICU."""
    assert _unused(
        MORPHINE | {"soft_high": 5.0, "hard_high": 20.0},
        {"care_area": "icu", "entry": "morphine", "quantity": "volume", "hard_high": 100.0},
        {"care_area": "icu", "entry": "vasopressin", "hard_high": 9.0},
    ) == [
        ("entry_not_used", "vasopressin", "", "", "", 0),
        ("limit_never_fired", "morphine", "", "dose_rate", "hard_high", 2),
    ]  # fmt: skip


def test_what_ran_outside_the_library_in_the_workshop_or_not_at_all_is_no_use() -> None:
    infusions = """
| infusion_id | entry    | library_use | use_context | false_start | start_kind |
| i1          | morphine | bypassed    | clinical    | no          | start      |
| i2          | morphine | limited     | maintenance | no          | start      |
| i3          | morphine | limited     | clinical    | yes         | start      |
"""
    row = MORPHINE | {"soft_high": 5.0}
    assert _unused(row, infusions=infusions, events="", attempts="") == [
        ("entry_not_used", "morphine", "", "", "", 0)
    ]


def test_a_limit_of_one_strength_does_not_fire_for_another() -> None:
    """i1 ran 1 mg/mL and i2 2 mg/mL: an alert at 1 mg/mL says nothing of the other; of an alert without a strength,
    nobody can tell. 5 mg/mL was chosen by nobody."""
    rows = [MORPHINE | strength | {"soft_high": 5.0} for strength in (ONE_MG, TWO_MG)]
    strong = "| concentration_value | concentration_unit |"
    lines = FIRED.strip().splitlines()[:2]
    known = f"{lines[0]}{strong[1:]}\n{lines[1]} 1 | mg/mL |"
    unfired = ("limit_never_fired", "morphine", "2 mg/mL", "dose_rate", "soft_high", 1)
    assert _unused(*rows, events=known) == [unfired]
    assert _unused(*rows) == [
        ("cannot_be_told", "morphine", "1 mg/mL", "dose_rate", "soft_high", 1),
        ("cannot_be_told", "morphine", "2 mg/mL", "dose_rate", "soft_high", 1),
    ]
    # where the library has one strength alone, it can be no other
    assert _unused(rows[0]) == []
    five = MORPHINE | ONE_MG | {"concentration_value": 5.0, "soft_high": 5.0}
    assert ("concentration_not_used", "morphine", "5 mg/mL", "", "", 0) in _unused(*rows, five, events=known)


def test_where_no_source_can_warn_nobody_can_tell_whether_a_limit_fired() -> None:
    ingests = '| path | records_json |\n| a.csv | ["infusion_started"] |'
    row = MORPHINE | {"soft_high": 5.0}
    assert _unused(row, ingests=ingests, events="", attempts="") == [
        ("cannot_be_told", "morphine", "", "dose_rate", "soft_high", 0)
    ]


def test_a_reason_speaks_of_the_starts_that_were_looked_at_not_of_those_left_out() -> None:
    """Of two starts one ran on a source that warns: nothing fired in it. Where neither source warns, that is why."""
    infusions = INFUSIONS.replace("| entry    |", "| source_name | entry    |")
    for number, source in (("i1", "warns"), ("i2", "mute"), ("i3", "mute")):
        infusions = infusions.replace(f"| {number}          |", f"| {number} | {source} |")
    row = limit_row(number=2, **MORPHINE, soft_high=5.0)
    for first, told in (
        ('["all"]', (1, 1, "no alert in these starts")),
        ('["infusion_started"]', (0, 2, "no start from a source that can log limit alerts")),
    ):
        ingests = (
            "| path | source_name | records_json |\n"
            f'| a.csv | warns | {first} |\n| b.csv | mute | ["infusion_started"] |'
        )
        found = _ask(rows=[row], infusions=infusions, ingests=ingests, events="", attempts="")
        (limit,) = found["unused"].to_pylist()
        assert (limit["starts"], limit["left_out_unable"], limit["reason"]) == told


def test_a_limit_fires_only_under_a_library_in_which_it_stands() -> None:
    """Version 7 warned past 5, version 8 past 8: the alert at 5 is none of version 8's. One start ran 7, one 8. Of a
    limit that both hold, the alert is one, and both starts are its uses."""
    infusions = INFUSIONS.replace("| entry    |", "| library_version | entry    |")
    for number, version in (("i1", 7), ("i2", 8), ("i3", 8)):
        infusions = infusions.replace(f"| {number}          |", f"| {number} | {version} |")
    events = FIRED.replace("| kind          |", "| kind | library_version |")
    events = events.replace("| limit_alerted |", "| limit_alerted | 7 |")
    new = MORPHINE | {"version": "8", "soft_high": 8.0, "hard_high": 20.0}
    old = [limit_row(**MORPHINE, version="7", soft_high=5.0, hard_high=20.0)]
    assert _unused(new, others=old, infusions=infusions, events=events) == [
        ("limit_never_fired", "morphine", "", "dose_rate", "hard_high", 2),
        ("limit_never_fired", "morphine", "", "dose_rate", "soft_high", 1),
    ]
    same = MORPHINE | {"version": "8", "soft_high": 5.0}
    old = [limit_row(**MORPHINE, version="7", soft_high=5.0)]
    assert _unused(same, others=old, infusions=infusions, events=events) == []


def test_concentrations_that_were_in_force_and_how_many_starts_name_theirs() -> None:
    """Of the two starts of morphine at 2 mg/mL, i4 names none: it may be that of what ran on the channel before."""
    infusions = INFUSIONS + "| i4          | morphine | 2                   | mg/mL              |\n"
    events = """
| event_id | kind             | concentration_value | concentration_unit |
| i1       | infusion_started | 1                   | mg/mL              |
| i2       | infusion_started | 2                   | mg/mL              |
| i3       | infusion_started | 1                   | [IU]/mL            |
| i4       | infusion_started | -                   | -                  |
"""
    rows = _ask(infusions=infusions, events=events)["concentrations"].to_pylist()
    names = ("entry", "concentration_value", "infusions", "logged_at_start", "infusions_of_entry")
    assert [tuple(r[name] for name in names) for r in rows] == [
        ("insulin", 1.0, 1, 1, 1), ("morphine", 1.0, 1, 1, 3), ("morphine", 2.0, 2, 1, 3),
    ]  # fmt: skip


def test_a_limit_of_a_band_of_weights_is_not_in_use_at_other_weights() -> None:
    """i1 and i2 ran at 80 kg: a children's limit was tried by nobody, and did not keep silent."""
    segments = """
| infusion_id | channel | started_at       | weight_kg |
| i1          | A       | 2026-10-05 08:00 | 80        |
| i2          | B       | 2026-10-05 08:00 | 80        |
"""
    bands = [
        MORPHINE | {"weight_max_kg": 10.0, "hard_high": 20.0},
        MORPHINE | {"weight_min_kg": 10.0, "hard_high": 200.0},
    ]
    found = _unused(*bands, segments=segments, events="", attempts="")
    assert [(row[0], row[5]) for row in found] == [("cannot_be_told", 0), ("limit_never_fired", 2)]
