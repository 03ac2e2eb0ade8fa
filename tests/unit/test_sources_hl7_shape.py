"""What is remembered of a message's shape never changes what the next one reads."""

from __future__ import annotations

import re
from random import Random

from tests.functional.hl7.messages import alert, event, text

from dripledger.sources.hl7.fields import PLACES
from dripledger.sources.hl7.message import MessageReader, Row, read_block

AT = "20260114080000-0600"
MESSAGES = [
    event("start", AT),
    event("stop", AT, status="transitioning", reason="switching-source"),
    event("start", AT, source="1.1.3.0", active="secondary", drug="Cefazolin", dose=None, weight=None),
    event("start", AT, status="kvo", rate="1", current="0.5", care_area=None),
    alert("start", AT),
    alert("end", AT, state="inactive", flags="PM~SA", module=1),
    alert("update", AT, inactivation="audio-paused", facets={6: "PL", 7: "SA"}),
]
VALUES = (
    "", '""', "12.5", "^5", "1.1.2.0", "1.1.3.0", "1.0.0.0", "^pump-source-info-secondary", "a~b", "\\X41\\",
    " ", "^MDC_EVT_PUMP_DELIV_STOP^MDC",
)  # fmt: skip
PLACES_TOLD = ("1.1.1.0", "1.1.2.1", "1.1.3.0", "1.2.2.2", "1.1.2.1.5", "2.1.1.1", "", "no place")
NAMES = (
    "^MDC_EVT_ALARM^MDC", "157784^^MDC", "^MDC_RATE_DOSE", "^MDC_ATTR_EVT_SOURCE^MDC",
    "^MDC_DEV_PUMP_ACTIVE_SOURCES", "70071^MDC_DEV_PUMP_INFUSATE_SOURCE_SECONDARY^MDC",
    "68487^MDC_ATTR_EVT_COND^MDC",
)  # fmt: skip
#: Field of an OBX segment -> what it is changed to.
CHANGES = (
    (3, NAMES), (4, PLACES_TOLD), (5, VALUES), (11, ("X", "N", "D", "C", "R")), (18, ("", "D-2^^X"))
)  # fmt: skip


def spoiled(message: list[str], chance: Random) -> list[str]:
    """Return a message with up to four segments changed, doubled, left out or cut short."""
    segments = list(message)
    for _ in range(chance.randint(0, 4)):
        at = chance.randrange(1, len(segments))
        fields = segments[at].split("|")
        fields += [""] * (19 - len(fields))
        what = chance.randrange(8)
        if what == 0:
            segments.insert(chance.randrange(1, len(segments)), segments[at])
        elif what == 1 and len(segments) > 2:
            del segments[at]
        elif what == 2:
            segments[at] = "|".join(fields[: chance.randrange(1, 19)])
        else:
            place, values = CHANGES[what - 3]
            fields[place] = chance.choice(values)
            segments[at] = "|".join(fields)
    return segments


def test_a_reader_of_long_standing_reads_as_a_new_one_does() -> None:
    """Three thousand spoiled messages, each read by a reader that has seen all before it and by a new one."""
    chance = Random(20261129)
    readers: dict[str, MessageReader | None] = {}
    rows = refused = 0
    for _ in range(3000):
        message = text(spoiled(chance.choice(MESSAGES), chance))
        told = list(read_block(message, readers))
        assert told == list(read_block(message, {})), message.replace("\r", "\n")
        rows += sum(not isinstance(t, str) for t in told)
        refused += sum(isinstance(t, str) for t in told)
    assert rows > 2000
    assert refused > 50


def test_of_one_shape_only_the_values_change() -> None:
    """The same segments with other values: the device, the rate and the unit are each message's own."""
    first = event("start", AT, "PUMP-1", rate="10", care_area="Ward")
    second = [
        s.replace("mL/h", "mL/min").replace("265266", "265234")
        for s in event("start", AT, "PUMP-2", rate="7")
    ]
    second = [s.replace("MDC_DIM_MILLI_L_PER_HR", "MDC_DIM_MILLI_L_PER_MIN") for s in second]
    found = [r for r in read_block(text(first, second), {}) if not isinstance(r, str)]

    def told(row: Row, *names: str) -> list[str | None]:
        return [row[PLACES[name]] for name in names]

    names = ("pump", "rate", "rate_unit", "care_area")
    assert told(found[0], *names) == ["PUMP-1", "10", "mL/h", "Ward"]
    assert told(found[1], *names) == ["PUMP-2", "7", "mL/min", "Adult ICU"]


def test_what_stands_at_another_time_in_every_segment_is_read() -> None:
    """OBX-14 in every segment, another one in every message: units and devices are read all the same."""
    readers: dict[str, MessageReader | None] = {}
    for second in range(10, 30):
        message = [
            s.replace("|||||R", f"|||||R|||202601140800{second}-0600") if s.startswith("OBX") else s
            for s in event("start", AT, rate=str(second))
        ]
        (row,) = read_block(text(message), readers)
        assert not isinstance(row, str)
        assert row[PLACES["rate"]] == str(second)
        assert row[PLACES["rate_unit"]] == "mL/h"


def test_levels_that_are_only_numbered_have_their_names() -> None:
    """Without any reference name the pump's level, the fluid source and the active one are still found."""
    two = event("start", AT, source="1.1.3.0", active="secondary", rate="44")
    two.append("OBX|40||70071^^MDC|1.1.2.0|||||||X")
    two.append("OBX|41|NM|157784^^MDC|1.1.2.5|9|265266^^MDC|||||R")
    two = [s.replace("70071^MDC_DEV_PUMP_INFUSATE_SOURCE_PRIMARY^MDC|1.1.3.0", "^^MDC|1.1.3.0") for s in two]
    two = [
        s.replace("|1.0.0.3|1.1.3.0|", "|1.0.0.3||").replace("info-secondary", "info-primary") for s in two
    ]
    numbered = [re.sub(r"\|(\d+)\^MDC_\w+\^MDC\|", r"|\1^^MDC|", s) for s in two]
    (row,) = read_block(text(numbered), {})
    assert not isinstance(row, str)
    found = {name: row[PLACES[name]] for name in ("pump_level", "source", "rate", "channel")}
    assert found == {
        "pump_level": "MDC_DEV_PUMP_INFUS_LVP_MDS", "source": "MDC_DEV_PUMP_INFUSATE_SOURCE_PRIMARY",
        "rate": "9", "channel": "1",
    }  # fmt: skip
