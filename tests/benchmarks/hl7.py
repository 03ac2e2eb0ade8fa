"""How many device messages a second become Arrow columns, on one core.

Run ``python -m tests.benchmarks.hl7 [--messages N] [--repeats R] [--oracle]``. It makes N invented delivery
events of 20 segments each (header, patient, visit, order, 16 observations), no two alike, and measures from
the bytes of whole messages to the columns that the standard mapping reads. Seconds are those of the process
(one thread), so that other work on the machine counts little; the wall clock stands beside them. For scale:
a plain split of the same bytes at every separator, which knows neither escapes nor names nor containment.
"""

from __future__ import annotations

import argparse
import statistics
import time
from collections.abc import Callable

import pyarrow as pa

from dripledger.sources.hl7.adapter import columns_of
from dripledger.sources.hl7.message import MessageReader, read_block
from dripledger.sources.hl7.splitter import MessageSplitter
from dripledger.sources.mapping import Mapping
from tests.benchmarks.figures import note
from tests.functional.hl7.messages import event

#: What the messages leave out, so that each has 20 segments.
_LEFT_OUT = (
    "MDC_PUMP_DRUG_LIBRARY_VERSION",
    "_VMD^",
    "MDC_DEV_PUMP_ACTIVE",
    "DELIVERY_MODE",
    "CHANNEL_LABEL",
    "TIME_PD",
)
_BLOCK_MESSAGES = 1_500


def twenty_segments(number: int) -> str:
    """Return one invented delivery event of 20 segments."""
    day, second = divmod(number * 37, 86_400)
    clock = f"{second // 3600:02}{second // 60 % 60:02}{second % 60:02}"
    lines = event(
        "start" if number % 2 else "stop",
        f"202601{day % 28 + 1:02}{clock}-0600",
        pump=f"FH-PUMP-{number % 400}",
        control=str(10_000 + number),
        patient=f"FH{700_000 + number % 900}",
        rate=f"{1 + number % 1999 / 10:.1f}",
        dose=f"{number % 977 / 100:.2f}",
        volume=f"{number % 4999 / 10:.1f}",
        drug=("Dopamine", "Propofol", "Insulin", "Heparin")[number % 4],
        weight=f"{40 + number % 800 / 10:.1f}",
    )
    kept = [s for s in lines if not any(word in s for word in _LEFT_OUT)]
    if len(kept) != 20:
        raise SystemExit(f"the message has {len(kept)} segments")
    return "\r".join(kept) + "\r"


def names_read() -> tuple[str, ...]:
    """Return the raw fields that the standard mapping reads."""
    return Mapping.model_validate(
        {"name": "pumps", "pattern": ["*"], "shape": "hl7", "canonical": True, "records": ["all"],
         "time": {"zone": "in_text"}, "fields": {"patient_key": {"field": "patient", "personal": "key"}}}
    ).raw_fields()  # fmt: skip


def to_columns(blocks: list[bytes], names: tuple[str, ...]) -> int:
    """Read blocks of bytes into Arrow columns; return how many rows came out."""
    readers: dict[str, MessageReader | None] = {}
    rows = 0
    for block in blocks:
        found = list(read_block(block.decode("utf-8"), readers))
        columns = columns_of([row for row in found if not isinstance(row, str)], names)
        rows += len(pa.RecordBatch.from_arrays(columns, names=list(names)))
    return rows


def plain_split(blocks: list[bytes], _: tuple[str, ...]) -> int:
    """Split every segment at every separator."""
    rows = 0
    for block in blocks:
        for message in block.decode("utf-8").split("MSH|")[1:]:
            rows += bool([[f.split("^") for f in s.split("|")] for s in message.split("\r")])
    return rows


def count_bytes(blocks: list[bytes], _: tuple[str, ...]) -> int:
    """Count the messages on the bytes."""
    splitter = MessageSplitter()
    return sum(splitter.consume(block, True)[0] for block in blocks)


def oracle(blocks: list[bytes], _: tuple[str, ...]) -> int:
    """Parse with the `hl7` package, which checks ours in the tests."""
    import hl7

    texts = [b"MSH|" + text for block in blocks for text in block.split(b"MSH|")[1:]]
    return sum(bool(hl7.parse(text)) for text in texts)


def measure(
    job: Callable[[list[bytes], tuple[str, ...]], int], blocks: list[bytes], messages: int, repeats: int
) -> tuple[float, float]:
    """Return (messages a second of the process, messages a second of the wall clock), medians."""
    names, of_process, of_clock = names_read(), [], []
    for _ in range(repeats):
        began, at = time.perf_counter(), time.process_time()
        if (rows := job(blocks, names)) != messages:
            raise SystemExit(f"{job.__name__}: {rows} of {messages} messages")
        of_process.append(time.process_time() - at)
        of_clock.append(time.perf_counter() - began)
    return messages / statistics.median(of_process), messages / statistics.median(of_clock)


def main(say: Callable[[str], None] = print) -> None:
    """Measure and print medians."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--messages", type=int, default=30_000)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--oracle", action="store_true", help="the hl7 package as well (slow)")
    options = parser.parse_args()
    texts = [twenty_segments(n).encode() for n in range(options.messages)]
    blocks = [b"".join(texts[at : at + _BLOCK_MESSAGES]) for at in range(0, len(texts), _BLOCK_MESSAGES)]
    size = sum(map(len, blocks))
    say(f"{options.messages} messages of 20 segments, {size / options.messages:.0f} bytes each")
    say(f"{'':<28}{'messages/s':>12}{'wall clock':>12}")
    jobs = [
        ("bytes to Arrow columns", to_columns),
        ("count on the bytes", count_bytes),
        ("plain split", plain_split),
    ]
    for title, job in jobs:
        rate, clock = measure(job, blocks, options.messages, options.repeats)
        say(f"{title:<28}{rate:>12,.0f}{clock:>12,.0f}")
        if job is to_columns:
            note("HL7 v2: bytes to columns on one core", [rate], unit="messages/s", least=20_000)
    if options.oracle:
        rate, clock = measure(oracle, blocks[:1], len(blocks[0].split(b"MSH|")) - 1, 1)
        say(f"{'the hl7 package':<28}{rate:>12,.0f}{clock:>12,.0f}")


if __name__ == "__main__":
    main()
