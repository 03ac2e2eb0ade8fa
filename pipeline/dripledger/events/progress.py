"""What a writing run tells while it goes on."""

from __future__ import annotations


class Progress:
    """Told how far a run is; this one keeps it to itself.

    Calling it names the step that begins; where only steps are wanted, a plain function can stand in its
    place.
    """

    def __call__(self, step: str) -> None:
        """Begin a step: ``originals``, ``stage NAME``, ``check NAME``, ``write events``, ..."""

    def expect(self, size_bytes: int, sources: int) -> None:
        """Expect to read so many bytes, of so many sources."""

    def reading(self, size_bytes: int, records: int) -> None:
        """Have read so much of one file."""

    def took(self, name: str, size_bytes: int, records: int) -> None:
        """Have read a new file to its end; a known one has no records."""
