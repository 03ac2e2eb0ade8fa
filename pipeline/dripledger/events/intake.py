"""Every file read once on its way in: hashed, counted and kept; known ones and unreadable ones sorted out."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field

from dripledger.errors import DripledgerError, InputError
from dripledger.events.files import Claims
from dripledger.events.progress import Progress
from dripledger.events.run import Run
from dripledger.events.space import need_room
from dripledger.sources import opening, originals
from dripledger.sources.staging import SourceFile, file_stamp, reading_of


@dataclass
class Intake:
    """Files on their way in.

    Parameters
    ----------
    new
        Source -> files that were never read before.
    order
        (name shown, SHA-256, source, file; None: it is known), in the order of names.
    failures
        Files that cannot be read at all.
    left
        Files that are still being written.
    notes
        What a person should know of single files.
    """

    new: dict[str, list[SourceFile]] = field(default_factory=dict)
    order: list[tuple[str, str, str, SourceFile | None]] = field(default_factory=list)
    failures: list[DripledgerError] = field(default_factory=list)
    left: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def note_empty(self, files: list[SourceFile], failed: set[int]) -> None:
        """Say of each file that was read and holds no record that it holds none."""
        self.notes += [
            f"{file.shown}: holds no record"
            for file in files
            if not file.original.records and file.number not in failed
        ]


def take_in(run: Run, claims: Claims) -> Intake:
    """Read every claimed file once: hash, count, keep; sort out what is known and what cannot be read."""
    intake = Intake(failures=list(claims.failures))
    known: set[str] = set()
    if run.base_has("ingests"):
        run.writer.base.attach(run.con, ["ingests"], "base_")
        known = {
            r[0] for r in run.con.execute("select distinct source_file_sha256 from base_ingests").fetchall()
        }
    sizes = frozenset(size % (1 << 32) for size in originals.sizes_known(run.site.originals))
    progress = _progress(run)
    lengths = [_size(inbound) for inbound, _, _ in claims.files]
    progress.expect(sum(lengths), len({source for _, _, source in claims.files}))
    # what has the length of an original is most likely that one again
    need_room(run.site, sum(length for length in lengths if length % (1 << 32) not in sizes))
    for number, (inbound, shown, source) in enumerate(claims.files):
        try:
            _take(run, intake, known, sizes, SourceName(number, inbound, shown, source))
        except InputError as error:
            intake.failures.append(error)
        except OSError as error:
            intake.failures.append(
                InputError(
                    f"cannot be read: {error.strerror}", where=inbound.path, do="Check its permissions"
                )
            )
    return intake


def _progress(run: Run) -> Progress:
    return run.tell if isinstance(run.tell, Progress) else Progress()


def _size(inbound: opening.Inbound) -> int:
    """Return how long a file is, as far as can be told before it is read."""
    try:
        return opening.unpacked_size_hint(inbound) or inbound.path.stat().st_size
    except OSError:
        return 0


@dataclass(frozen=True, slots=True)
class SourceName:
    """A claimed file: its number, what to read, the name shown, its source."""

    number: int
    inbound: opening.Inbound
    shown: str
    source: str


def _take(run: Run, intake: Intake, known: set[str], sizes: frozenset[int], file: SourceName) -> None:
    limits = run.site.settings.limits
    inbound, path = file.inbound, file.inbound.path
    where = str(path) if inbound.member is None else f"{path}/{inbound.member}"
    before = path.stat()
    packed = opening.is_packed(inbound)
    if opening.unpacked_size_hint(inbound) in sizes:
        with opening.opened(inbound, where, limits) as read:
            digest = originals.hash_stream(read)
        if digest in known:
            _progress(run).took(file.shown, _size(inbound), 0)
            intake.order.append((file.shown, digest, file.source, None))
            return
    original = originals.archive(
        path,
        run.site.originals,
        dataclasses.replace(reading_of(run.mappings[file.source], limits), watch=_progress(run).reading),
        opening.opened(inbound, where, limits),
        where,
    )
    after = path.stat()
    if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns) or (
        not packed and original.size_bytes != after.st_size
    ):
        intake.left.append(file.shown)
        return
    if original.sha256 in known:
        intake.order.append((file.shown, original.sha256, file.source, None))
        return
    known.add(original.sha256)
    _progress(run).took(file.shown, original.size_bytes, original.records)
    intake.notes += [f"{file.shown}: {note}" for note in original.notes]
    taken = SourceFile(file.number, path.resolve(), file.shown, original, file_stamp(after), packed)
    intake.new.setdefault(file.source, []).append(taken)
    intake.order.append((file.shown, original.sha256, file.source, taken))
